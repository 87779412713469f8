"""The line of times above the strips, in the page's zone.

Rules: pure. Marks stand at whole local hours or midnights, also on days that have 23 or 25 hours:
they are found by the local clock, never by adding seconds.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, tzinfo

from spinledger.model import DAY, SECOND
from spinledger.web.strips import Range
from spinledger.web.words import local, safe

HOURS_APART = 3
DAYS_APART = 5
EDGE = 0.02  # no label nearer to an end than this share


def axis(shown: Range, now: int, tz: tzinfo) -> str:
    """The line as SVG. Every second label has the class `o`: narrow pages leave it out."""
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
