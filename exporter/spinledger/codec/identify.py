"""IDENTIFY DEVICE data: 256 words of which we read a few, both directions.

Rules: nothing here sends a command. The kernel keeps a copy, in VPD page 89h or as the text of
/sys/class/ata_device/*/id; all three forms decode alike. Bytes are little-endian words; text is
the other way round, first character in the high byte. A word is believed only where its validity
bits say so:

    words         valid when                              source
    84            word 84 bits 15:14 = 01b                ACS-3; Linux 6.1 ata.h:891-898
    86, 87        word 87 bits 15:14 = 01b                ACS-3; Linux 6.12 ata.h
    108-111       word 87 bits 15:14 = 01b and bit 8      Linux 6.12 ata.h:879 (mask C100h = 4100h)
    119 / 120     bits 15:14 of each = 01b                from memory

A world-wide name of all zeros or all ones is none. Non-printable characters are dropped, and
spaces around text. ata.h is include/linux/ata.h of the kernel.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass

from spinledger.codec.ata import IDENTIFY_DEVICE
from spinledger.codec.octets import malformed, printable
from spinledger.codec.vpd import page_body
from spinledger.errors import Misuse

WORDS = 256
BYTES = 2 * WORDS

# Text fields: first word, number of words. MB500M technical reference, p27.
_SERIAL, _FIRMWARE, _MODEL = (10, 10), (23, 4), (27, 20)

# Single bits: word, bit.
_STANDARD_TIMER = (49, 13)  # standby timer values follow the standard's table; MB500M, p27
_GPL = (84, 5)  # General Purpose Logging; ACS-3, from memory, like its copy in word 87
_GPL_COPY = (87, 5)
_APM_ENABLED = (86, 3)  # and word 91: Travelstar 5K160 specification, p53
_WWN_SUPPORTED = (87, 8)
_EPC_SUPPORTED = (119, 7)  # this and the next from memory
_EPC_ENABLED = (120, 7)

_APM_LEVEL = 91  # bits 7:0
_WWN = 108  # to 111, most significant first (order from memory)
_ROTATION = 217  # nominal media rotation rate

# Word 255, the integrity word: with the signature in its low byte the sum of all bytes is zero
# modulo 256. ACS-3, from memory.
_SIGNATURE_AT, SIGNATURE = 510, 0xA5

# Which word carries the validity bits of a feature word.
_VALIDITY = {84: 84, 86: 87, 87: 87, 119: 119, 120: 120}

_VPD_COMMAND = 56  # SAT-3 ATA Information VPD page (from memory): COMMAND CODE
_VPD_IDENTIFY = 60  # and where the 512 bytes begin


@dataclass(frozen=True, slots=True)
class Identify:
    """What a drive reports about itself. Levels and rates None: not reported."""

    serial: str
    firmware: str
    model: str
    wwn: str | None  # 0x and 16 digits
    rotation_rpm: int | None  # revolutions a minute
    non_rotating: bool
    apm_enabled: bool
    apm_level: int | None  # 01h-FEh while enabled
    epc_supported: bool
    epc_enabled: bool
    standard_timer: bool
    gpl_supported: bool = False


def decode(data: bytes) -> Identify:
    """From the 512 bytes of the drive; `Undecodable(MALFORMED)` for any other length."""
    if len(data) != BYTES:
        raise malformed(f"IDENTIFY DEVICE data of {len(data)} bytes, not {BYTES}")
    return _from_words(struct.unpack("<256H", data))


def check_integrity(data: bytes) -> None:
    """Raise `Undecodable(MALFORMED)` where the integrity word is there and the sum is wrong.

    For data straight from a drive: the kernel may change words of its own copy.
    """
    if data[_SIGNATURE_AT : _SIGNATURE_AT + 1] == bytes([SIGNATURE]) and sum(data) & 0xFF:
        raise malformed(f"IDENTIFY DEVICE data with a wrong checksum: {sum(data) & 0xFF:02X}h")


def from_vpd89(page: bytes) -> Identify:
    """From the ATA Information VPD page as the kernel keeps it (vpd_pg89).

    SAT-3 ATA Information VPD page, from memory.
    """
    body = page_body(page, 0x89)
    if len(body) < _VPD_IDENTIFY + BYTES:
        raise malformed(f"VPD page 89h of {len(body)} bytes has no room for IDENTIFY data")
    if body[_VPD_COMMAND] != IDENTIFY_DEVICE:
        raise malformed(f"VPD page 89h holds command {body[_VPD_COMMAND]:02X}h, not IDENTIFY")
    return decode(body[_VPD_IDENTIFY : _VPD_IDENTIFY + BYTES])


def from_ata_id_text(text: str) -> Identify:
    """From the text of /sys/class/ata_device/*/id: 256 words of four hexadecimal digits.

    Linux drivers/ata/libata-transport.c (from memory).
    """
    parts = text.split()
    if len(parts) != WORDS:
        raise malformed(f"an id file of {len(parts)} words, not {WORDS}")
    words = []
    for part in parts:
        if len(part) != 4 or not all(one in "0123456789abcdefABCDEF" for one in part):
            raise malformed(f"{part[:8]!r} in an id file is not a word of four digits")
        words.append(int(part, 16))
    return _from_words(words)


def rotation(rate: int) -> tuple[int | None, bool]:
    """(revolutions a minute or None, True if non-rotating) of a NOMINAL MEDIA ROTATION RATE.

    0001h is non-rotating, 0401h-FFFEh the rate itself; 0000h is not reported and the rest is
    reserved. ACS-3 word 217: Linux 6.12 ata.h:897-908; SBC-3 VPD page B1h: from memory.
    """
    if rate == 0x0001:
        return None, True
    return (rate if 0x0401 <= rate <= 0xFFFE else None), False


def encode(view: Identify) -> bytes:
    """512 bytes a drive with these properties returns; words not mentioned are zero."""
    words = [0] * WORDS
    for text, (first, count) in (
        (view.serial, _SERIAL),
        (view.firmware, _FIRMWARE),
        (view.model, _MODEL),
    ):
        if len(text) > 2 * count or not text.isascii():
            raise Misuse(f"{text!r} does not fit {2 * count} ASCII characters")
        words[first : first + count] = struct.unpack(
            f">{count}H", text.encode("ascii").ljust(2 * count)
        )
    for word in set(_VALIDITY.values()):
        words[word] = 0x4000
    for is_set, (word, bit) in (
        (view.standard_timer, _STANDARD_TIMER),
        (view.gpl_supported, _GPL),
        (view.gpl_supported, _GPL_COPY),
        (view.apm_enabled, _APM_ENABLED),
        (view.wwn is not None, _WWN_SUPPORTED),
        (view.epc_supported, _EPC_SUPPORTED),
        (view.epc_enabled, _EPC_ENABLED),
    ):
        words[word] |= is_set << bit
    words[_APM_LEVEL] = view.apm_level or 0
    number = int(view.wwn, 16) if view.wwn else 0
    words[_WWN : _WWN + 4] = struct.unpack(">4H", (number % (1 << 64)).to_bytes(8, "big"))
    words[_ROTATION] = 0x0001 if view.non_rotating else view.rotation_rpm or 0
    data = struct.pack("<256H", *words)
    if decode(data) != view:
        raise Misuse(f"no IDENTIFY data says this: {view}")
    return data


def _from_words(words: Sequence[int]) -> Identify:
    """The fields out of 256 words."""
    rpm, non_rotating = rotation(words[_ROTATION])
    apm_enabled = _bit(words, _APM_ENABLED)
    level = words[_APM_LEVEL] & 0xFF
    return Identify(
        serial=_text(words, _SERIAL),
        firmware=_text(words, _FIRMWARE),
        model=_text(words, _MODEL),
        wwn=_wwn(words),
        rotation_rpm=rpm,
        non_rotating=non_rotating,
        apm_enabled=apm_enabled,
        apm_level=level if apm_enabled and 0x01 <= level <= 0xFE else None,
        epc_supported=_bit(words, _EPC_SUPPORTED),
        epc_enabled=_bit(words, _EPC_ENABLED),
        standard_timer=_bit(words, _STANDARD_TIMER),
        gpl_supported=_bit(words, _GPL) or _bit(words, _GPL_COPY),
    )


def _bit(words: Sequence[int], place: tuple[int, int]) -> bool:
    """One bit, False where its word is not valid."""
    word, bit = place
    validity = _VALIDITY.get(word)
    if validity is not None and words[validity] & 0xC000 != 0x4000:
        return False
    return bool(words[word] >> bit & 1)


def _text(words: Sequence[int], place: tuple[int, int]) -> str:
    """Text of a field: high byte of each word first, printable ASCII only."""
    first, count = place
    raw = struct.pack(f">{count}H", *words[first : first + count])
    return printable(raw)


def _wwn(words: Sequence[int]) -> str | None:
    """The world-wide name, or None."""
    if not _bit(words, _WWN_SUPPORTED):
        return None
    raw = struct.pack(">4H", *words[_WWN : _WWN + 4])
    return None if raw in (bytes(8), b"\xff" * 8) else f"0x{raw.hex()}"
