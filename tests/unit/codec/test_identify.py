"""IDENTIFY DEVICE words, in the three forms the kernel keeps."""

from __future__ import annotations

import struct
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spinledger.codec import identify
from spinledger.codec.identify import Identify
from spinledger.errors import Misuse, Undecodable
from spinledger.model import Reason
from tests.fakes.drive_bytes import vpd89

DRIVE = Identify(
    serial="LAB00001",
    firmware="A1B2",
    model="LAB HDD 7200",
    wwn="0x5000c500a1b2c3d4",
    rotation_rpm=7200,
    non_rotating=False,
    apm_enabled=True,
    apm_level=0xFE,
    epc_supported=True,
    epc_enabled=False,
    standard_timer=True,
)
NOTHING = Identify("", "", "", None, None, False, False, None, False, False, False)
VALID = 0x4000  # bits 15:14 = 01b


def words(**values: int) -> bytes:
    """512 bytes with the given words (w83=...), all others zero."""
    image = [0] * 256
    for key, value in values.items():
        image[int(key[1:])] = value
    return struct.pack("<256H", *image)


# The source of each row beside it; a row without one is the opposite of the row before.
FIELDS = [
    (words(w49=1 << 13), "standard_timer", True),  # MB500M p27
    (words(w86=1 << 3, w87=VALID), "apm_enabled", True),  # 5K160 p53
    (words(w86=1 << 3), "apm_enabled", False),
    (words(w86=1 << 3, w87=VALID, w91=0x00FE), "apm_level", 0xFE),  # HC310 p146
    (words(w86=1 << 3, w87=VALID, w91=0x4080), "apm_level", 0x80),
    (words(w86=1 << 3, w87=VALID, w91=0x00FF), "apm_level", None),  # FFh reserved: from memory
    (words(w91=0x00FE), "apm_level", None),
    (words(w119=VALID | 1 << 7), "epc_supported", True),  # from memory
    (words(w119=1 << 7), "epc_supported", False),
    (words(w120=VALID | 1 << 7), "epc_enabled", True),  # from memory
    (words(w120=1 << 7), "epc_enabled", False),
]


@pytest.mark.parametrize(("data", "field", "value"), FIELDS)
def test_fields(data: bytes, field: str, value: object) -> None:
    """Each bit has its word, and counts only where the validity bits say so (sources above)."""
    assert getattr(identify.decode(data), field) == value


def test_text_is_swapped_in_each_word() -> None:
    """Serial at words 10-19, firmware 23-26, model 27-46 (MB500M p27); the swap is from memory."""
    data = bytearray(512)
    data[20:40] = b"AL0B000010".ljust(20)
    data[46:54] = b"1A2B    "
    data[54:94] = b"RAHCVI ET8".ljust(40)
    found = identify.decode(bytes(data))
    assert (found.serial, found.firmware, found.model) == ("LAB0000001", "A1B2", "ARCHIVE 8T")


def test_text_is_cleaned() -> None:
    """Bytes that are no printable ASCII are dropped (own rule)."""
    data = bytearray(512)
    data[20:26] = b"B\x00\x1bA\xff\n"
    assert identify.decode(bytes(data)).serial == "BA"


@pytest.mark.parametrize(
    ("word", "wwn"),
    [
        (0x4100, "0x5000c500a1b2c3d4"),  # word 87 & C100h = 4100h: Linux 6.12 ata.h:879
        (0x0100, None),
        (0xC100, None),
        (0x4000, None),
    ],
)
def test_world_wide_name(word: int, wwn: str | None) -> None:
    """Words 108-111, the first most significant (from memory), count under word 87's mask."""
    data = words(w87=word, w108=0x5000, w109=0xC500, w110=0xA1B2, w111=0xC3D4)
    assert identify.decode(data).wwn == wwn


@pytest.mark.parametrize("word", [0x0000, 0xFFFF])
def test_empty_world_wide_name(word: int) -> None:
    """A name of zeros or ones is none: two such drives would be one disk (own rule)."""
    data = words(w87=0x4100, w108=word, w109=word, w110=word, w111=word)
    assert identify.decode(data).wwn is None


