"""The Power Condition mode page, the transitions log page, and the commands that read pages."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spinledger.codec import logs, modes, pages
from spinledger.errors import Misuse, Undecodable
from spinledger.model import Condition

HEAD = bytes.fromhex("00 2E 00 10 00 00 00 00")
# Defaults of the Ultrastar C15K600 specification, p188: flags 06h (idle_b and idle_a), idle_a 14h,
# idle_b 1770h.
LONG = bytes.fromhex(
    "9A 26 00 06 00 00 00 14 00 00 00 00 00 00 17 70 00 00 00 00 00 00 00 00"
) + bytes(16)


def test_the_published_default() -> None:
    """14h is 2 s for idle_a, 1770h is 600 s for idle_b, the others off (C15K600, p188)."""
    assert modes.decode_timers(HEAD + LONG) == {
        Condition.IDLE_A: 2_000,
        Condition.STANDBY_Z: 0,
        Condition.IDLE_B: 600_000,
        Condition.IDLE_C: 0,
        Condition.STANDBY_Y: 0,
    }


def test_behind_block_descriptors() -> None:
    """Block descriptors are passed over by their length (SPC-4 7.5.5, from memory)."""
    data = HEAD[:6] + b"\0\x08" + bytes(8) + LONG
    assert modes.decode_timers(data) == modes.decode_timers(HEAD + LONG)


def test_the_old_form() -> None:
    """Length 0Ah: idle at 4-7, standby at 8-11 (Fibre Channel Interface Manual, p241)."""
    page = bytes.fromhex("1A 0A 00 03 00 00 00 64 00 00 2E E0")
    result = modes.decode_timers(HEAD + page)
    assert result == {Condition.IDLE_A: 10_000, Condition.STANDBY_Z: 1_200_000}


@pytest.mark.parametrize(
    "wrong",
    [b"", HEAD, HEAD[:7], HEAD + LONG[:39], HEAD + b"\x0a" + LONG[1:], HEAD + b"\x5a" + LONG[1:],
     HEAD + LONG[:1] + b"\x20" + LONG[2:], HEAD[:6] + b"\xff\xff" + LONG],
)  # fmt: skip
def test_no_such_page(wrong: bytes) -> None:
    """Cut short, another page, a subpage, another length: malformed (SPC-4 7.5, from memory)."""
    with pytest.raises(Undecodable):
        modes.decode_timers(wrong)


@given(
    st.dictionaries(st.sampled_from(Condition), st.integers(0, 0xFFFFFFFF).map(lambda n: 100 * n))
)
def test_timers_round_trip(timers: dict[Condition, int]) -> None:
    """Any set of timers survives encoding and decoding."""
    result = modes.decode_timers(modes.encode_timers(timers))
    assert result == {one: timers.get(one, 0) for one in Condition}


def test_transitions() -> None:
    """4-byte counts by code: 0001h active, 0003h idle_b, 0008h standby_z, 0009h standby_y
    (SCSI Commands Reference Manual, p351); a vendor's own parameter is passed over."""
    page = bytes.fromhex(
        "1A 00 00 28  00 01 03 04 00 00 01 00  00 03 03 04 00 00 00 F0"
        "80 00 03 04 FF FF FF FF  00 08 03 04 00 00 00 10  00 09 03 04 00 00 00 02"
    )
    result = {"to_active": 256, "to_idle_b": 240, "to_standby_z": 16, "to_standby_y": 2}
    assert logs.decode_transitions(page) == result
    assert logs.decode_transitions(logs.encode_transitions(result)) == result


@pytest.mark.parametrize(
    "wrong", ["0E 00 00 00", "1A 00 00 08 00 01 03 04 00", "1A 00 00 06 00 01 03 02 00 00"]
)
def test_no_transitions(wrong: str) -> None:
    """Another page, one cut short, a count of two bytes: malformed (SPC-4 7.3.2, from memory)."""
    with pytest.raises(Undecodable):
        logs.decode_transitions(bytes.fromhex(wrong))


@given(st.binary(max_size=80))
def test_garbage(data: bytes) -> None:
    """Any bytes give a typed error or numbers, never another exception."""
    for decode in (modes.decode_timers, logs.decode_transitions, pages.parse_page_read):
        with contextlib.suppress(Undecodable):
            decode(data)


@pytest.mark.parametrize("opcode", [pages.LOG_SENSE, pages.MODE_SENSE_10])
def test_page_reads_round_trip(opcode: int) -> None:
    """Every page and both commands survive encoding and parsing; a setting bit does not."""
    for page in range(0x40):
        view = pages.PageRead(opcode, page, 0x0102)
        cdb = pages.encode_page_read(view)
        assert (cdb[2] & 0x3F, cdb[7:9], cdb[9]) == (page, b"\x01\x02", 0)
        assert pages.parse_page_read(cdb) == view
    with pytest.raises(Undecodable):
        pages.parse_page_read(cdb[:1] + b"\x01" + cdb[2:])  # SP of LOG SENSE; reserved in the other


@pytest.mark.parametrize(
    "wrong", [pages.PageRead(0x4C, 0x0E), pages.PageRead(0x4D, 0x40), pages.PageRead(0x4D, 0, -1)]
)
def test_page_reads_that_do_not_fit(wrong: pages.PageRead) -> None:
    """LOG SELECT, a page beyond 3Fh and a negative length are our own mistake."""
    with pytest.raises(Misuse):
        pages.encode_page_read(wrong)
