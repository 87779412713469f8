"""When a rating is used up: the trend against scipy, the dates against arithmetic."""

from __future__ import annotations

import random

import pytest
from scipy import stats

from spinledger.errors import Misuse
from spinledger.model import DAY, SECOND
from spinledger.wear.projection import Projection, projection, theil_sen

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


def test_the_trend_is_scipys() -> None:
    """Slope and 95 % interval equal scipy.stats.theilslopes on 1,000 random histories."""
    chance = random.Random(20261125)
    for _ in range(1000):
        points = history(chance)
        ours = theil_sen(points)
        theirs = stats.theilslopes([y for _, y in points], [x for x, _ in points], alpha=0.95)
        assert ours is not None
        assert ours.middle == pytest.approx(theirs.slope, rel=1e-12, abs=1e-12)
        assert ours.low == pytest.approx(theirs.low_slope, rel=1e-12, abs=1e-12)
        assert ours.high == pytest.approx(theirs.high_slope, rel=1e-12, abs=1e-12)


def test_no_trend_from_one_day() -> None:
    """A slope needs two different times."""
    assert theil_sen([]) is None
    assert theil_sen([(1, 5)]) is None
    assert theil_sen([(1, 5), (1, 7)]) is None


def steady(days: int, a_day: int, first: int = 1000) -> list[tuple[int, int]]:
    """That many cycles each day, the last row now."""
    return [(NOW - (days - n) * DAY, first + n * a_day) for n in range(days + 1)]


def test_a_steady_drive() -> None:
    """600,000 at 328.5 a day would be five years; 1,000 left at 10 a day are 100 days."""
    days = steady(60, 10, first=0)
    end = projection(days, 1600, NOW)
    assert end is not None
    assert all(one == pytest.approx(NOW + 100 * DAY, abs=SECOND) for one in end)


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
        late = [at for at in end if at is not None]
        assert late == sorted(late)
        assert end.early >= NOW + 40 * DAY
        assert end.middle is not None or end.late is None
    assert given > 100


def test_a_still_drive_has_no_end() -> None:
    """No wear, or so little that a century is not enough: absent."""
    assert projection(steady(100, 0), 600_000, NOW) is None
    assert projection(steady(100, 1), 600_000, NOW) is None


def test_wrong_days_move_little() -> None:
    """A robust trend: two days of ninety read a hundredfold wrong leave the dates near."""
    days = steady(90, 10, first=0)
    wrong = [(at, y * 100 if n in (30, 60) else y) for n, (at, y) in enumerate(days)]
    plain, moved = projection(days, 20_000, NOW), projection(wrong, 20_000, NOW)
    assert plain is not None
    assert moved is not None
    assert plain.middle is not None
    for end in moved:
        assert end is not None
        assert abs(end - plain.middle) < (plain.middle - NOW) * 0.05


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
    assert projection(days, 1300, NOW) == Projection(NOW, NOW, NOW)
    assert projection(days, 7, NOW) == Projection(NOW, NOW, NOW)


def test_days_ascend() -> None:
    """Rows out of order, or no rating, are our own mistake."""
    days = steady(30, 10)
    for wrong, rating in ((days[::-1], 9000), ([*days, days[-1]], 9000), (days, 0)):
        with pytest.raises(Misuse):
            projection(wrong, rating, NOW)
