"""When a rating will be used up, from one value a day.

Rules of this room: pure. The pace is the Theil-Sen slope, the median of the slopes between all
pairs of days, with Sen's 95 % interval: a day that was read wrong moves it little, and a spell of
heavy use counts the more the nearer it lies to the middle. Only the last year counts, since next
year is more like it than like the drive's first. Below 14 days nothing is said.

Theil, Indagationes Mathematicae 12 (1950); Sen, Journal of the American Statistical Association 63
(1968), equation 2.6. Both as scipy.stats.theilslopes has them.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from math import sqrt
from typing import NamedTuple

from spinledger.errors import Misuse
from spinledger.model import DAY

LEAST_DAYS = 14
MOST_DAYS = 366
LATEST_YEARS = 100
"""An end further away than this is none: no drive lives so long. Common practice, no source."""

_QUANTILE = 1.959963984540054  # of the standard normal distribution at 0.975


class Slope(NamedTuple):
    """A trend in counts per nanosecond, and its 95 % interval."""

    low: float
    middle: float
    high: float


class Projection(NamedTuple):
    """Wall time in nanoseconds at which the rating is used up; None: not within a century."""

    early: int
    middle: int | None
    late: int | None


def theil_sen(points: Sequence[tuple[int, int]]) -> Slope | None:
    """The trend of (time in nanoseconds, value); None below two different times.

    Quadratic in the number of points: a year of days takes about 70,000 pairs.
    """
    slopes = sorted(
        (y2 - y1) / (x2 - x1) if x2 > x1 else (y1 - y2) / (x1 - x2)
        for at, (x1, y1) in enumerate(points)
        for x2, y2 in points[at + 1 :]
        if x1 != x2
    )
    if not slopes:
        return None
    pairs, count = len(slopes), len(points)
    ties = [Counter(x for x, _ in points), Counter(y for _, y in points)]
    variance = _kendall(count) - sum(_kendall(k) for tie in ties for k in tie.values())
    reach = _QUANTILE * sqrt(max(0, variance) / 18)
    high = min(round((pairs + reach) / 2), pairs - 1)
    low = max(round((pairs - reach) / 2) - 1, 0)
    return Slope(slopes[low], _median(slopes), slopes[high])


def _kendall(count: int) -> int:
    return count * (count - 1) * (2 * count + 5)


def _median(ordered: Sequence[float]) -> float:
    middle = len(ordered) // 2
    if len(ordered) % 2:
        return ordered[middle]
    return (ordered[middle - 1] + ordered[middle]) / 2


def projection(days: Sequence[tuple[int, int]], rating: int, now_wall_ns: int) -> Projection | None:
    """When the rating is used up, from (wall time in nanoseconds, count) a day, ascending.

    None where the days span less than 14, where the drive does not wear at all, or where even the
    early bound lies more than a century ahead. A rating that is used up already ends now.
    """
    if rating < 1 or any(one[0] >= two[0] for one, two in pairwise(days)):
        raise Misuse("a rating is at least one cycle, and days ascend")
    if len(days) < LEAST_DAYS or days[-1][0] - days[0][0] < LEAST_DAYS * DAY:
        return None
    last_ns, count = days[-1]
    if count >= rating:
        return Projection(now_wall_ns, now_wall_ns, now_wall_ns)
    since = bisect_left(days, (last_ns - MOST_DAYS * DAY, -1))
    slope = theil_sen(days[since:][-MOST_DAYS:])
    if slope is None:
        return None
    ends = [_end(last_ns, rating - count, pace, now_wall_ns) for pace in slope]
    late, middle, early = ends
    return None if early is None else Projection(early, middle, late)


def _end(last_ns: int, left: int, pace: float, now_wall_ns: int) -> int | None:
    """Now or later; None when that is more than a century off."""
    latest_ns = now_wall_ns + int(LATEST_YEARS * 365.25 * DAY)
    if pace <= 0 or left / pace > latest_ns - last_ns:
        return None
    return max(now_wall_ns, last_ns + int(left / pace))
