"""Standby timer codes."""

from __future__ import annotations

import pytest

from spinledger.codec import timers
from spinledger.codec.timers import Timer, TimerKind
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


def test_every_code() -> None:
    """Each of the 256 codes is what the table's formulas give (Travan 40 manual, p105)."""
    for code in range(0x100):
        timer = timers.decode_timer(code)
        if 0x01 <= code <= 0xF0:
            assert timer.seconds == code * 5
        elif 0xF1 <= code <= 0xFB:
            assert timer.seconds == (code - 0xF0) * 30 * 60
        else:
            assert timer.seconds == {0xFC: 1260, 0xFF: 1275}.get(code)
        assert (timer.kind is TimerKind.PERIOD) == (timer.seconds is not None)
        if timer.seconds is not None:
            assert timers.encode_timer(timer.seconds) == code


def test_special_codes() -> None:
    """00h is disabled, FDh the maker's, FEh reserved (Travan 40 manual, p105)."""
    assert timers.decode_timer(0x00) == Timer(TimerKind.DISABLED)
    assert timers.decode_timer(0xFD) == Timer(TimerKind.VENDOR)
    assert timers.decode_timer(0xFE) == Timer(TimerKind.RESERVED)
    assert timers.encode_timer(0) == 0x00


@pytest.mark.parametrize("seconds", [1, 7, 1205, 1261, 1270, 1801, 28800, -5])
def test_periods_without_a_code(seconds: int) -> None:
    """A period the table cannot say is refused, never rounded (1270: what the Deskstar
    7K1000.C keeps for the reserved FEh, specification p134)."""
    with pytest.raises(Misuse):
        timers.encode_timer(seconds)


@pytest.mark.parametrize("value", [-1, 256])
def test_a_code_is_one_byte(value: int) -> None:
    """A code that is not one byte is our own mistake."""
    with pytest.raises(Misuse):
        timers.decode_timer(value)
