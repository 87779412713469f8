"""Two drawings of a replay: an SVG for a page, a few lines for a terminal.

Rules: two panels above one another share one axis of timers, equally spaced, since the values that
drives accept are spread unevenly. The upper shows the share of time asleep, the lower spin-ups a
day with the budget as a line. Shape and word mark the recommended timer, not colour alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from spinledger.model import SECOND
from spinledger.whatif.replay import Choice, Terms, Worth
from spinledger.words import timer

WIDTH, HEIGHT = 720, 440  # user units
LEFT, RIGHT = 64, 24
UPPER, LOWER, PANEL = 64, 248, 136  # tops and height of the panels
INK, FAINT, SLEEP, SPIN, BEST = "#1c2430", "#c9d0d8", "#2b5c8a", "#a5552a", "#14663c"

_STYLE = "font-family:system-ui,sans-serif;font-size:12px"


def svg(worths: Sequence[Worth], choice: Choice, terms: Terms, name: str) -> str:
    """The drawing as an SVG 1.1 document with a title and a description."""
    ratios = [worth.asleep_ratio or 0.0 for worth in worths]
    cycles = [worth.cycles_per_day or 0.0 for worth in worths]
    top = _round_up(max([*cycles, terms.budget_per_day if _near(cycles, terms) else 0.0, 1.0]))
    labels = [timer(worth.outcome.standby_ns / SECOND) for worth in worths]
    values = "; ".join(
        f"{label}: asleep {ratio:.1%}, {count:.1f} spin-ups a day"
        for label, ratio, count in zip(labels, ratios, cycles, strict=True)
    )
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-labelledby="title desc" style="{_STYLE}">',
        f'<title id="title">Standby timers tried on {escape(name)}</title>',
        f'<desc id="desc">{escape(choice.reason)} Values: {escape(values)}.</desc>',
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#ffffff"/>',
        _text(LEFT, 24, f"Standby timers tried on {name}", "font-size:15px;font-weight:600"),
        *_panel(UPPER, "share of time asleep", ("0 %", "50 %", "100 %")),
        *_panel(LOWER, "spin-ups a day", ("0", f"{top / 2:g}", f"{top:g}")),
    ]
    for index, (worth, label) in enumerate(zip(worths, labels, strict=True)):
        best = worth.outcome.standby_ns == choice.standby_ns
        x = _x(index, len(worths))
        lines += _bar(x, UPPER, ratios[index], BEST if best else SLEEP, len(worths))
        lines += _bar(x, LOWER, cycles[index] / top, BEST if best else SPIN, len(worths))
        if best:
            weight = "font-weight:600;text-anchor:middle"
            lines.append(f'<path d="M{x - 5:.1f} 46h10l-5 8z" fill="{BEST}"/>')
            lines.append(_text(x, 42, "recommended", weight, BEST))
        if best or index % (1 + len(worths) // 16) == 0:
            lines.append(_text(x, LOWER + PANEL + 18, label, "font-size:11px;text-anchor:middle"))
    if _near(cycles, terms):
        y = LOWER + PANEL * (1 - terms.budget_per_day / top)
        lines.append(
            f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" stroke="{INK}" stroke-dasharray="6 4"/>'
        )
        label = f"budget {terms.budget_per_day:g} a day"
        lines.append(_text(WIDTH - RIGHT, y - 4, label, "text-anchor:end"))
    lines.append(_text(LEFT, HEIGHT - 16, "idle time before standby"))
    return "\n".join([*lines, "</svg>", ""])


def _near(cycles: Sequence[float], terms: Terms) -> bool:
    """True when the budget fits into the drawing without flattening it."""
    return terms.budget_per_day <= 4 * max([*cycles, 0.25])


def _x(index: int, count: int) -> float:
    return LEFT + (WIDTH - LEFT - RIGHT) * (index + 0.5) / count


def _text(x: float, y: float, text: str, style: str = "", fill: str = INK) -> str:
    styled = f' style="{style}"' if style else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" fill="{fill}"{styled}>{escape(text)}</text>'


def _panel(top: int, name: str, ticks: tuple[str, str, str]) -> list[str]:
    lines = [_text(LEFT, top - 6, name)]
    for step, tick in enumerate(ticks):
        y = top + PANEL * (1 - step / 2)
        lines.append(f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" stroke="{FAINT}"/>')
        lines.append(_text(LEFT - 8, y + 4, tick, "text-anchor:end"))
    return lines


def _bar(x: float, top: int, share: float, fill: str, count: int) -> list[str]:
    width = min(40.0, 0.6 * (WIDTH - LEFT - RIGHT) / count)
    height = PANEL * min(1.0, share)
    return [
        f'<rect x="{x - width / 2:.1f}" y="{top + PANEL - height:.1f}" width="{width:.1f}" '
        f'height="{height:.1f}" fill="{fill}"/>'
    ]


def _round_up(value: float) -> float:
    """The next of 1, 2, 4, 10, 20, 40, 100, ... at or above a value."""
    scale = 1.0
    while True:
        for step in (1, 2, 4):
            if value <= step * scale:
                return step * scale
        scale *= 10


def terminal(worths: Sequence[Worth], choice: Choice, width: int = 40) -> list[str]:
    """Lines of at most `width` + 30 columns: asleep share a timer, the recommended one marked."""
    lines = ["asleep"]
    for worth in worths:
        ratio = worth.asleep_ratio or 0.0
        mark = ">" if worth.outcome.standby_ns == choice.standby_ns else " "
        bar = "#" * round(ratio * width)
        lines.append(
            f"{mark}{timer(worth.outcome.standby_ns / SECOND):>8} |{bar:<{width}}| {ratio:5.1%}"
        )
    return lines


def hours(waits: Sequence[int]) -> str:
    """24 characters, one an hour from midnight: `.` none, then 1 to 9 in ninths of the most."""
    most = max(waits, default=0)
    return "".join("." if not wait else str(-(-9 * wait // most)) for wait in waits)
