"""Single values: durations, windows, zones, addresses, timer codes.

Sources stand beside each check. Days are numbered from Monday as in ISO 8601, less one.
"""

from __future__ import annotations

import json
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spinledger.config import windows
from spinledger.config.load import parse
from spinledger.config.values import address, duration, duration_text, iso_date, timer_code
from spinledger.errors import BadConfig
from spinledger.schedule import Window

S = 1_000_000_000


@pytest.mark.parametrize(
    ("text", "delta"),
    [
        ("0", timedelta(0)),
        ("0s", timedelta(0)),
        ("5s", timedelta(seconds=5)),
        ("0.5s", timedelta(milliseconds=500)),
        ("10m", timedelta(minutes=10)),
        ("1.5m", timedelta(seconds=90)),
        ("2h", timedelta(hours=2)),
        ("1h30m", timedelta(hours=1, minutes=30)),
        ("1d2h3m4.25s", timedelta(days=1, hours=2, minutes=3, seconds=4.25)),
        ("90m", timedelta(hours=1, minutes=30)),
        ("400d", timedelta(days=400)),
        ("3y", timedelta(days=3 * 365.25)),
        ("100y", timedelta(days=36525)),
    ],
)
def test_durations_are_those_of_the_standard_library(text: str, delta: timedelta) -> None:
    """Each unit counts what datetime.timedelta counts; a year is a Julian year (IAU), 365.25 d."""
    assert duration(text) == delta // timedelta(microseconds=1) * 1000


@pytest.mark.parametrize(
    "text",
    [
        "",
        "s",
        "5",
        "-5s",
        "+5s",
        "5 s",
        " 5s",
        "5s ",
        "5S",
        "5M",
        ".5s",
        "5.s",
        "1.2.3s",
        "5ms",
        "1m1m",
        "1s1m",
        "1h 30m",
        "5sm",
        "\u0665s",
        "²s",
        "1e3s",
        "5s5",
        "0x5s",
        "1_0s",
        "9999999999s",
    ],
)
def test_what_is_no_duration(text: str) -> None:
    """Signs, blanks, capitals, other digits, repeated and rising units are refused, not guessed."""
    with pytest.raises(BadConfig):
        duration(text)


@given(st.integers(min_value=0, max_value=100 * 31_557_600 * S))
def test_a_duration_is_written_and_read_without_loss(nanoseconds: int) -> None:
    """Writing any number of nanoseconds and reading it back gives the number (a round trip)."""
    assert duration(duration_text(nanoseconds)) == nanoseconds


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Fri 22:00-Mon 06:30", [Window(4, 1320, 3, 390)]),
        ("Sun 22:00-Mon 06:30", [Window(6, 1320, 1, 390)]),
        ("Sat,Sun 00:00-24:00", [Window(5, 0, 1, 0), Window(6, 0, 1, 0)]),
        ("Sat-Mon 20:00-21:00", [Window(d, 1200, 0, 1260) for d in (0, 5, 6)]),
        ("daily 22:00-06:00", [Window(d, 1320, 1, 360) for d in range(7)]),
        ("DAILY 8:00-9:05", [Window(d, 480, 0, 545) for d in range(7)]),
        ("mon , wed - thu 22:00 - 24:00", [Window(d, 1320, 1, 0) for d in (0, 2, 3)]),
        ("Mon 00:00-Sun 24:00", [Window(0, 0, 7, 0)]),
        ("Tue 10:00-Tue 09:00", [Window(1, 600, 7, 540)]),
        ("Tue 09:00-Tue 10:00", [Window(1, 540, 0, 600)]),
        ("Mon,Mon-Tue 01:00-02:00", [Window(0, 60, 0, 120), Window(1, 60, 0, 120)]),
        ("Mon 22:00-00:00", [Window(0, 1320, 1, 0)]),
    ],
)
def test_windows_by_hand(text: str, expected: list[Window]) -> None:
    """Worked by hand from the grammar; an end not after its beginning is on a later day."""
    assert list(windows.parse(text)) == expected


@pytest.mark.parametrize(
    ("text", "began", "ended"),
    [
        ("Mon 22:00-06:30", "Mon 2026-11-23 22:00", "Tue 2026-11-24 06:30"),
        ("Fri 22:00-Mon 06:30", "Fri 2026-11-27 22:00", "Mon 2026-11-30 06:30"),
        ("Sat 00:00-24:00", "Sat 2026-11-28 00:00", "Sun 2026-11-29 00:00"),
        ("Sun 00:00-Sat 24:00", "Sun 2026-11-29 00:00", "Sun 2026-12-06 00:00"),
    ],
)
def test_windows_on_a_calendar(text: str, began: str, ended: str) -> None:
    """A window laid on a week of the calendar begins and ends on the days that datetime names."""
    (window,) = windows.parse(text)
    monday = datetime(2026, 11, 23)
    start = monday + timedelta(days=window.day, minutes=window.start_minute)
    end = monday + timedelta(days=window.day + window.days_later, minutes=window.end_minute)
    written = "%a %Y-%m-%d %H:%M"
    assert (start.strftime(written), end.strftime(written)) == (began, ended)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "Mon",
        "22:00-06:00",
        "Mon 22:00",
        "Mon22:00-23:00",
        "Mon 22:60-23:00",
        "Mon -1:00-2:00",
        "Mon 24:01-01:00",
        "Mon 22:00-24:01",
        "Mon- 22:00-23:00",
        ",Mon 22:00-23:00",
        "x 1:00-2:00",
        "Mon--Fri 22:00-23:00",
        "Mon-Fri-Sun 22:00-23:00",
        "Monday 22:00-23:00",
        "Mon 1:00-2:00-3:00",
        "daily 22:00-Mon 06:00",
        "Mon 100:00-101:00",
        "Mon 1:5-2:00",
        "Mon 22.00-23.00",
    ],
)
def test_what_is_no_window(text: str) -> None:
    """Times past 24:00, unknown days and half a window are refused, not guessed."""
    with pytest.raises(BadConfig):
        windows.parse(text)


