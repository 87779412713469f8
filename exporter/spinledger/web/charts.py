"""Small charts: spin-ups against a budget, and what other timers would have done.

Rules: pure; each chart has a sentence for readers who do not see it, and the page has the figures
in a table beside it. Curves of timers are drawn on a scale of log(1 + n), so that 2 and 200
spin-ups a day both show.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, log1p

from spinledger.facts import DiskView
from spinledger.model import SECOND, State
from spinledger.web.html import safe
from spinledger.words import number, percent, plural, timer

DAY_S = 86_400
LABEL_WIDTH = 54  # of a timer at 13 pixels and the room beside it, in units of the curve
LEAST_S = DAY_S / 4  # before that, a pace a day says nothing


@dataclass(frozen=True, slots=True)
class WhatIf:
    """What each timer would have done in the time observed."""

    days: float
    timers: tuple[float, ...]  # seconds, ascending
    cycles: tuple[float, ...]  # a day
    asleep: tuple[float, ...]  # share of the time
    present: float | None  # the timer the disk has, as declared or observed, seconds
    seen: float  # actual spin-ups a day
    budget: float


def watched_s(view: DiskView) -> float:
    """Seconds that were observed."""
    times = view.facts.totals.state_ns
    return sum(ns for state, ns in times.items() if state is not State.UNOBSERVED) / SECOND


def what_if(view: DiskView) -> WhatIf | None:
    """From the ledger's totals; None while too little was observed."""
    tried = sorted(view.facts.totals.whatif.items())
    watched = watched_s(view)
    if watched < LEAST_S or not tried:
        return None
    days = watched / DAY_S
    present = view.facts.timer_ns
    return WhatIf(
        days,
        tuple(timer_ns / SECOND for timer_ns, _ in tried),
        tuple(one.spin_ups / days for _, one in tried),
        tuple(one.asleep_ns / SECOND / watched for _, one in tried),
        None if present is None else present / SECOND,
        view.facts.totals.cycles / days,
        view.policy.budget_per_day,
    )


def little_curve(tried: WhatIf) -> str:
    """Spin-ups a day by timer, without words: 96 by 28."""
    top = _top(tried)
    places = [(_across(tried, at, 3, 93), 26 - 24 * log1p(n) / top) for at, n in _points(tried)]
    line = "M" + "L".join(f"{x:.0f} {y:.1f}" for x, y in places)
    budget = 26 - 24 * log1p(tried.budget) / top
    marks = f'<path class="b" d="M0 {budget:.1f}H96"/><path class="c" d="{line}"/>'
    if tried.present:
        x = _across(tried, tried.present, 3, 93)
        marks += f'<path class="p" d="M{x:.0f} 0V28"/>'
    return (
        '<svg class="curve" viewBox="0 0 96 28" role="img" '
        f'aria-label="{safe(_short_sentence(tried))}">'
        f"{marks}</svg>"
    )


def curve(tried: WhatIf) -> str:
    """Spin-ups a day by timer, with the budget and the present timer: 340 by 220."""
    top = _top(tried)

    def up(count: float) -> float:
        return 180 - 130 * log1p(count) / top

    parts = [
        '<text x="0" y="11">spin-ups a day, logarithmic scale</text>',
        '<text x="185" y="216" text-anchor="middle">standby timer</text>',
    ]
    for mark in (0, 1, 3, 10, 30, 100, 300, 1000):
        if log1p(mark) <= top:
            y = up(mark)
            parts.append(f'<path class="g" d="M40 {y:.1f}H330"/>')
            parts.append(f'<text x="34" y="{y + 4:.1f}" text-anchor="end">{mark}</text>')
    free = 0.0  # labels nearer to the last one are left out
    for at in tried.timers:
        x = _across(tried, at, 52, 318)
        if x >= free:
            parts.append(f'<text x="{x:.0f}" y="198" text-anchor="middle">{timer(at)}</text>')
            free = x + LABEL_WIDTH
    places = [(_across(tried, at, 52, 318), up(n)) for at, n in _points(tried)]
    parts.append(f'<path class="c" d="M{"L".join(f"{x:.0f} {y:.1f}" for x, y in places)}"/>')
    parts += [f'<circle class="d" cx="{x:.0f}" cy="{y:.1f}" r="3.5"/>' for x, y in places]
    y = up(tried.budget)
    parts.append(f'<path class="b" d="M40 {y:.1f}H330"/>')
    words = f"budget {number(tried.budget)} a day"
    beside = y + 14 if y < 80 else y - 5  # never among the words about the timer
    parts.append(f'<text x="328" y="{beside:.1f}" text-anchor="end">{words}</text>')
    if tried.present:
        x = _across(tried, tried.present, 52, 318)
        side = "end" if x > 230 else "start"
        aside = x - 6 if side == "end" else x + 6
        parts.append(f'<path class="p" d="M{x:.0f} 38V180"/>')
        parts.append(
            f'<text x="{aside:.0f}" y="34" text-anchor="{side}">'
            f"present timer {timer(tried.present)}</text>"
        )
        parts.append(f'<path class="x" d="M{x:.0f} {up(tried.seen) - 6:.1f}l6 6-6 6-6-6z"/>')
    return (
        '<svg class="chart" viewBox="0 0 340 220" role="img" '
        f'aria-label="{safe(_sentence(tried))}">'
        f"{''.join(parts)}</svg>"
    )


