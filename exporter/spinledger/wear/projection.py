"""When a rating will be used up: a 90 % prediction interval for a count that grows.

Rules of this room: pure. A count of cycles is a random walk, and its steps depend on each other:
wakes come in bursts, weeks have a pattern, months a peak. So:

- The pace is the mean of the last year at most, which rare heavy days move by what they count.
- Its long-run variance comes from batch means: the record is cut into blocks of 1, 7 and 30 days
  from its end backwards, and the scatter of the blocks' counts is the variance. Blocks longer than
  a pattern see it as scatter. A size counts where the record has at least four blocks of it.
- With pace m, variance v a day, L cycles left and a record of W days, h days from now are an end
  that the record allows while |L - m h| <= t sqrt(v h + v h^2 / W): the scatter to come, and the
  uncertainty of the mean. t is Student's, of the number of blocks less one. Of the sizes the one
  with the widest interval (the greatest t^2 v) counts.

Tried on simulated records (tests/proof/test_coverage.py). What a record is too short for is in
`unseen`. Batch means: Law, Simulation Modeling and Analysis, 9.5.3 (from memory).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import inf, sqrt
from typing import NamedTuple

from spinledger.errors import Misuse
from spinledger.model import DAY

COVERAGE = 0.9
LEAST_DAYS = 14
MOST_DAYS = 366
BLOCK_DAYS = (1, 7, 30)
LEAST_BLOCKS = 4
LATEST_YEARS = 100
"""An end further away than this is none: no drive lives so long. Common practice, no source."""

_NORMAL = 1.6448536269514722  # the quantile of the standard normal distribution at 0.95
_UNSEEN = ("patterns of a week and longer", "peaks once a month")  # without blocks of 7, of 30

Point = tuple[int, int]  # wall time in nanoseconds, count


class Projection(NamedTuple):
    """Wall time in nanoseconds at which the rating is used up; None: not within a century."""

    early: int | None
    middle: int | None
    late: int | None
    pace: float  # cycles a day
    lasted_ns: int  # the record that the pace is of

    @property
    def unseen(self) -> str:
        """What the record is too short to show, in words; "" for nothing."""
        sizes = (size for size in BLOCK_DAYS[1:] if self.lasted_ns < LEAST_BLOCKS * size * DAY)
        return " or ".join(_UNSEEN[BLOCK_DAYS.index(size) - 1] for size in sizes)


def projection(points: Sequence[Point], rating: int, now_wall_ns: int) -> Projection | None:
    """When the rating is used up, from (wall time in nanoseconds, count), ascending.

    None where the points span less than 14 days or make fewer than four blocks of any size. A
    rating that is used up already ends now.
    """
    if rating < 1 or any(one[0] >= two[0] for one, two in pairwise(points)):
        raise Misuse("a rating is at least one cycle, and points ascend in time")
    if not points or points[-1][0] - points[0][0] < LEAST_DAYS * DAY:
        return None
    last_ns, count = points[-1]
    points = points[bisect_left(points, (last_ns - MOST_DAYS * DAY, -1)) :]
    lasted_ns = last_ns - points[0][0]
    pace = (count - points[0][1]) / (lasted_ns / DAY)
    scatter = max((_scatter(points, size, pace) for size in BLOCK_DAYS), default=-inf)
    if scatter < 0:
        return None
    if count >= rating:
        return Projection(now_wall_ns, now_wall_ns, now_wall_ns, pace, lasted_ns)
    left = rating - count
    middle = left / pace if pace > 0 else inf
    early, late = _bounds(left, pace, scatter, lasted_ns / DAY)
    first, mean, last = (_end(last_ns, days, now_wall_ns) for days in (early, middle, late))
    return Projection(first, mean, last, pace, lasted_ns)


def student(degrees: int) -> float:
    """Student's t at 0.95, within 0.1 % from three degrees of freedom on.

    Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.5.
    """
    x = _NORMAL
    terms = (
        (x**3 + x) / 4,
        (5 * x**5 + 16 * x**3 + 3 * x) / 96,
        (3 * x**7 + 19 * x**5 + 17 * x**3 - 15 * x) / 384,
        (79 * x**9 + 776 * x**7 + 1482 * x**5 - 1920 * x**3 - 945 * x) / 92_160,
    )
    return x + sum(term / float(degrees) ** power for power, term in enumerate(terms, 1))


def _scatter(points: Sequence[Point], size: int, pace: float) -> float:
    """t^2 times the variance a day, by blocks of about `size` days; -inf: too few blocks.

    A block ends at a point, so its length varies, and its variance is in proportion to it.
    """
    blocks = list(_blocks(points, size * DAY - DAY // 2))
    if len(blocks) < LEAST_BLOCKS:
        return -inf
    squares = ((rise - pace * days) ** 2 / days for days, rise in blocks)
    return student(len(blocks) - 1) ** 2 * sum(squares) / (len(blocks) - 1)


def _blocks(points: Sequence[Point], least_ns: int) -> Iterator[tuple[float, int]]:
    """Days and cycles of each block, backwards from the last point."""
    ended = points[-1]
    for point in reversed(points):
        if ended[0] - point[0] >= least_ns:
            yield (ended[0] - point[0]) / DAY, ended[1] - point[1]
            ended = point


def _bounds(left: int, pace: float, scatter: float, lasted: float) -> tuple[float, float]:
    """Days until the earliest and latest end: the roots of (L - m h)^2 = a (h + h^2 / W)."""
    square = pace * pace - scatter / lasted
    half = left * pace + scatter / 2
    root = sqrt(max(0.0, half * half - square * left * left))
    early = left * left / (half + root) if half + root > 0 else inf
    return early, (half + root) / square if square > 0 else inf


def _end(last_ns: int, days: float, now_wall_ns: int) -> int | None:
    """Now or later; None when that is more than a century off."""
    latest_ns = now_wall_ns + int(LATEST_YEARS * 365.25 * DAY)
    if days * DAY > latest_ns - last_ns:
        return None
    return max(now_wall_ns, last_ns + int(days * DAY))
