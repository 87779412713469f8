"""Words for durations, times and numbers; expected by hand, units by the SI brochure (2019)."""

from __future__ import annotations

from datetime import UTC, timedelta, timezone

import pytest

from spinledger import words
from spinledger.model import SECOND, Reason


@pytest.mark.parametrize(
    ("seconds", "text", "short"),
    [
        (-5, "0 s", "0s"),
        (59, "59 s", "59s"),
        (60, "1 min", "1m"),
        (90, "1 min 30 s", "1m"),
        (3599, "59 min 59 s", "59m"),
        (11_100, "3 h 5 min", "3h05"),
        (86_400, "1 d", "1d00h"),
        (180_000, "2 d 2 h", "2d02h"),
    ],
)
def test_durations(seconds: float, text: str, short: str) -> None:
    """Two units at most; the short form has at most seven characters."""
    assert words.duration(seconds) == text
    assert words.short_duration(seconds) == short


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "off"),
        (300, "5 min"),
        (299.5, "299.5 s"),
        (19_800, "5 h 30 min"),
        (3661, "1 h 1 min 1 s"),
    ],
)
def test_timers_are_exact(seconds: float, text: str) -> None:
    """No second, and no fraction of one, is rounded away."""
    assert words.timer(seconds) == text


def test_hours_of_a_day() -> None:
    """A whole day has 24 hours."""
    assert [words.hours_minutes(s) for s in (0, 300, 86_400)] == ["0h00", "0h05", "24h00"]


@pytest.mark.parametrize(
    ("ratio", "text"),
    [
        (0, "0 %"),
        (0.0004, "<0.1 %"),
        (0.004, "0.4 %"),
        (0.5, "50 %"),
        (0.999, ">99 %"),
        (1, "100 %"),
    ],
)
def test_shares(ratio: float, text: str) -> None:
    """What is not nothing is never 0 %, what is not all never 100 %."""
    assert words.percent(ratio) == text


def test_numbers_and_money() -> None:
    """Thousands are set apart by a narrow space (SI brochure, 5.4.4)."""
    assert [words.number(n) for n in (0.04, 3.21, 24, 12_400)] == [
        "0.04",
        "3.2",
        "24",
        "12\u202f400",
    ]
    assert words.money(-1204.4, "EUR") == "1\u202f204 EUR"
    assert words.money(3.6, "EUR") == "3.60 EUR"
    assert (words.kwh(3.6e6), words.kwh(-1.8e6), words.kwh(100)) == ("1 kWh", "0.5 kWh", "0 kWh")


def test_times_are_local() -> None:
    """1 790 000 000 s is Monday 2026-09-21 14:13:20 UTC (date -u -d @1790000000)."""
    assert words.moment(1_790_000_000 * SECOND, UTC) == "Mon 21 Sep 2026, 14:13"
    assert words.moment(1_790_000_000 * SECOND, timezone(timedelta(hours=10))).endswith("00:13")
    assert words.month(1_790_000_000 * SECOND, UTC) == "Sep 2026"
    assert words.month(10**21, UTC) == "after 9999"


def test_lists() -> None:
    """As in a sentence."""
    assert [words.listed(list("abc")[:n]) for n in range(4)] == ["", "a", "a and b", "a, b and c"]
    assert (words.plural(1, "disk"), words.plural(2, "day")) == ("1 disk", "2 days")
    assert words.lower_first("This disk") == "this disk"


@pytest.mark.parametrize("reason", Reason)
def test_every_reason_has_words(reason: Reason) -> None:
    """No label value is shown to people, neither alone nor after a disk is no longer probed."""
    assert reason.value not in words.why(reason.value)
    assert words.why(f"refused: {reason.value}") == f"no longer probed: {words.why(reason.value)}"


def test_since_when() -> None:
    """A time of day where it is near; the year where it is not (dates of date -u -d @SECONDS)."""
    now = 1_790_000_000 * SECOND  # Monday 2026-09-21 14:13:20
    assert words.since(now - 3600 * SECOND, now, UTC) == "13:13"
    assert words.since(now - 86_400 * SECOND, now, UTC) == "Sun 20 Sep 14:13"
    assert words.since(now - 400 * 86_400 * SECOND, now, UTC) == "17 Aug 2025"
