"""A strip: one disk's time drawn as a skyline, so that shape alone tells the states apart.

Rules: pure. Turning stands up as a block, asleep lies flat at the foot, not known is a hatched
block, not watched a dotted line, and where nothing is booked there is nothing. Where a bin holds
both, the block is as high as its share of turning. The dark foot of a block is the share of that
run in which sectors moved. Spin-ups are ticks above; two or more in a bin are longer ones.

A bin is 2 min of the last day, 30 min of 7 days, 2 h of 30 days. Coordinates are bins across and
units down; the page stretches them. Whole units, so that a month of a busy disk stays small.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from spinledger.model import DAY, HOUR, MINUTE
from spinledger.web.sight import Booked, Piece, Wake
from spinledger.web.words import STATE_WORDS, length, percent, plural, safe

TALL = 36  # units: 10 for the ticks, 2 of air, 24 for the skyline
FOOT = 36
BLOCK = 24
ASLEEP = 4
TICKS = (4, 7, 10)  # 1, 2, more spin-ups in a bin
DOTS = 24  # where the dotted line runs


@dataclass(frozen=True, slots=True)
class Range:
    """A length of time that strips show."""

    name: str  # as in the page's address
    title: str
    span_ns: int
    bin_ns: int

    @property
    def bins(self) -> int:
        """How many bins it has."""
        return self.span_ns // self.bin_ns


RANGES = (
    Range("24h", "24 hours", DAY, 2 * MINUTE),
    Range("7d", "7 days", 7 * DAY, 30 * MINUTE),
    Range("30d", "30 days", 30 * DAY, 2 * HOUR),
)


def strip(booked: Booked, shown: Range, now: int, quiet: str) -> str:
    """The strip as SVG, up to `now`. `quiet` is the id of the shading to put behind, or "". """
    start = now - shown.span_ns
    shares = _shares(booked.pieces, shown, start)
    parts = [f'<use href="#{quiet}"/>'] if quiet else []
    heights = [min(BLOCK, round(share * BLOCK)) for share in shares["spinning"]]
    used = [
        min(tall, round(share * BLOCK)) for share, tall in zip(shares["used"], heights, strict=True)
    ]
    asleep = [ASLEEP if share >= 0.5 else 0 for share in shares["standby"]]
    unknown = [BLOCK if share >= 0.5 else 0 for share in shares["unknown"]]
    for name, tops in (("z", asleep), ("t", heights), ("a", used), ("u", unknown)):
        if path := _skyline(tops):
            parts.append(f'<path class="{name}" d="{path}"/>')
    if path := _dots(shares["unwitnessed"]):
        parts.append(f'<path class="n" d="{path}"/>')
    if path := _ticks(booked.wakes, shown, start):
        parts.append(f'<path class="w" d="{path}"/>')
    return (
        f'<svg class="strip" viewBox="0 0 {shown.bins} {TALL}" preserveAspectRatio="none"'
        f' role="img" aria-label="{safe(told(booked, shown, now))}">{"".join(parts)}</svg>'
    )


def seconds_in(pieces: Iterable[Piece], start: int, end: int) -> dict[str, float]:
    """Seconds of each state between two moments."""
    sums: dict[str, float] = {}
    for piece in pieces:
        share = min(piece.ended, end) - max(piece.began, start)
        if share > 0:
            sums[piece.state] = sums.get(piece.state, 0.0) + share / 1e9
    return sums


def told(booked: Booked, shown: Range, now: int) -> str:
    """The strip in one sentence, for whoever does not see it."""
    start = now - shown.span_ns
    sums = seconds_in(booked.pieces, start, now)
    if not sums:
        return f"Last {shown.title}: nothing booked"
    each = ", ".join(
        f"{STATE_WORDS[state]} {length(sums[state])}"
        for state in ("standby", "spinning", "unknown", "unwitnessed")
        if state in sums
    )
    wakes = sum(1 for wake in booked.wakes if start <= wake.at < now)
    return f"Last {shown.title}: {each}; {plural(wakes, 'spin-up')}"


def asleep_share(booked: Booked, start: int, end: int) -> str:
    """Share of the witnessed time asleep, as text; a dash where nothing was witnessed."""
    sums = seconds_in(booked.pieces, start, end)
    seen = sums.get("spinning", 0.0) + sums.get("standby", 0.0)
    return percent(sums.get("standby", 0.0) / seen) if seen else "–"


def bands(windows: Iterable[tuple[int, int]], shown: Range, now: int) -> str:
    """Path of the shading behind a strip: intervals of quiet hours, to a tenth of a bin."""
    start = now - shown.span_ns
    parts = []
    for began, ended in windows:
        left = max(0.0, (began - start) / shown.bin_ns)
        right = min(float(shown.bins), (ended - start) / shown.bin_ns)
        if right > left:
            parts.append(f"M{left:.1f} 0h{right - left:.1f}v{TALL}h{left - right:.1f}z")
    return "".join(parts)


def _shares(pieces: Sequence[Piece], shown: Range, start: int) -> dict[str, list[float]]:
    """Each state's share of each bin; `used` is the part of spinning in which sectors moved."""
    count, width = shown.bins, shown.bin_ns
    shares = {
        state: [0.0] * count for state in ("spinning", "used", "standby", "unknown", "unwitnessed")
    }
    end = start + count * width
    for began, ended, state, active in pieces:
        left, right = max(began, start), min(ended, end)
        if left >= right:
            continue
        _spread(shares[state], (left - start) / width, (right - start) / width, 1.0)
        if state == "spinning" and active:
            part = min(1.0, active / (ended - began))
            _spread(shares["used"], (left - start) / width, (right - start) / width, part)
    return shares


def _spread(row: list[float], left: float, right: float, part: float) -> None:
    """Add `part` over [left, right), in bins."""
    first, last = int(left), int(right)
    if first == last:
        row[first] += (right - left) * part
        return
    row[first] += (first + 1 - left) * part
    for at in range(first + 1, last):
        row[at] += part
    if last < len(row):
        row[last] += (right - last) * part


def _skyline(tops: Sequence[int]) -> str:
    """Closed outlines over the foot, one for each run of bins that stand up."""
    parts: list[str] = []
    tall = run = 0
    for at, top in enumerate([*tops, 0]):
        if top != tall:
            if tall == 0:
                parts.append(f"M{at} {FOOT}v{-top}")
            else:
                parts.append(f"h{at - run}v{tall - top}")
                if top == 0:
                    parts.append("z")
            tall, run = top, at
    return "".join(parts)


def _dots(shares: Sequence[float]) -> str:
    """Lines over the bins mostly not watched."""
    return "".join(
        f"M{began} {DOTS}h{ended - began}"
        for began, ended in _runs(shares, lambda share: share >= 0.5)
    )


def _runs(row: Sequence[float], holds: Callable[[float], bool]) -> Iterable[tuple[int, int]]:
    began = -1
    for at, value in enumerate(row):
        if holds(value):
            began = at if began < 0 else began
        elif began >= 0:
            yield began, at
            began = -1
    if began >= 0:
        yield began, len(row)


def _ticks(wakes: Sequence[Wake], shown: Range, start: int) -> str:
    """One tick a bin that has spin-ups."""
    counts: dict[int, int] = {}
    for wake in wakes:
        at = (wake.at - start) // shown.bin_ns
        if 0 <= at < shown.bins:
            counts[at] = counts.get(at, 0) + 1
    return "".join(
        f"M{at} 10v{-TICKS[min(count, len(TICKS)) - 1]}" for at, count in sorted(counts.items())
    )