@pytest.mark.parametrize(
    ("word", "rpm", "non_rotating"),
    [
        (0x0000, None, False),  # not reported
        (0x0001, None, True),
        (0x0002, None, False),  # reserved from here
        (0x0400, None, False),
        (0x0401, 1025, False),  # a rate from here
        (0x1518, 5400, False),
        (0x1C20, 7200, False),
        (0xFFFE, 65534, False),
        (0xFFFF, None, False),  # reserved
    ],
)
def test_rotation(word: int, rpm: int | None, non_rotating: bool) -> None:
    """Word 217 in all its ranges (Linux 6.12 include/linux/ata.h:897-908; rates by arithmetic)."""
    found = identify.decode(words(w217=word))
    assert (found.rotation_rpm, found.non_rotating) == (rpm, non_rotating)
    assert identify.rotation(word) == (rpm, non_rotating)


def test_three_forms() -> None:
    """Bytes, VPD page 89h (data at byte 60, from memory) and the kernel's id text agree."""
    data = identify.encode(DRIVE)
    page = vpd89(data)
    image = struct.unpack("<256H", data)
    # Rows of eight words as drivers/ata/libata-transport.c prints them (from memory).
    text = "".join(f"{word:04x}" + (" " if at % 8 < 7 else "\n") for at, word in enumerate(image))
    assert identify.decode(data) == DRIVE
    assert identify.from_vpd89(page) == DRIVE
    assert identify.from_vpd89(page + bytes(60)) == DRIVE
    assert identify.from_ata_id_text(text) == DRIVE


def test_cut_short() -> None:
    """Cut at every seventh byte each form is malformed and nothing else."""
    data = identify.encode(DRIVE)
    page = vpd89(data)
    text = " ".join(f"{word:04x}" for word in struct.unpack("<256H", data))
    for length in range(0, len(data), 7):
        with pytest.raises(Undecodable, match="512"):
            identify.decode(data[:length])
    for length in range(0, len(page), 7):
        with pytest.raises(Undecodable, match="cut short"):
            identify.from_vpd89(page[:length])
    for length in range(0, len(text), 7):
        with pytest.raises(Undecodable) as caught:
            identify.from_ata_id_text(text[:length])
        assert caught.value.reason == Reason.MALFORMED


@pytest.mark.parametrize(
    "page",
    [
        bytes.fromhex("00 89 00 38") + bytes(0x38),  # too short for IDENTIFY data
        b"\x00\x83" + vpd89(bytes(512))[2:],  # another page
        vpd89(bytes(512))[:56] + b"\xa1" + bytes(515),  # IDENTIFY PACKET DEVICE
    ],
)
def test_other_pages(page: bytes) -> None:
    """A page that is not 89h with IDENTIFY DEVICE data is malformed (SAT-3, from memory)."""
    with pytest.raises(Undecodable) as caught:
        identify.from_vpd89(page)
    assert caught.value.reason == Reason.MALFORMED


@pytest.mark.parametrize("word", ["12", "12345", "zzzz", "+123", "0x12"])
def test_id_text_that_is_no_words(word: str) -> None:
    """Anything but four hexadecimal digits is malformed."""
    with pytest.raises(Undecodable) as caught:
        identify.from_ata_id_text(" ".join(["0000"] * 255 + [word]))
    assert caught.value.reason == Reason.MALFORMED


@given(st.binary(min_size=512, max_size=512))
def test_garbage(data: bytes) -> None:
    """Any 512 bytes decode, and what was read encodes to bytes that read the same."""
    found = identify.decode(data)
    assert identify.decode(identify.encode(found)) == found


@pytest.mark.parametrize("data", [bytes(512), b"\xff" * 512])
def test_blank(data: bytes) -> None:
    """All zeros or all ones claim nothing that carries validity bits (own rule)."""
    found = identify.decode(data)
    assert replace(found, standard_timer=False) == NOTHING


@pytest.mark.parametrize(
    "wrong",
    [
        replace(DRIVE, serial="X" * 21),
        replace(DRIVE, model="caf\N{LATIN SMALL LETTER E WITH ACUTE}"),
        replace(DRIVE, rotation_rpm=1000),
        replace(DRIVE, apm_enabled=False),
        replace(DRIVE, wwn="0x" + "0" * 16),
        replace(DRIVE, wwn="0x" + "1" * 17),
        replace(DRIVE, apm_level=0x1FE),
    ],
)
def test_what_no_drive_can_say(wrong: Identify) -> None:
    """A description that IDENTIFY data cannot hold is our own mistake."""
    with pytest.raises(Misuse):
        identify.encode(wrong)