@given(st.integers(0, 6), st.integers(0, 1439), st.integers(0, 7), st.integers(0, 1439))
def test_a_window_is_written_and_read_without_loss(
    day: int, start: int, later: int, end: int
) -> None:
    """Any window longer than nothing and no longer than a week survives the round trip."""
    length = later * 1440 + end - start
    if 0 < length < 7 * 1440 or (start, later, end) == (0, 7, 0):
        window = Window(day, start, later, end)
        assert windows.parse(windows.window_text(window)) == (window,)


@pytest.mark.parametrize(
    ("code", "seconds"),
    [
        ("0", 0),
        ("12", 60),
        ("0x78", 600),
        ("0xF0", 1200),
        ("0xf1", 1800),
        ("0xF2", 3600),
        ("0XFB", 19800),
        ("0xFC", 1260),
        ("255", 1275),
    ],
)
def test_timer_codes(code: str, seconds: int) -> None:
    """Codes mean what ACS-3's table says, as read in the Travan 40 technical reference, p105."""
    assert timer_code(code) == seconds * S


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("127.0.0.1:9786", ("127.0.0.1", 9786)),
        ("[::1]:9786", ("::1", 9786)),
        ("[fe80::1%eth0]:0", ("fe80::1%eth0", 0)),
        ("dome:65535", ("dome", 65535)),
    ],
)
def test_addresses(text: str, expected: tuple[str, int]) -> None:
    """HOST:PORT, with brackets round an IPv6 host (RFC 3986, 3.2.2); ports are 16 bits."""
    assert address(text) == expected


@pytest.mark.parametrize("text", ["::1:9786", ":9786", "dome", "dome:", "dome:x", "http://dome:1"])
def test_what_is_no_address(text: str) -> None:
    """An IPv6 host without brackets cannot be distinguished from its port (RFC 3986, 3.2.2)."""
    with pytest.raises(BadConfig):
        address(text)


@pytest.mark.parametrize("text", ["20261224", "2026-W52-4", "2026-358", "2026-13-01", "24.12.2026"])
def test_dates_have_one_form(text: str) -> None:
    """Other forms of ISO 8601 that Python would take, and impossible dates, are refused."""
    with pytest.raises(BadConfig):
        iso_date(text)
    assert iso_date("2028-02-29") == date(2028, 2, 29)


SCHEDULE = "schedules: {nights: {windows: [daily 22:00-06:00]%s}}"


@pytest.mark.parametrize(
    "name", ["UTC", "Europe/Prague", "America/Argentina/Buenos_Aires", "Etc/GMT+9"]
)
def test_zones_of_the_tz_database(name: str) -> None:
    """A name that zoneinfo opens is a zone."""
    assert str(ZoneInfo(name)) == name
    config = parse(SCHEDULE % f", zone: {name}", "x")
    assert config.schedules["nights"].zone == name


@pytest.mark.parametrize(
    "name",
    [
        "Europe",
        "europe/prague",
        "../localtime",
        "/etc/localtime",
        "CET-1CEST",
        "Prague",
        "x" * 300,
        "leapseconds",
        "tzdata.zi",
        "Europe/",
        "zone.tab",
        ".",
    ],
)
def test_what_is_no_zone(name: str) -> None:
    """Folders, other files, paths and POSIX TZ strings are not names of the tz database."""
    with pytest.raises(BadConfig) as caught:
        parse(SCHEDULE % f", zone: {json.dumps(name)}", "x")
    assert str(caught.value).startswith("x:1: schedules.nights.zone ")


def test_the_host_gives_the_zone_that_a_schedule_lacks() -> None:
    """A schedule without a zone takes the one handed in for the host's."""
    assert parse(SCHEDULE % "", "x", zone="Asia/Kathmandu").schedules["nights"].zone == (
        "Asia/Kathmandu"
    )
    own = parse(SCHEDULE % ", zone: Europe/Prague", "x", zone="Asia/Kathmandu")
    assert own.schedules["nights"].zone == "Europe/Prague"


def test_a_host_zone_that_cannot_be_read_is_reported_at_the_schedule() -> None:
    """A host's zone that cannot be opened is a fault only of a file that needs it."""
    with pytest.raises(BadConfig) as caught:
        parse(SCHEDULE % "", "x", zone="Mars/Olympus")
    assert str(caught.value) == (
        "x:1: schedules.nights has no zone, and the host's is of no use: "
        '"Mars/Olympus" is not a time zone of tzdata; write zone: Europe/Prague or such'
    )
    assert parse("wear: {every: 0}", "x", zone="Mars/Olympus").wear_every_ns == 0