def day_bars(counts: Sequence[tuple[str, int | None]], budget: float) -> str:
    """Spin-ups of each day, oldest first, with the budget as a line: 640 by 138.

    A count is None on a day of which nothing is recorded.
    """
    most = max([budget, 1, *(count or 0 for _, count in counts)])
    width = 600 / max(1, len(counts))

    def up(count: float) -> float:
        return 100 - 84 * count / most

    y = up(budget)
    parts = [
        '<text x="0" y="-3">spin-ups</text>',
        f'<path class="b" d="M36 {y:.1f}H636"/>',
        f'<text x="32" y="{y + 4:.1f}" text-anchor="end">{number(budget)}</text>',
    ]
    for at, (label, count) in enumerate(counts):
        x = 36 + at * width
        if count is None:
            parts.append(f'<path class="n" d="M{x + 2:.1f} 100h{width - 4:.1f}"/>')
        else:
            kind = "o" if count > budget else "i"
            box = f"M{x + 2:.1f} 100V{up(count):.1f}h{width - 4:.1f}V100z"
            title = f"<title>{safe(label)}: {plural(count, 'spin-up')}</title>"
            parts.append(f'<path class="{kind}" d="{box}">{title}</path>')
            if count and (len(counts) <= 31):
                parts.append(
                    f'<text class="v" x="{x + width / 2:.1f}" y="{up(count) - 3:.1f}"'
                    f' text-anchor="middle">{count}</text>'
                )
        if (len(counts) - 1 - at) % 5 == 0:
            middle = x + width / 2
            anchor = "end" if at == len(counts) - 1 else "middle"
            place = x + width if anchor == "end" else middle
            parts.append(f'<text x="{place:.1f}" y="118" text-anchor="{anchor}">{label}</text>')
    over = sum(1 for _, count in counts if count is not None and count > budget)
    sentence = (
        f"Spin-ups of each of {len(counts)} days, budget {number(budget)}: over it on "
        f"{plural(over, 'day')}"
    )
    return (
        f'<svg class="chart wide" viewBox="0 -14 640 138" role="img" aria-label="{safe(sentence)}">'
        f"{''.join(parts)}</svg>"
    )


def hour_bars(counts: Sequence[int]) -> str:
    """Spin-ups by hour of the day, from midnight: 96 by 28."""
    most = max(counts, default=0)
    bars = "".join(
        f"M{4 * hour} 28v-{max(1, round(26 * count / most))}h3v{max(1, round(26 * count / most))}z"
        for hour, count in enumerate(counts)
        if count
    )
    each = ", ".join(f"{hour} h: {count}" for hour, count in enumerate(counts) if count)
    return (
        '<svg class="curve" viewBox="0 0 96 28" role="img" '
        f'aria-label="Spin-ups by hour: {each or "none"}"><path class="g" d="M0 27.5H96"/>'
        f'<path class="i" d="{bars}"/></svg>'
    )


def meter(count: float, limit: float) -> str:
    """A bar that is full at the limit; the words beside it say how far a count is beyond it."""
    share = 100 if not limit else min(100, round(100 * count / limit))
    kind = "o" if limit and count > limit else "i"
    return (
        '<svg class="meter" viewBox="0 0 100 8" preserveAspectRatio="none" aria-hidden="true">'
        f'<path class="r" d="M0 0h100v8H0z"/><path class="{kind}" d="M0 0h{share}v8H0z"/></svg>'
    )


def _points(tried: WhatIf) -> Sequence[tuple[float, float]]:
    return tuple(zip(tried.timers, tried.cycles, strict=True))


def _top(tried: WhatIf) -> float:
    return log1p(max(*tried.cycles, tried.budget, tried.seen, 1) * 1.05)


def _across(tried: WhatIf, at: float, left: float, right: float) -> float:
    """Where a timer stands: its logarithm, between the shortest and the longest."""
    first, last = tried.timers[0], tried.timers[-1]
    if last <= first:
        return (left + right) / 2
    share = log(max(at, 1.0) / first) / log(last / first)
    return left + (right - left) * min(1.02, max(-0.02, share))


def _short_sentence(tried: WhatIf) -> str:
    ends = (f"{number(tried.cycles[at])} a day with {timer(tried.timers[at])}" for at in (0, -1))
    return " to ".join(ends)


def _sentence(tried: WhatIf) -> str:
    each = "; ".join(
        f"{timer(at)}: {number(cycles)} a day, asleep {percent(asleep)}"
        for at, cycles, asleep in zip(tried.timers, tried.cycles, tried.asleep, strict=True)
    )
    now = f"; present timer: {timer(tried.present)}" if tried.present else ""
    return f"Spin-ups a day by standby timer: {each}; budget {number(tried.budget)} a day{now}"
