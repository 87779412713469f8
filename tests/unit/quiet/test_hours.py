"""Quiet hours: nights when clocks change, windows that overlap, odd boundaries, and the cursor.

Expected instants are written in UTC by hand from the rules of the tz database, named beside them.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spinledger.model import DAY, HOUR, MINUTE, SECOND
from spinledger.quiet.hours import (
    FOREVER,
    Calendar,
    Cursor,
    last_complete_window,
    moment_at,
    next_boundary,
    quiet_ns,
    split,
    windows_between,
)
from spinledger.schedule import Schedule, Window

EVERY_DAY = range(7)


def calendar(zone: str, *windows: Window, excepted: frozenset[date] = frozenset()) -> Calendar:
    """A calendar of windows in a zone."""
    return Calendar(Schedule("nights", zone, windows, excepted), ZoneInfo(zone))


def daily(start: int, days_later: int, end: int) -> tuple[Window, ...]:
    """The same window on every day; minutes."""
    return tuple(Window(day, start, days_later, end) for day in EVERY_DAY)


NIGHTS = daily(22 * 60, 1, 6 * 60)


def at(text: str) -> int:
    """Nanoseconds of a UTC time."""
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * SECOND


def spell(window: tuple[int, int]) -> tuple[str, str]:
    """A window in UTC, to the second."""
    began, ended = (datetime.fromtimestamp(ns / SECOND, UTC) for ns in window)
    return began.strftime("%Y-%m-%d %H:%M:%S"), ended.strftime("%Y-%m-%d %H:%M:%S")


@pytest.mark.parametrize(
    ("zone", "evening", "hours"),
    [
        ("Europe/Prague", "2025-03-29 21:00", 7),  # EU: forward 2025-03-30 01:00 UTC
        ("Europe/Prague", "2025-10-25 20:00", 9),  # EU: back 2025-10-26 01:00 UTC
        ("Europe/Prague", "2025-06-10 20:00", 8),
        ("Europe/Dublin", "2025-10-25 21:00", 9),  # tzdb models winter as negative DST
        ("Australia/Lord_Howe", "2025-04-05 11:00", 8.5),  # half an hour, at 02:00 local
        ("Australia/Lord_Howe", "2025-10-04 11:30", 7.5),
        ("America/St_Johns", "2025-03-09 01:30", 7),  # -03:30, forward at 02:00 local
        ("Asia/Kathmandu", "2025-03-29 16:15", 8),  # +05:45, no changes
    ],
)
def test_a_night_lasts_as_long_as_it_does(zone: str, evening: str, hours: float) -> None:
    """22:00-06:00 lasts 7, 7.5, 8.5 or 9 h on nights when clocks change (tz database)."""
    began = at(evening)
    windows = list(windows_between(calendar(zone, *NIGHTS), began, began + HOUR))
    assert windows == [(began, began + round(hours * HOUR))]


@pytest.mark.parametrize(
    ("window", "expected"),
    [
        # Back at 03:00 CEST to 02:00 CET, 2025-10-26 01:00 UTC: 02:00-03:00 is shown twice.
        ((150, 165), ("2025-10-26 00:30:00", "2025-10-26 01:45:00")),  # 02:30-02:45
        ((60, 120), ("2025-10-25 23:00:00", "2025-10-26 00:00:00")),  # ends at the first 02:00
        ((60, 121), ("2025-10-25 23:00:00", "2025-10-26 01:01:00")),  # 02:00 is shown again
        ((120, 180), ("2025-10-26 00:00:00", "2025-10-26 02:00:00")),  # the hour, twice
        ((180, 240), ("2025-10-26 02:00:00", "2025-10-26 03:00:00")),  # 03:00 comes once
    ],
)
def test_boundaries_shown_twice(window: tuple[int, int], expected: tuple[str, str]) -> None:
    """A window begins at the first showing of its start and ends after its last reading."""
    sunday = calendar("Europe/Prague", Window(6, window[0], 0, window[1]))
    found = windows_between(sunday, at("2025-10-25 12:00"), at("2025-10-26 12:00"))
    assert [spell(window) for window in found] == [expected]


@pytest.mark.parametrize(
    ("window", "expected"),
    [
        # Forward at 02:00 CET to 03:00 CEST, 2025-03-30 01:00 UTC: 02:00-03:00 is skipped.
        ((60, 150), [("2025-03-30 00:00:00", "2025-03-30 01:00:00")]),  # 01:00-02:30
        ((150, 240), [("2025-03-30 01:00:00", "2025-03-30 02:00:00")]),  # 02:30-04:00
        ((60, 180), [("2025-03-30 00:00:00", "2025-03-30 01:00:00")]),  # 01:00-03:00
        ((125, 170), []),  # wholly skipped
    ],
)
def test_boundaries_that_are_skipped(
    window: tuple[int, int], expected: list[tuple[str, str]]
) -> None:
    """A boundary the clock skips is the moment of the skip."""
    sunday = calendar("Europe/Prague", Window(6, window[0], 0, window[1]))
    found = windows_between(sunday, at("2025-03-29 12:00"), at("2025-03-30 12:00"))
    assert [spell(window) for window in found] == expected


def test_a_skipped_date() -> None:
    """Apia had no 30 December 2011 (tz database): its window is empty, its neighbours whole."""
    apia = calendar("Pacific/Apia", *daily(10 * 60, 0, 11 * 60))
    found = windows_between(apia, at("2011-12-29 00:00"), at("2012-01-01 00:00"))
    assert [spell(window)[0] for window in found] == [
        "2011-12-29 20:00:00",  # the 29th, UTC-10
        "2011-12-30 20:00:00",  # the 31st, UTC+14
        "2011-12-31 20:00:00",
    ]


def test_overlapping_and_touching_windows_are_one() -> None:
    """Friday night, the weekend and a window that touches it make one window."""
    weekend = calendar(
        "UTC",
        Window(4, 22 * 60, 1, 390),  # Fri 22:00-06:30
        Window(4, 22 * 60, 3, 390),  # Fri 22:00-Mon 06:30
        Window(0, 390, 0, 420),  # Mon 06:30-07:00
    )
    found = list(windows_between(weekend, at("2026-01-03 00:00"), at("2026-01-04 00:00")))
    assert [spell(window) for window in found] == [("2026-01-02 22:00:00", "2026-01-05 07:00:00")]


def test_an_exception_drops_windows_beginning_that_date() -> None:
    """The night of 24 December is dropped; the one that began on the 23rd is not."""
    nights = calendar("UTC", *NIGHTS, excepted=frozenset({date(2026, 12, 24)}))
    assert moment_at(nights, at("2026-12-24 05:59")).quiet
    assert not moment_at(nights, at("2026-12-24 23:00")).quiet
    assert not moment_at(nights, at("2026-12-25 05:00")).quiet
    assert last_complete_window(nights, at("2026-12-25 12:00")) == (
        at("2026-12-23 22:00"),
        at("2026-12-24 06:00"),
    )


def test_windows_are_half_open() -> None:
    """The first instant is quiet, the last is not, and both are boundaries."""
    nights = calendar("UTC", *NIGHTS)
    began, ended = at("2026-01-05 22:00"), at("2026-01-06 06:00")
    assert (moment_at(nights, began - 1).quiet, moment_at(nights, began).quiet) == (False, True)
    assert (moment_at(nights, ended - 1).quiet, moment_at(nights, ended).quiet) == (True, False)
    assert next_boundary(nights, began - 1) == began
    assert next_boundary(nights, began) == ended
    assert last_complete_window(nights, ended - 1) == (began - DAY, ended - DAY)
    assert last_complete_window(nights, ended) == (began, ended)


def test_always_quiet_is_cut_at_mondays() -> None:
    """A schedule with no break is quiet always, in windows of one local week."""
    always = calendar("Europe/Prague", Window(2, 600, 7, 600))
    week = last_complete_window(always, at("2026-03-31 12:00"))
    assert week is not None
    # Monday 2026-03-23 00:00 CET to Monday 2026-03-30 00:00 CEST: 167 h.
    assert spell(week) == ("2026-03-22 23:00:00", "2026-03-29 22:00:00")
    assert quiet_ns(always, at("2026-03-01 00:00"), at("2026-04-01 00:00")) == 31 * DAY


def test_no_windows() -> None:
    """An empty schedule is never quiet and has no boundary."""
    moment = moment_at(calendar("UTC"), at("2026-01-01 00:00"))
    assert (moment.quiet, moment.until_wall_ns, moment.began_wall_ns) == (False, FOREVER, None)


def test_exceptions_for_weeks() -> None:
    """Six excepted weeks lie between two windows, and both are found."""
    away = frozenset(date.fromordinal(date(2026, 7, 1).toordinal() + n) for n in range(42))
    nights = calendar("UTC", *NIGHTS, excepted=away)
    moment = moment_at(nights, at("2026-07-20 00:00"))
    assert not moment.quiet
    assert moment.began_wall_ns == at("2026-06-30 22:00")
    assert moment.until_wall_ns == at("2026-08-12 22:00")


WINDOWS = st.lists(
    st.builds(
        lambda day, start, later, end: (
            Window(day, start, later, end) if later or end > start else Window(day, start, 1, end)
        ),
        st.integers(0, 6),
        st.integers(0, 1439),
        st.integers(0, 3),
        st.integers(0, 1439),
    ),
    min_size=1,
    max_size=4,
)
MOMENTS = st.integers(at("2025-01-01 00:00") // MINUTE, at("2026-12-31 00:00") // MINUTE)


@given(
    WINDOWS, st.lists(MOMENTS, min_size=1, max_size=8), st.sampled_from(["UTC", "Europe/Dublin"])
)
@settings(max_examples=60, deadline=None)
def test_the_cursor_agrees_with_the_windows(
    windows: list[Window], minutes: list[int], zone: str
) -> None:
    """Read in any order, a cursor says what the list of windows says, up to its next boundary."""
    nights = calendar(zone, *windows)
    cursor = Cursor(nights)
    for minute in minutes:
        wall = minute * MINUTE
        moment = cursor.at(wall)
        assert moment.quiet == (quiet_ns(nights, wall, wall + 1) == 1)
        assert moment.since_wall_ns <= wall < moment.until_wall_ns
        assert cursor.at(moment.until_wall_ns - 1).quiet == moment.quiet
        assert moment.until_wall_ns == next_boundary(nights, wall)


@given(WINDOWS, MOMENTS, st.integers(0, 30 * 1440))
@settings(max_examples=60, deadline=None)
def test_split_is_complete(windows: list[Window], minute: int, length: int) -> None:
    """The pieces of an interval join up, and their quiet part is the quiet time."""
    nights = calendar("America/St_Johns", *windows)
    began, ended = minute * MINUTE, (minute + length) * MINUTE
    pieces = list(split(nights, began, ended))
    assert sum(e - b for b, e, _ in pieces) == ended - began
    assert all(one[1] == two[0] for one, two in pairwise(pieces))
    assert sum(e - b for b, e, quiet in pieces if quiet) == quiet_ns(nights, began, ended)
