"""When a rating is used up: the interval against numpy and scipy, the dates against arithmetic."""

from __future__ import annotations

import random

import numpy as np
import pytest
from scipy import stats

from spinledger.errors import Misuse
from spinledger.model import DAY, SECOND
from spinledger.wear.projection import projection, student

NOW = 20_000 * DAY  # wall time
YEAR = int(365.25 * DAY)


def history(chance: random.Random) -> list[tuple[int, int]]:
    """A history of daily counts: some days missing, some quiet, some busy, some still."""
    value = chance.randrange(1_000_000)
    points: list[tuple[int, int]] = []
    busy = chance.choice([0, 1, 3, 30, 300])
    for day in range(chance.randrange(2, 60)):
        value += chance.randrange(busy + 1) if chance.random() < 0.8 else 0
        if chance.random() < 0.9 or not points:
            points.append((day, value))
    return points if len(points) > 1 else [*points, (99, value)]


def test_students_t_is_scipys() -> None:
    """The quantile at 0.95 within 0.1 % of scipy.stats.t for 3 to 400 degrees of freedom."""
    for degrees in (*range(3, 31), 51, 365, 400):
        assert student(degrees) == pytest.approx(stats.t.ppf(0.95, degrees), rel=1e-3)


@pytest.mark.parametrize(("record", "sizes"), [(15, [1]), (30, [1, 7]), (200, [1, 7, 30])])
def test_the_interval_is_numpys(record: int, sizes: list[int]) -> None:
    """Bounds equal the roots that numpy finds, with scipy's Student's t over whole blocks."""
    rises = np.random.default_rng(record).negative_binomial(2, 0.1, record).astype(float)
    sums = np.concatenate([[0], np.cumsum(rises)])
    points = [(NOW - (record - n) * DAY, int(count)) for n, count in enumerate(sums)]
    pace, wide, left = rises.mean(), 0.0, 50_000
    for size in sizes:
        blocks = rises[record % size :].reshape(-1, size).sum(axis=1)
        t = stats.t.ppf(0.95, len(blocks) - 1)
        wide = max(wide, t**2 * ((blocks - pace * size) ** 2).sum() / size / (len(blocks) - 1))
    roots = np.roots([pace**2 - wide / record, -2 * left * pace - wide, left**2])
    end = projection(points, points[-1][1] + left, NOW)
    assert end is not None
    found = [np.inf if at is None else (at - NOW) / DAY for at in (end.early, end.late)]
    assert found[0] == pytest.approx(min(one for one in roots if one > 0), rel=1e-3)
    assert end.middle == pytest.approx(NOW + left / pace * DAY, abs=SECOND)
    late = max(roots) if pace**2 > wide / record else np.inf
    assert found[1] == (np.inf if late > 36_525 else pytest.approx(late, rel=1e-2))


def test_rare_heavy_days_count() -> None:
    """Ten cycles a day and a thousand once in 30 days are 43 a day, not ten."""
    rises = [1000 if n % 30 == 0 else 10 for n in range(300)]
    points = [(NOW - (300 - n) * DAY, sum(rises[:n])) for n in range(301)]
    end = projection(points, points[-1][1] + 43_000, NOW)
    assert end is not None
    assert end.middle == pytest.approx(NOW + 1000 * DAY, abs=DAY)


def test_seldom_read_is_read_as_it_is() -> None:
    """Readings once a month make blocks of a month; five make four blocks, four too few."""
    points = [(NOW - n * 31 * DAY, 10_000 - 300 * n) for n in range(5)][::-1]
    end = projection(points, 20_000, NOW)
    assert end is not None
    assert end.middle == pytest.approx(NOW + 10_000 / 300 * 31 * DAY, abs=SECOND)
    assert projection(points[1:], 20_000, NOW) is None


def test_what_a_record_is_too_short_for_is_said() -> None:
    """Four blocks of a week are 28 days, four of a month 120."""
    ends = {days: projection(steady(days, 10), 9000, NOW) for days in (20, 28, 120)}
    said = {days: end.unseen for days, end in ends.items() if end}
    assert said[20] == "patterns of a week and longer or peaks once a month"
    assert said[28] == "peaks once a month"
    assert not said[120]


def steady(days: int, a_day: int, first: int = 1000) -> list[tuple[int, int]]:
    """That many cycles each day, the last row now."""
    return [(NOW - (days - n) * DAY, first + n * a_day) for n in range(days + 1)]


def test_a_steady_drive() -> None:
    """600,000 at 328.5 a day would be five years; 1,000 left at 10 a day are 100 days."""
    days = steady(60, 10, first=0)
    end = projection(days, 1600, NOW)
    assert end is not None
    assert all(one == pytest.approx(NOW + 100 * DAY, abs=SECOND) for one in end[:3])


def test_a_rating_of_five_years() -> None:
    """Used at 657 a day, twice the 328.5 of five years, 600,000 end 2.5 years from new."""
    end = projection(steady(100, 657, first=0), 600_000, NOW)
    assert end is not None
    assert end.middle is not None
    assert (end.middle - NOW) / YEAR == pytest.approx(2.5 - 100 / 365.25, abs=0.01)


@pytest.mark.parametrize(("days", "given"), [(12, False), (13, False), (14, True), (400, True)])
def test_nothing_is_said_below_fourteen_days(days: int, given: bool) -> None:
    """The rows must span 14 days."""
    assert (projection(steady(days, 100), 600_000, NOW) is not None) == given


def test_few_rows_say_nothing() -> None:
    """Two readings a year apart are no trend."""
    assert projection([(NOW - YEAR, 0), (NOW, 5000)], 600_000, NOW) is None


def test_early_middle_late_are_ordered() -> None:
    """On random histories of at least 14 days the bounds keep their order and none is past."""
    chance = random.Random(7)
    given = 0
    for _ in range(300):
        days = [(NOW + (x - 60) * DAY, y) for x, y in history(chance)]
        end = projection(days, days[-1][1] + chance.randrange(1, 100_000), NOW + 40 * DAY)
        if end is None:
            continue
        given += 1
        late = [at for at in end[:3] if at is not None]
        assert late == sorted(late)
        assert end.early is None or end.early >= NOW + 40 * DAY
        assert end.middle is not None or end.late is None
    assert given > 100


def test_a_still_drive_has_no_end() -> None:
    """No wear, or so little that a century is not enough: absent."""
    for a_day in (0, 1):
        end = projection(steady(100, a_day), 600_000, NOW)
        assert end is not None
        assert end[:3] == (None, None, None)


def test_only_the_last_year_counts() -> None:
    """Ten years of 300 a day, then a year of 10: the next years go on at 10."""
    wild = [(NOW - (4000 - n) * DAY, n * 300) for n in range(3633)]
    calm = [(NOW - n * DAY, wild[-1][1] + (367 - n) * 10) for n in range(367, -1, -1)]
    days = [*wild[:-1], *calm]
    end = projection(days, days[-1][1] + 1000, NOW)
    assert end is not None
    assert end.middle == pytest.approx(NOW + 100 * DAY, abs=SECOND)


def test_a_rating_used_up_ends_now() -> None:
    """At or above the rating there is nothing to project."""
    days = steady(30, 10)
    for rating in (1300, 7):
        end = projection(days, rating, NOW)
        assert end is not None
        assert end[:3] == (NOW, NOW, NOW)


def test_days_ascend() -> None:
    """Rows out of order, or no rating, are our own mistake."""
    days = steady(30, 10)
    for wrong, rating in ((days[::-1], 9000), ([*days, days[-1]], 9000), (days, 0)):
        with pytest.raises(Misuse):
            projection(wrong, rating, NOW)
