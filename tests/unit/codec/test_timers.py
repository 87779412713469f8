"""Standby timer codes and APM bands."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spinledger.codec import timers
from spinledger.codec.timers import ApmBand, Timer, TimerKind
from spinledger.errors import Misuse

# Travan 40 product manual, p105, the full table of standby timer periods (as in ACS-3).
PERIODS = [
    (0x01, 5),
    (0x0C, 60),
    (0x78, 600),
    (0xF0, 1200),
    (0xF1, 1800),
    (0xF2, 3600),
    (0xFB, 19800),  # 5.5 h
    (0xFC, 1260),  # 21 min
    (0xFF, 1275),  # 21 min 15 s
]


@pytest.mark.parametrize(("code", "seconds"), PERIODS)
def test_periods(code: int, seconds: int) -> None:
    """The codes worked out in the manual, in both directions (Travan 40 manual, p105)."""
    assert timers.decode_timer(code) == Timer(TimerKind.PERIOD, seconds)
    assert timers.encode_timer(seconds) == code
    assert timers.nearest_code(seconds) == code


@pytest.mark.parametrize("code", range(0x100))
def test_every_code(code: int) -> None:
    """Each of the 256 codes is what the table's formulas say (Travan 40 manual, p105)."""
    timer = timers.decode_timer(code)
    if 0x01 <= code <= 0xF0:
        assert timer.seconds == code * 5
    elif 0xF1 <= code <= 0xFB:
        assert timer.seconds == (code - 240) * 30 * 60
    else:
        assert timer.seconds == {0xFC: 1260, 0xFF: 1275}.get(code)
    assert (timer.kind is TimerKind.PERIOD) == (timer.seconds is not None)
    if timer.seconds is not None:
        assert timers.encode_timer(timer.seconds) == code


def test_special_codes() -> None:
    """00h is disabled, FDh between 8 and 12 hours, FEh reserved (Travan 40 manual, p105)."""
    assert timers.decode_timer(0x00) == Timer(TimerKind.DISABLED)
    assert timers.decode_timer(0xFD) == Timer(TimerKind.VENDOR, None, 28800, 43200)
    assert timers.decode_timer(0xFE) == Timer(TimerKind.RESERVED)
    assert timers.encode_timer(0) == timers.nearest_code(0) == 0x00


@pytest.mark.parametrize("hours", [8, 10])
def test_seen_vendor_periods_are_in_range(hours: int) -> None:
    """8 h (7K1000.C, p134) and 10 h (drive manual, 7-47) lie in what FDh may mean."""
    timer = timers.decode_timer(0xFD)
    assert timer.low is not None
    assert timer.high is not None
    assert timer.low <= hours * 3600 <= timer.high


@pytest.mark.parametrize("code", range(0x100))
def test_codes_mean_nothing_without_word_49(code: int) -> None:
    """If word 49 bit 13 is clear the device manages its timer (MB500M technical reference, p27)."""
    assert timers.decode_timer(code, standard=False) == Timer(TimerKind.DEVICE)


@pytest.mark.parametrize("seconds", [1, 7, 1205, 1261, 1270, 1801, 28800, -5])
def test_periods_without_a_code(seconds: int) -> None:
    """A period the table cannot say is refused, never rounded (1270: seen for reserved FEh)."""
    with pytest.raises(Misuse):
        timers.encode_timer(seconds)


@pytest.mark.parametrize(
    ("seconds", "code"),
    [
        (1, 0x01),  # never rounded to disabled
        (7, 0x01),
        (7.5, 0x02),  # a tie: the longer
        (1229, 0xF0),
        (1230, 0xFC),  # 1200 and 1260 are as close
        (1268, 0xFF),
        (1500, 0xFF),
        (2700, 0xF2),  # 1800 and 3600 are as close
        (86400, 0xFB),
    ],
)
def test_nearest(seconds: float, code: int) -> None:
    """The closest period, worked out by hand from the table (Travan 40 manual, p105)."""
    assert timers.nearest_code(seconds) == code


@given(st.floats(min_value=0.001, max_value=30000))
def test_nearest_is_nearest(seconds: float) -> None:
    """No code's period is closer than the nearest code's (by exhaustion)."""
    found = timers.decode_timer(timers.nearest_code(seconds)).seconds
    assert found is not None
    for code in range(0x100):
        other = timers.decode_timer(code).seconds
        assert other is None or abs(found - seconds) <= abs(other - seconds)


@pytest.mark.parametrize("seconds", [-1.0, float("inf"), float("nan")])
def test_no_period(seconds: float) -> None:
    """What is no period at all is our own mistake."""
    with pytest.raises(Misuse):
        timers.nearest_code(seconds)


@pytest.mark.parametrize("value", [-1, 256])
def test_a_code_is_one_byte(value: int) -> None:
    """A code or level that is not one byte is our own mistake."""
    with pytest.raises(Misuse):
        timers.decode_timer(value)
    with pytest.raises(Misuse):
        timers.decode_apm(value)


@pytest.mark.parametrize(
    ("first", "last", "band"),
    [
        (0x00, 0x00, ApmBand.RESERVED),
        (0x01, 0x01, ApmBand.MINIMUM_WITH_STANDBY),
        (0x02, 0x7F, ApmBand.WITH_STANDBY),
        (0x80, 0x80, ApmBand.MINIMUM_WITHOUT_STANDBY),
        (0x81, 0xFD, ApmBand.WITHOUT_STANDBY),
        (0xFE, 0xFE, ApmBand.MAXIMUM_PERFORMANCE),
        (0xFF, 0xFF, ApmBand.RESERVED),
    ],
)
def test_apm_bands(first: int, last: int, band: ApmBand) -> None:
    """Every level of each band (ACS-3 APM levels, from memory; 00h, FFh: HC580 p280)."""
    assert {timers.decode_apm(level) for level in range(first, last + 1)} == {band}


@pytest.mark.parametrize(
    ("source", "stands_by"),
    [
        ("MHY2 specification, 5-123: 2.5-inch mobile drive", range(0x01, 0x80)),
        ("Ultrastar HC580 specification, p280: data-centre drive", range(0)),
    ],
)
def test_what_drives_do_is_allowed(source: str, stands_by: range) -> None:
    """No documented drive stands by at a level whose band forbids it (each source in its row)."""
    allowed = {level for level in range(0x100) if timers.decode_apm(level).may_stand_by}
    assert set(stands_by) <= allowed, source
    assert allowed == set(range(0x01, 0x80))
