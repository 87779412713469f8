"""A strip as SVG, and the line of times above it.

Rules: pure. Shape alone distinguishes the states: spinning stands up as a block, asleep lies flat
in a lane below the blocks, unknown is a hatched block, unobserved a dotted line, and where nothing
is recorded there is nothing. Where a bin holds both, the block is as high as its share of spinning,
and the lane says that the disk slept for most of it. The dark part of a block is the share of that
bin in which sectors moved. Spin-ups are ticks above, longer where a bin has 2, 4, 8 or 16.

A bin is 2 min of the last day, 1 h of 7 days, 2 h of 30 days. Coordinates are bins across and
units down; the page stretches them. Whole units, so that a month of a busy disk stays small.
Marks of the line of times stand at whole local hours or midnights, also on days that have 23 or 25
hours: they are found by the local clock, never by adding seconds.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import compress
from operator import ne

from spinledger.model import DAY, HOUR, MINUTE, SECOND
from spinledger.strip import STATES, Range, Strip
from spinledger.web.html import safe
from spinledger.words import STATES as STATE_WORDS
from spinledger.words import duration, local, percent, plural

RANGES = (
    Range("24h", "24 hours", DAY, 2 * MINUTE),
    Range("7d", "7 days", 7 * DAY, HOUR),
    Range("30d", "30 days", 30 * DAY, 2 * HOUR),
)

TALL = 42  # units: 10 for the ticks, 3 of air, 24 for the blocks, 1 of air, 4 for sleep
LANE = 10  # where the ticks stand
FOOT = 37  # where the blocks stand
BLOCK = 24
ASLEEP = 4
TICKS = (0, 4, 6, 8, 9, 10)  # of no spin-up in a bin, of 1, 2, 4, 8, 16 and more
DOTS = 25  # where the dotted line runs

HOURS_APART = 3
DAYS_APART = 5
EDGE = 0.02  # no label nearer to an end than this share


def drawing(strip: Strip, quiet: str) -> str:
    """The strip as SVG, or words where nothing is recorded; `quiet`: id of its shading, or ""."""
    width, half = strip.shown.bin_ns, strip.shown.bin_ns // 2
    states = strip.states
    if not any(map(any, states.values())):
        return '<p class="strip soft">Nothing recorded in this time.</p>'
    parts = [f'<use href="#{quiet}"/>'] if quiet else []
    spinning = [-(-ns * BLOCK // width) for ns in states["spinning"]]
    active = [(ns * BLOCK + half) // width for ns in strip.active]
    asleep = [ASLEEP if ns >= half else 0 for ns in states["standby"]]
    unknown = [BLOCK if ns >= half else 0 for ns in states["unknown"]]
    ticks = [
        TICKS[min(count.bit_length(), len(TICKS) - 1)] if count else 0 for count in strip.spin_ups
    ]
    for name, tops, foot in (
        ("z", asleep, TALL),
        ("t", spinning, FOOT),
        ("a", active, FOOT),
        ("u", unknown, FOOT),
        ("w" if strip.shown.span_ns <= DAY else "k", ticks, LANE),  # k: with gaps between bins
    ):
        if path := _skyline(tops, foot):
            parts.append(f'<path class="{name}" d="{path}"/>')
    if path := _dots(states["unobserved"], half):
        parts.append(f'<path class="n" d="{path}"/>')
    return (
        f'<svg class="strip" viewBox="0 0 {strip.shown.bins} {TALL}" preserveAspectRatio="none"'
        f' role="img" aria-label="{safe(sentence(strip))}">{"".join(parts)}</svg>'
    )


def sentence(strip: Strip) -> str:
    """The strip in one sentence, for readers who do not see it."""
    each = ", ".join(
        f"{STATE_WORDS[state]} {duration(seconds)}"
        for state in STATES
        if (seconds := strip.seconds(state))
    )
    if not each:
        return f"Last {strip.shown.title}: nothing recorded"
    return f"Last {strip.shown.title}: {each}; {plural(sum(strip.spin_ups), 'spin-up')}"


def asleep_share(strip: Strip) -> str:
    """Share of the known time asleep; `unknown` where there is none."""
    return "unknown" if strip.asleep_ratio is None else percent(strip.asleep_ratio)


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
    before = [0, *tops]
    after = [*tops, 0]
    run = 0
    for at in compress(range(len(after)), map(ne, before, after)):
        tall, top = before[at], after[at]
        parts.append(f"h{at - run}v{tall - top}" if tall else f"M{at} {foot}v{-top}")
        if not top:
            parts.append("z")
        run = at
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


def axis(shown: Range, now: int, tz: tzinfo) -> str:
    """The line of times. Every second label has the class `o`: narrow pages leave it out."""
    start = now - shown.span_ns
    parts = []
    for place, (at, label) in enumerate(_marks(shown, start, now, tz)):
        share = (at - start) / shown.span_ns
        x = f"{share * 100:.2f}%"
        parts.append(f'<line x1="{x}" x2="{x}" y1="14" y2="20"/>')
        if EDGE < share < 1 - EDGE:
            odd = ' class="o"' if place % 2 else ""
            parts.append(f'<text x="{x}" y="11"{odd}>{safe(label)}</text>')
    return f'<svg class="axis" aria-hidden="true">{"".join(parts)}</svg>'


def _marks(shown: Range, start: int, now: int, tz: tzinfo) -> Iterator[tuple[int, str]]:
    """Moments and their labels."""
    first = local(start, tz)
    midnight = datetime(first.year, first.month, first.day)
    days = shown.span_ns // DAY
    if days > 1:
        apart = DAYS_APART if days > 7 else 1
        for day in range(0, days + 2):
            at = midnight + timedelta(days=day)
            if at.toordinal() % apart == 0 and start <= (wall := _wall(at, tz)) <= now:
                yield wall, f"{at.day} {at:%b}" if apart > 1 else f"{at:%a} {at.day}"
        return
    for hour in range(0, 49, HOURS_APART):
        at = midnight + timedelta(hours=hour)
        if start <= (wall := _wall(at, tz)) <= now:
            yield wall, f"{at:%H}:00" if at.hour else f"{at:%a} {at.day}"


def _wall(at: datetime, tz: tzinfo) -> int:
    """The instant at which the local clock reads `at`; where it is skipped, an hour aside."""
    return int(at.replace(tzinfo=tz).astimezone(UTC).timestamp()) * SECOND
