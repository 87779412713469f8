"""A strip: one disk's time drawn as a skyline, so that shape alone tells the states apart.

Rules: pure. Turning stands up as a block, asleep lies flat in a lane below the blocks, not known is
a hatched block, not watched a dotted line, and where nothing is booked there is nothing. Where a
bin holds both, the block is as high as its share of turning, and the lane says that the disk slept
for most of it. The dark foot of a block is the share of that run in which sectors moved. Spin-ups
are ticks above, longer where a bin has 2, 4, 8 or 16.

A bin is 2 min of the last day, 1 h of 7 days, 2 h of 30 days. Coordinates are bins across and
units down; the page stretches them. Whole units, so that a month of a busy disk stays small.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from spinledger.model import DAY, HOUR, MINUTE, SECOND
from spinledger.web.sight import Booked
from spinledger.web.words import STATE_WORDS, length, percent, plural, safe

TALL = 42  # units: 10 for the ticks, 3 of air, 24 for the blocks, 1 of air, 4 for sleep
LANE = 10  # where the ticks stand
FOOT = 37  # where the blocks stand
BLOCK = 24
ASLEEP = 4
TICKS = (0, 4, 6, 8, 9, 10)  # of no spin-up in a bin, of 1, 2, 4, 8, 16 and more
STATES = ("standby", "spinning", "unknown", "unobserved")
DOTS = 25  # where the dotted line runs


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
    Range("7d", "7 days", 7 * DAY, HOUR),
    Range("30d", "30 days", 30 * DAY, 2 * HOUR),
)


@dataclass(frozen=True, slots=True)
class Tally:
    """One disk's time in a range, by bins: nanoseconds of each state, and spin-ups."""

    shown: Range
    states: Mapping[str, Sequence[int]]
    used: Sequence[int]  # the part of spinning in which sectors moved
    wakes: Sequence[int]

    def seconds(self, state: str) -> float:
        """Time in a state."""
        return sum(self.states[state]) / SECOND

    @property
    def seen(self) -> float:
        """Seconds in which the platters were known to turn or to stand."""
        return self.seconds("spinning") + self.seconds("standby")

    @property
    def asleep(self) -> str:
        """Share of the time seen, as text; `not known` where none was."""
        return percent(self.seconds("standby") / self.seen) if self.seen else "not known"


def tally(recorded: Booked, shown: Range, now: int) -> Tally:
    """Count the time up to `now`: once over the books, since they may be long."""
    width, count = shown.bin_ns, shown.bins
    start = now - shown.span_ns
    states = {state: [0] * count for state in STATES}
    used = [0] * count
    end = shown.span_ns
    for began, ended, state, active in recorded.pieces:  # comparisons, not min(): it is hot
        left = began - start if began > start else 0
        right = ended - start if ended - start < end else end
        if left >= right:
            continue
        row = states[state]
        first, last = left // width, (right - 1) // width
        if first == last:
            row[first] += right - left
            if active and state == "spinning":
                used[first] += (right - left) * active // (ended - began)
            continue
        row[first] += (first + 1) * width - left
        for at in range(first + 1, last):
            row[at] += width
        row[last] += right - last * width
        if active and state == "spinning":
            for at in range(first, last + 1):
                inside = min(right, (at + 1) * width) - max(left, at * width)
                used[at] += inside * active // (ended - began)
    wakes = [0] * count
    for wake in recorded.wakes:
        at = (wake[0] - start) // width
        if 0 <= at < count:
            wakes[at] += 1
    return Tally(shown, states, used, wakes)


def strip(given: Tally, quiet: str) -> str:
    """The strip as SVG, or words where nothing is booked; `quiet`: id of its shading, or ""."""
    width, half = given.shown.bin_ns, given.shown.bin_ns // 2
    states = given.states
    if not any(map(any, states.values())):
        return '<p class="strip soft">Nothing booked in this time.</p>'
    parts = [f'<use href="#{quiet}"/>'] if quiet else []
    turning = [-(-ns * BLOCK // width) for ns in states["spinning"]]
    used = [(ns * BLOCK + half) // width for ns in given.used]
    asleep = [ASLEEP if ns >= half else 0 for ns in states["standby"]]
    unknown = [BLOCK if ns >= half else 0 for ns in states["unknown"]]
    ticks = [TICKS[min(count.bit_length(), len(TICKS) - 1)] for count in given.wakes]
    for name, tops, foot in (
        ("z", asleep, TALL),
        ("t", turning, FOOT),
        ("a", used, FOOT),
        ("u", unknown, FOOT),
        ("w" if given.shown.span_ns <= DAY else "k", ticks, LANE),  # k: with gaps between bins
    ):
        if path := _skyline(tops, foot):
            parts.append(f'<path class="{name}" d="{path}"/>')
    if path := _dots(states["unobserved"], half):
        parts.append(f'<path class="n" d="{path}"/>')
    return (
        f'<svg class="strip" viewBox="0 0 {given.shown.bins} {TALL}" preserveAspectRatio="none"'
        f' role="img" aria-label="{safe(sentence(given))}">{"".join(parts)}</svg>'
    )


def sentence(given: Tally) -> str:
    """The strip in one sentence, for whoever does not see it."""
    each = ", ".join(
        f"{STATE_WORDS[state]} {length(seconds)}"
        for state in STATES
        if (seconds := given.seconds(state))
    )
    if not each:
        return f"Last {given.shown.title}: nothing booked"
    return f"Last {given.shown.title}: {each}; {plural(sum(given.wakes), 'spin-up')}"


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


def _skyline(tops: Sequence[int], foot: int) -> str:
    """Closed outlines over the foot, one for each run of bins that stand up."""
    parts: list[str] = []
    tall = run = 0
    for at, top in enumerate([*tops, 0]):
        if top != tall:
            if tall == 0:
                parts.append(f"M{at} {foot}v{-top}")
            else:
                parts.append(f"h{at - run}v{tall - top}")
                if top == 0:
                    parts.append("z")
            tall, run = top, at
    return "".join(parts)


def _dots(row: Sequence[int], least: int) -> str:
    """Lines over the bins that hold so much."""
    parts = []
    began = -1
    for at, value in enumerate([*row, -1]):
        if value >= least:
            began = at if began < 0 else began
        elif began >= 0:
            parts.append(f"M{began} {DOTS}h{at - began}")
            began = -1
    return "".join(parts)
