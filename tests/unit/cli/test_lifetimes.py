"""Used life in words and years, as `look` says it; years of 365.25 days, worked out by hand."""

from __future__ import annotations

import pytest

from spinledger.cli.lifetimes import MOST, sentences
from spinledger.facts import DiskView
from spinledger.model import Labels, Number
from tests.fakes.looks import NOW_S, YEAR_S, asleep, snapshot_of
from tests.fakes.series import changed
from tests.fakes.snapshots import view

CAUTION = "A rating is a design figure; it does not forecast a failure."


def rated(number: int, used: float, *years: float | None) -> DiskView:
    """A disk with this share of its head loads used, and the rest used up in so many years."""
    bounds = zip(("early", "late"), years, strict=False)
    ends: dict[Labels, Number] = {
        ("load", bound): NOW_S + at * YEAR_S for bound, at in bounds if at is not None
    }
    plain = view(number)
    shares: dict[Labels, Number] = {("load",): used}
    more = {"rated_life_used_ratio": shares, "rated_life_end": ends}
    return changed(plain, more)


def words_of(*views: DiskView) -> list[str]:
    """The sentences, without the caution that the last one bears."""
    lines = sentences(snapshot_of(*views)["disks"], NOW_S)
    assert lines[-1].endswith(CAUTION)
    return [line.removesuffix(CAUTION).rstrip() for line in lines]


@pytest.mark.parametrize(
    ("years", "words"),
    [
        ((12.2, 19.8), "; at this pace the rest will last 12 to 20 years."),
        ((11.6, 12.4), "; at this pace the rest will last about 12 years."),
        ((0.42, 2.0), "; at this pace the rest will last 5 months to 2 years."),
        ((0.08, 0.75), "; at this pace the rest will last 1 to 9 months."),
        ((1.0, 3.3), "; at this pace the rest will last 1 to 3 years."),
        ((31.0, 70.0), "; at this pace the rest will last 31 years or more."),
        ((8.0, None), "; at this pace the rest will last 8 years or more."),
        ((55.0, 99.0), "; at this pace the rest will last over 50 years."),
        ((), "; how long the rest will last is unknown."),
    ],
)
def test_the_share_and_the_years(years: tuple[float | None, ...], words: str) -> None:
    """Early and late bound, rounded to years, or to months below one."""
    assert words_of(rated(0, 0.12, *years)) == [
        f"Life of sda: 12% of its rated head loads used{words}"
    ]


def test_the_kind_that_is_used_up_first_is_shown() -> None:
    """31 % of the spindle starts last 12 years; 12 % of the head loads would last 30."""
    assert words_of(asleep(0)) == [
        "Life of sda: 31% of its rated spindle starts used; at this pace the rest will last "
        "12 to 20 years."
    ]


def test_a_rating_used_up() -> None:
    """No years are left."""
    assert words_of(rated(0, 1.02, 0.0, 0.0)) == [
        "Life of sda: 102% of its rated head loads used: the rating is used up."
    ]


def test_the_least_left_comes_first_and_many_are_counted() -> None:
    """Nine disks: the six that last least, in order; of the others only their number."""
    lines = words_of(*(rated(n, 0.1, 20.0 - n, 25.0) for n in range(9)))
    assert len(lines) == MOST + 1
    assert [line.split(":")[0][-3:] for line in lines[:MOST]] == [
        f"sd{letter}" for letter in "ihgfed"
    ]
    assert lines[-1] == "3 more disks have more rated life left."


def test_without_a_rating_nothing_is_said() -> None:
    """A rating is never guessed."""
    assert sentences(snapshot_of(view(0))["disks"], NOW_S) == []
