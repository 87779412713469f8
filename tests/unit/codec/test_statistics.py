"""Device Statistics and Power Conditions logs: ACS-3 9.5 from memory, but for what is cited."""

from __future__ import annotations

import contextlib
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spinledger.codec import statistics
from spinledger.errors import Misuse, Undecodable
from spinledger.model import Condition, Reason


def page(number: int, revision: int = 1, **qwords: int) -> bytearray:
    """A page written by hand: revision, number, and qwords by hexadecimal offset (`o018`)."""
    out = bytearray(512)
    struct.pack_into("<HB", out, 0, revision, number)
    for place, value in qwords.items():
        struct.pack_into("<Q", out, int(place[1:], 16), value)
    return out


BOTH = 0xC000_0000_0000_0000  # supported and valid


def test_rotating_media_page() -> None:
    """Spindle hours 008h, head loads 018h, unloads 040h; another is passed over (from memory).

    The counts of loads and hours are those of one drive's log (from memory).
    """
    raw = page(3, o008=BOTH | 17_557, o010=BOTH | 16_000, o018=BOTH | 14_907_336, o040=BOTH | 3)
    assert statistics.decode_statistics(bytes(raw), 3) == {
        "spindle_h": 17_557,
        "loads": 14_907_336,
        "retracts": 3,
    }


def test_general_page() -> None:
    """Power-on resets at 008h, power-on hours at 010h (from memory)."""
    raw = page(1, o008=BOTH | 77, o010=BOTH | 20_000)
    found = statistics.decode_statistics(bytes(raw), 1)
    assert found == {"power_cycles": 77, "power_on_h": 20_000}


@pytest.mark.parametrize(
    ("flags", "counted"),
    [(0xC0, True), (0xE0, True), (0xD8, True), (0x80, False), (0x40, False), (0x00, False)],
)
def test_flags(flags: int, counted: bool) -> None:
    """Only a statistic both supported (bit 63) and valid (bit 62) counts (from memory)."""
    raw = page(3, o018=flags << 56 | 5)
    assert statistics.decode_statistics(bytes(raw), 3) == ({"loads": 5} if counted else {})


def test_the_value_is_the_low_dword() -> None:
    """Bits 55:32 are reserved for these statistics (from memory)."""
    raw = page(3, o018=BOTH | 0xFFFF_FFFF)
    assert statistics.decode_statistics(bytes(raw), 3) == {"loads": 0xFFFF_FFFF}


@pytest.mark.parametrize(
    ("raw", "reason"),
    [
        (bytes(512), Reason.REJECTED),  # unsupported pages read as zeros: HC580, p198
        (bytes(page(3, revision=0)), Reason.REJECTED),  # revision 0000h: the same
        (bytes(page(1)), Reason.MALFORMED),  # another page
        (bytes(page(3)[:511]), Reason.MALFORMED),
        (b"", Reason.MALFORMED),
    ],
)
def test_no_statistics(raw: bytes, reason: Reason) -> None:
    """A page that is not there is rejected, a wrong one malformed (HC580 specification, p198)."""
    with pytest.raises(Undecodable) as caught:
        statistics.decode_statistics(raw, 3)
    assert caught.value.reason == reason


def test_statistics_that_do_not_fit() -> None:
    """A value wider than a dword, or of another page, is our own mistake."""
    for wrong in ({"loads": 1 << 32}, {"power_on_h": 1}):
        with pytest.raises(Misuse):
            statistics.encode_statistics(3, wrong)


def test_condition_descriptors() -> None:
    """Flags in byte 1, current timer in bytes 12-15, of 100 ms, at 0, 64 and 128 of page 00h and at
    384 and 448 of page 01h (HC580 specification, p207 table 140; current timer and
    places from memory)."""
    log = bytearray(1024)
    for at, flags, current in [
        (0, 0b1010_0100, 20),  # idle_a on, 2 s
        (64, 0b1010_0100, 1200),  # idle_b on, 2 min
        (128, 0b1010_0000, 6000),  # idle_c there, and off
        (512 + 384, 0, 9),  # standby_y not there
        (512 + 448, 0b1010_0100, 12_000),  # standby_z on, 20 min
    ]:
        struct.pack_into("<xBxx3I", log, at, flags, 7, 8, current)
    assert statistics.decode_conditions(bytes(log)) == {
        Condition.IDLE_A: 2_000,
        Condition.IDLE_B: 120_000,
        Condition.IDLE_C: 0,
        Condition.STANDBY_Z: 1_200_000,
    }


@pytest.mark.parametrize("at", [0, 2, 3, 64, 512 + 450])
def test_another_layout_is_not_read(at: int) -> None:
    """A reserved byte that is set betrays another layout (own rule)."""
    log = bytearray(statistics.encode_conditions({Condition.STANDBY_Z: 1_200_000}))
    log[at] = 1
    with pytest.raises(Undecodable):
        statistics.decode_conditions(bytes(log))


_timers = st.dictionaries(
    st.sampled_from(Condition), st.integers(0, 0xFFFFFFFF).map(lambda n: n * 100)
)


@given(_timers)
def test_conditions_round_trip(timers: dict[Condition, int]) -> None:
    """Any set of timers survives encoding and decoding."""
    assert statistics.decode_conditions(statistics.encode_conditions(timers)) == timers


@given(st.binary(max_size=1100), st.integers(0, 4))
def test_garbage(data: bytes, number: int) -> None:
    """Any bytes give a typed error or numbers, never another exception."""
    for raw in (data, data[:512].ljust(512, b"\1"), data[:1024].ljust(1024, b"\1")):
        with contextlib.suppress(Undecodable):
            assert all(0 <= v < 1 << 32 for v in statistics.decode_statistics(raw, number).values())
        with contextlib.suppress(Undecodable):
            assert all(v % 100 == 0 for v in statistics.decode_conditions(raw).values())
