"""A simulated week of the kinds of drive that mind being asked, and of two that do not.

Judged by the drives' own logs: see tests/proof/year.py, which runs every kind for a year.
"""

from __future__ import annotations

import pytest

from tests.proof import year

MIND = (
    "wakes_answers_first",
    "wakes_spins_first",
    "restarts_on_probe",
    "sleep",
    "wakes_on_log_read",
    "restarts_on_log_read",
)


@pytest.fixture(scope="module")
def week() -> dict[str, year.Row]:
    """The row of each kind."""
    return {row.kind: row for row in year.year((*MIND, "plain", "sas"), 8)}


def test_no_drive_is_disturbed_once_it_is_settled(week: dict[str, year.Row]) -> None:
    """And few times before."""
    assert len(week) == len(MIND) + 2
    assert not [row for row in week.values() if row.wrong]


def test_drives_that_mind_were_disturbed_and_settled(week: dict[str, year.Row]) -> None:
    """Else this test would show nothing; spin-ups that others caused were there as well."""
    for kind in ("wakes_answers_first", "wakes_spins_first", "sleep"):
        assert week[kind].woken
        assert week[kind].settled is not None
    assert week["restarts_on_probe"].held
    assert week["restarts_on_probe"].settled is not None
    assert min(row.by_others for row in week.values()) >= 8


def test_drives_that_mind_only_readings_and_those_that_mind_nothing_are_left_alone(
    week: dict[str, year.Row],
) -> None:
    """A reading falls into others' use alone, so not one of them had anything from us."""
    for kind in ("wakes_on_log_read", "restarts_on_log_read", "plain", "sas"):
        row = week[kind]
        assert (row.woken, row.held) == (0, 0)
        assert row.probes > 100
        assert row.readings > 10
