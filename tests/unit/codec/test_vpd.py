"""Vital product data pages: SPC-4 7.8 and SBC-3 6.6.2, from memory."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spinledger.codec import vpd
from spinledger.errors import Undecodable
from spinledger.model import Reason
from tests.fakes.drive_bytes import vpd83

# Built from 7.8.6: a T10 designator (code set 2, type 1), then the disk's NAA 5 name
# (code set 1, association 0, type 3), then the target port's (association 1).
NAMES = bytes.fromhex(
    "00 83 00 24"
    " 02 01 00 08 4C 41 42 20 20 20 20 20"
    " 01 03 00 08 50 00 C5 00 A1 B2 C3 D4"
    " 01 13 00 08 50 00 C5 00 A1 B2 C3 D5"
)
SERIAL = bytes.fromhex("00 80 00 0C 20 20 4C 41 42 30 30 30 30 31 00 20")
# Page B1h: length 003Ch, MEDIUM ROTATION RATE 1C20h = 7200 at bytes 4-5.
ROTATION = bytes.fromhex("00 B1 00 3C 1C 20") + bytes(58)


def test_world_wide_name() -> None:
    """The logical unit's NAA name is found behind others; the port's is not taken (7.8.6)."""
    assert vpd.world_wide_name(NAMES) == "0x5000c500a1b2c3d4"
    assert vpd.world_wide_name(NAMES[:3] + b"\x0c" + NAMES[-12:]) is None


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("0x2000000000000001", True),  # NAA 2, 3, 5: 8 bytes; NAA 6: 16
        ("0x3000000000000001", True),
        ("0x5000000000000001", True),
        ("0x60000000000000010000000000000001", True),
        ("0x6000000000000001", False),
        ("0x50000000000000010000000000000001", False),
        ("0x0000000000000000", False),
    ],
)
def test_name_formats(name: str, found: bool) -> None:
    """A name has the length of its NAA format, or is passed over (7.8.6)."""
    assert vpd.world_wide_name(vpd83(name)) == (name if found else None)


def test_serial_number() -> None:
    """The serial number is text, without padding and unprintable bytes (7.8.16)."""
    assert vpd.serial_number(SERIAL) == "LAB00001"


def test_rotation_rate() -> None:
    """The rate stands at bytes 4-5 of page B1h (Block Device Characteristics)."""
    assert vpd.rotation_rate(ROTATION) == 7200


@pytest.mark.parametrize("page", [NAMES, SERIAL, ROTATION])
def test_cut_short(page: bytes) -> None:
    """Cut at any byte a page is malformed; padded it is the same."""
    read = {0x83: vpd.world_wide_name, 0x80: vpd.serial_number, 0xB1: vpd.rotation_rate}[page[1]]
    assert read(page + bytes(8)) == read(page)
    for length in range(len(page)):
        with pytest.raises(Undecodable) as caught:
            read(page[:length])
        assert caught.value.reason == Reason.MALFORMED


@pytest.mark.parametrize(
    "page",
    [
        "00 83 00 03 01 03 00",  # a designator's head cut by the page length
        "00 83 00 06 01 03 00 08 50 00",  # its body
        "00 80 00 04 01 02 03 04",  # another page
    ],
)
def test_contradictions(page: str) -> None:
    """A designator that runs past the page, or another page, is malformed (7.8.6)."""
    with pytest.raises(Undecodable) as caught:
        vpd.world_wide_name(bytes.fromhex(page))
    assert caught.value.reason == Reason.MALFORMED


def test_rotation_page_without_a_rate() -> None:
    """A page B1h whose length leaves out the rate is malformed."""
    with pytest.raises(Undecodable):
        vpd.rotation_rate(bytes.fromhex("00 B1 00 01 1C"))


@given(st.sampled_from([0x80, 0x83, 0xB1]), st.binary(max_size=60), st.booleans())
def test_garbage(code: int, body: bytes, framed: bool) -> None:
    """Any bytes give a typed error or a value, never another exception."""
    length = len(body).to_bytes(2, "big") if framed else b""
    page = bytes([0, code]) + length + body
    for read in (vpd.world_wide_name, vpd.serial_number, vpd.rotation_rate):
        value: object = None
        with contextlib.suppress(Undecodable):
            value = read(page)
        assert value is None or isinstance(value, str | int)
