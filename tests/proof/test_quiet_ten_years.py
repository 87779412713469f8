"""Quiet seconds of every day of ten years in six zones, against python-dateutil.

The reference has its own reader of the tz database and its own rule for boundaries. Days without a
change of offset are computed from the boundaries; days with one by what the clock shows, minute by
minute.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

import pytest
from dateutil import tz as dateutil_tz

from spinledger.model import SECOND
from spinledger.quiet.hours import Calendar, quiet_ns, windows_between
from spinledger.schedule import Schedule, Window

FIRST, LAST = date(2016, 1, 1), date(2025, 12, 31)
ZONES = {  # and the days of those ten years on which their offset changes
    "Europe/Prague": 20,
    "Europe/Dublin": 20,  # winter time as negative daylight saving
    "Australia/Lord_Howe": 20,  # half an hour of daylight saving
    "America/St_Johns": 20,  # -03:30
    "Asia/Kathmandu": 0,  # +05:45
    "Africa/Casablanca": 25,  # changes around Ramadan; standard time changed in 2018
}
EXCEPTED = frozenset({date(2019, 12, 24), date(2021, 3, 28), date(2024, 10, 26)})
# Mon-Fri 22:00-06:30, Fri 22:00-Mon 06:30, and Wed 12:15-13:00.
WINDOWS = (
    *(Window(day, 1320, 1, 390) for day in range(5)),
    Window(4, 1320, 3, 390),
    Window(2, 735, 0, 780),
)


def reading_is_quiet(local: datetime) -> bool:
    """True when a clock that shows this local time stands inside a window."""
    for back in range(5):
        began_on = (local - timedelta(days=back)).date()
        if began_on in EXCEPTED:
            continue
        midnight = datetime(began_on.year, began_on.month, began_on.day)
        for window in WINDOWS:
            if window.day == began_on.weekday():
                start = midnight + timedelta(minutes=window.start_minute)
                end = midnight + timedelta(days=window.days_later, minutes=window.end_minute)
                if start <= local < end:
                    return True
    return False


def seconds_by_reading(zone: tzinfo, began: datetime, ended: datetime) -> int:
    """Quiet seconds between two UTC times, minute by minute of what the clock shows."""
    minutes = int((ended - began).total_seconds()) // 60
    assert began + timedelta(minutes=minutes) == ended
    return 60 * sum(
        reading_is_quiet((began + timedelta(minutes=n)).astimezone(zone).replace(tzinfo=None))
        for n in range(minutes)
    )


def seconds_by_boundary(day: date) -> int:
    """Quiet seconds of a local day of 24 h: the union of its windows on the clock's own scale."""
    midnight = datetime(day.year, day.month, day.day)
    spans = []
    for back in range(5):
        began_on = midnight - timedelta(days=back)
        if began_on.date() in EXCEPTED:
            continue
        for window in WINDOWS:
            if window.day == began_on.weekday():
                start = (began_on - midnight).total_seconds() + window.start_minute * 60
                days = timedelta(days=window.days_later, minutes=window.end_minute)
                end = (began_on + days - midnight).total_seconds()
                spans.append((max(0, start), min(86400, end)))
    quiet, reached = 0.0, 0.0
    for start, end in sorted(spans):
        quiet += max(0.0, end - max(start, reached))
        reached = max(reached, end)
    return round(quiet)


@pytest.mark.parametrize("name", ZONES)
def test_every_day_of_ten_years(name: str) -> None:
    """Each local day holds as many quiet seconds as the reference says."""
    zone = dateutil_tz.gettz(name)
    assert zone is not None
    calendar = Calendar(Schedule("nights", name, WINDOWS, EXCEPTED), ZoneInfo(name))
    changes = 0
    day = FIRST
    while day <= LAST:
        midnight = datetime(day.year, day.month, day.day)
        began, ended = (
            dateutil_tz.resolve_imaginary(
                (midnight + timedelta(days=n)).replace(tzinfo=zone)
            ).astimezone(UTC)
            for n in (0, 1)
        )
        if ended - began == timedelta(days=1):
            expected = seconds_by_boundary(day)
        else:
            changes += 1
            expected = seconds_by_reading(zone, began, ended)
        start, end = (round(moment.timestamp()) * SECOND for moment in (began, ended))
        assert quiet_ns(calendar, start, end) == expected * SECOND, day
        day += timedelta(days=1)
    assert changes == ZONES[name]


@pytest.mark.parametrize("name", ZONES)
def test_every_night_of_ten_years(name: str) -> None:
    """Each 22:00-06:00 begins and ends where dateutil puts those local times."""
    zone = dateutil_tz.gettz(name)
    assert zone is not None
    nights = tuple(Window(day, 1320, 1, 360) for day in range(7))
    calendar = Calendar(Schedule("nights", name, nights), ZoneInfo(name))
    expected = []
    for ordinal in range(FIRST.toordinal(), LAST.toordinal() + 1):
        evening = datetime.fromordinal(ordinal) + timedelta(hours=22)
        morning = datetime.fromordinal(ordinal + 1) + timedelta(hours=6)
        expected.append(
            tuple(
                round(local.replace(tzinfo=zone).timestamp()) * SECOND
                for local in (evening, morning)
            )
        )
    found = list(windows_between(calendar, expected[0][0], expected[-1][1]))
    assert found == expected
    hours = {(ended - began) / 3600 / SECOND for began, ended in found}
    usual = {"Asia/Kathmandu": {8}, "Australia/Lord_Howe": {7.5, 8, 8.5}}
    assert hours == usual.get(name, {7, 8, 9})
