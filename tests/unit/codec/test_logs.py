"""SMART attributes and the Start-Stop Cycle Counter page."""

from __future__ import annotations

import contextlib
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spinledger.codec import logs
from spinledger.codec.logs import Attribute, StartStop
from spinledger.errors import Misuse, Undecodable
from spinledger.model import Reason

START_STOPS = Attribute(4, 0x0032, 100, 99, bytes.fromhex("D2 04 00 00 00 00"))
POWER_CYCLES = Attribute(12, 0x0032, 100, 100, bytes.fromhex("FF FF FF FF FF FF"))


def test_smart_entry_places() -> None:
    """Entry: id 0, flags 1-2, normalized 3, worst 4, raw 5-10 (5K320 p151; worst from memory)."""
    data = logs.encode_smart([START_STOPS, POWER_CYCLES])
    assert data[2:14] == bytes.fromhex("04 32 00 64 63 D2 04 00 00 00 00 00")
    assert data[14] == 12
    assert len(data) == 512
    assert sum(data) % 256 == 0
    assert logs.decode_smart(data) == (START_STOPS, POWER_CYCLES)


def test_smart_value() -> None:
    """The raw value is 48 bits, least significant byte first (5K320 p151; order from memory)."""
    assert START_STOPS.value == 1234
    assert POWER_CYCLES.value == 2**48 - 1


def test_smart_gaps_are_passed_over() -> None:
    """An entry with id 0 is empty and does not end the table (from memory)."""
    data = bytearray(logs.encode_smart([START_STOPS, POWER_CYCLES]))
    data[-1] = (data[-1] + sum(data[2:14])) % 256
    data[2:14] = bytes(12)
    assert logs.decode_smart(bytes(data)) == (POWER_CYCLES,)


def test_smart_last_entry() -> None:
    """The thirtieth entry ends at byte 361 (from memory: 30 entries of 12 from byte 2)."""
    table = [replace(START_STOPS, number=number) for number in range(1, 31)]
    data = logs.encode_smart(table)
    assert data[350] == 30
    assert logs.decode_smart(data) == tuple(table)
    with pytest.raises(Misuse):
        logs.encode_smart([*table, START_STOPS])


def test_smart_checksum() -> None:
    """A changed bit is found by the checksum at byte 511 (from memory)."""
    data = logs.encode_smart([START_STOPS, POWER_CYCLES])
    for bit in range(0, 8 * 512, 5):
        broken = bytearray(data)
        broken[bit // 8] ^= 1 << bit % 8
        with pytest.raises(Undecodable, match="checksum"):
            logs.decode_smart(bytes(broken))


def test_smart_cut_short() -> None:
    """Any other length than 512 is malformed."""
    data = logs.encode_smart([START_STOPS])
    for wrong in [*(data[:length] for length in range(0, 512, 7)), data[:511], data + b"\0"]:
        with pytest.raises(Undecodable) as caught:
            logs.decode_smart(wrong)
        assert caught.value.reason == Reason.MALFORMED


_attributes = st.builds(
    Attribute,
    st.integers(1, 255),
    st.integers(0, 0xFFFF),
    st.integers(0, 255),
    st.integers(0, 255),
    st.binary(min_size=6, max_size=6),
)


@given(st.lists(_attributes, max_size=30))
def test_smart_round_trip(attributes: list[Attribute]) -> None:
    """Any table of attributes survives encoding and decoding."""
    assert logs.decode_smart(logs.encode_smart(attributes)) == tuple(attributes)


@pytest.mark.parametrize(
    "wrong",
    [
        replace(START_STOPS, number=0),
        replace(START_STOPS, number=256),
        replace(START_STOPS, raw=b"12345"),
        replace(START_STOPS, raw=b"1234567"),
        replace(START_STOPS, flags=-1),
    ],
)
def test_smart_entries_that_do_not_fit(wrong: Attribute) -> None:
    """An attribute that has no such entry is our own mistake."""
    with pytest.raises(Misuse):
        logs.encode_smart([wrong])


# The page of a drive with all six parameters, built from the table.
SIX = bytes.fromhex(
    "0E 00 00 34"
    " 00 01 03 06 32 30 32 31 33 30"  # 0001h Date of Manufacture, YYYYWW
    " 00 02 03 06 20 20 20 20 20 20"  # 0002h Accounting Date, spaces if never set
    " 00 03 03 04 00 00 C3 50"  # 0003h Specified Cycle Count: 50000
    " 00 04 03 04 00 00 04 D2"  # 0004h Accumulated Start-Stop Cycles: 1234
    " 00 05 03 04 00 09 27 C0"  # 0005h Specified Load-Unload Count: 600000
    " 00 06 03 04 00 00 16 2E"  # 0006h Accumulated Load-Unload Cycles: 5678
)


def test_start_stop_page() -> None:
    """Counts and ratings of a whole page, padding dropped (SCSI Commands Reference Manual, p366
    table 346); what a simulated drive encodes reads the same."""
    view = StartStop(50000, 1234, 600000, 5678)
    assert logs.decode_start_stop(SIX + bytes(200)) == view
    assert logs.decode_start_stop(logs.encode_start_stop(view)) == view


def test_start_stop_is_parsed_by_code() -> None:
    """Parameters in another order, and unknown ones, do not mislead (own rule)."""
    page = bytes.fromhex(
        "4E 00 00 16 00 06 03 04 00 00 16 2E 80 01 03 02 AA BB 00 04 03 04 00 00 04 D2"
    )
    assert logs.decode_start_stop(page) == StartStop(start_stops=1234, loads=5678)


def test_start_stop_cut_short() -> None:
    """Cut at any byte the page is malformed."""
    for length in range(len(SIX)):
        with pytest.raises(Undecodable) as caught:
            logs.decode_start_stop(SIX[:length])
        assert caught.value.reason == Reason.MALFORMED


@pytest.mark.parametrize(
    "page",
    [
        "0D 00 00 00",  # another page
        "0E 00 00 03 00 04 03",  # a parameter's head cut by the page length
        "0E 00 00 06 00 04 03 04 00 00",  # its value
        "0E 00 00 06 00 04 03 02 04 D2",  # a count of two bytes
    ],
)
def test_start_stop_contradictions(page: str) -> None:
    """Another page, and parameters that do not fit, are malformed (SPC-4 7.3.2, from memory)."""
    with pytest.raises(Undecodable) as caught:
        logs.decode_start_stop(bytes.fromhex(page))
    assert caught.value.reason == Reason.MALFORMED


@given(st.binary(max_size=80), st.booleans())
def test_start_stop_garbage(body: bytes, framed: bool) -> None:
    """Any bytes give a typed error, or counts that encode back to the same."""
    head = b"\x0e\0" + len(body).to_bytes(2, "big") if framed else b""
    found = None
    with contextlib.suppress(Undecodable):
        found = logs.decode_start_stop(head + body)
    if found is not None:
        assert logs.decode_start_stop(logs.encode_start_stop(found)) == found


@pytest.mark.parametrize("wrong", [StartStop(start_stops=1 << 32), StartStop(loads=-1)])
def test_start_stop_that_does_not_fit(wrong: StartStop) -> None:
    """A count wider than its parameter is our own mistake."""
    with pytest.raises(Misuse):
        logs.encode_start_stop(wrong)
