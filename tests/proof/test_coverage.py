"""The 90 % interval of a projected end holds the truth about nine times in ten.

Source of the truth: processes of numpy.random that go on until the rating is used up. The long form
is `python -m tests.proof.coverage`, which prints coverage and width of every kind of use.
"""

from __future__ import annotations

import pytest

from tests.proof.coverage import tried

RUNS = 120
COVERED = 0.85
"""Required; 0.9 is meant. Four standard errors of 120 runs are 0.11, so less would be seen."""


@pytest.mark.parametrize("process", ["Poisson", "negative binomial", "bursty days", "weekly"])
@pytest.mark.parametrize("record", [30, 90, 365])
def test_the_interval_holds_the_end(process: str, record: int) -> None:
    """At 30 days and more for uses without a longer pattern than a week."""
    assert tried(process, record, RUNS).coverage >= COVERED


@pytest.mark.parametrize(
    ("process", "record", "least"), [("ten-day spells", 365, 0.8), ("monthly peak", 90, 0.85)]
)
def test_longer_patterns_need_longer_records(process: str, record: int, least: float) -> None:
    """Spells of ten days within a year, a peak once a month within three months."""
    assert tried(process, record, RUNS).coverage >= least


def test_a_narrow_interval_is_earned() -> None:
    """It narrows with the record, and a month of bursty days is not sure of its end: the late bound
    lies further off than that of a Poisson month by several times."""
    widths = [tried("Poisson", record, 60).width for record in (15, 90, 365)]
    assert widths == sorted(widths, reverse=True)
    assert widths[-1] < 0.15
    assert tried("bursty days", 30, 60).width > 4 * tried("Poisson", 30, 60).width
