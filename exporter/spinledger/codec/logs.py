"""Counters that drives keep: SMART attributes (ATA); two log pages (SCSI).

Rules: bytes only. What an attribute means, and whether a figure is plausible, is judged elsewhere,
since attributes are vendor specific. A page is taken whole or not at all.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

from spinledger.codec.octets import malformed, spell
from spinledger.errors import Misuse

# SMART READ DATA (B0h, feature D0h), obsolete since ACS-3 (from memory): 30 entries of 12 bytes
# from byte 2 on, byte 511 makes the sum of all bytes zero. Entry: Travelstar 5K320 specification,
# p151 (worst at 4 and raw little-endian, and the places outside the entry, from memory).
_SMART_BYTES = 512
_SMART_FIRST, _SMART_ENTRIES = 2, 30
_ENTRY = struct.Struct("<BHBB6sx")  # number, flags, normalized, worst, raw, reserved


@dataclass(frozen=True, slots=True)
class Attribute:
    """One SMART attribute. `raw` is six bytes, least significant first."""

    number: int  # 1-255
    flags: int
    normalized: int
    worst: int
    raw: bytes

    @property
    def value(self) -> int:
        """All 48 bits as one number; many attributes pack several into it."""
        return int.from_bytes(self.raw, "little")


def decode_smart(data: bytes) -> tuple[Attribute, ...]:
    """The attributes in the drive's order; MALFORMED for a wrong length or checksum."""
    if len(data) != _SMART_BYTES:
        raise malformed(f"SMART data of {len(data)} bytes, not {_SMART_BYTES}")
    if sum(data) & 0xFF:
        raise malformed(f"SMART data with a wrong checksum: the sum is {sum(data) & 0xFF:02X}h")
    found = []
    for place in range(_SMART_ENTRIES):
        at = _SMART_FIRST + place * _ENTRY.size
        entry = Attribute(*_ENTRY.unpack_from(data, at))
        if entry.number:
            found.append(entry)
    return tuple(found)


def encode_smart(attributes: Sequence[Attribute]) -> bytes:
    """512 bytes with these attributes and a right checksum; at most 30."""
    if len(attributes) > _SMART_ENTRIES:
        raise Misuse(f"{len(attributes)} attributes where {_SMART_ENTRIES} fit")
    out = bytearray(_SMART_BYTES)
    for place, one in enumerate(attributes):
        at = _SMART_FIRST + place * _ENTRY.size
        try:
            entry = _ENTRY.pack(one.number, one.flags, one.normalized, one.worst, one.raw)
        except struct.error:
            raise Misuse(f"no SMART entry says this: {one}") from None
        if len(one.raw) != 6 or not one.number:
            raise Misuse(f"no SMART entry says this: {one}")
        out[at : at + _ENTRY.size] = entry
    out[-1] = -sum(out) & 0xFF
    return bytes(out)


# SCSI log page 0Eh: SCSI Commands Reference Manual, p366 table 346; Ultrastar C15K600
# specification, p131. Parameter: code 0-1, control 2, length 3, value (SPC-4 7.3.2, from memory).
_START_STOP_PAGE = 0x0E
_HEAD = 4
_BINARY_LIST = 0x03  # parameter control: FORMAT AND LINKING, a binary list


@dataclass(frozen=True, slots=True)
class StartStop:
    """The Start-Stop Cycle Counter page; None where the drive has no such parameter.

    A cycle counts when it is complete, so the present cycle of a spinning drive is not included
    (MAX3073 manual, 4-66).
    """

    rated_start_stop: int | None = None
    start_stops: int | None = None
    rated_load: int | None = None
    loads: int | None = None


# By parameter code, four bytes each. 0001h and 0002h are dates.
_START_STOP = {
    0x0003: "rated_start_stop",
    0x0004: "start_stops",
    0x0005: "rated_load",
    0x0006: "loads",
}


def decode_start_stop(page: bytes) -> StartStop:
    """Log page 0Eh, parsed by parameter code; other codes are passed over."""
    return StartStop(**_decode_counts(page, _START_STOP_PAGE, _START_STOP))


def encode_start_stop(view: StartStop) -> bytes:
    """Log page 0Eh with the parameters that are not None, by parameter code."""
    counts = {name: value for name, value in asdict(view).items() if value is not None}
    return _encode_counts(counts, _START_STOP_PAGE, _START_STOP)


# SCSI log page 1Ah, four-byte counts of transitions: SCSI Commands Reference Manual, p351.
_TRANSITIONS_PAGE = 0x1A
TRANSITIONS = {
    0x0001: "to_active",
    0x0002: "to_idle_a",
    0x0003: "to_idle_b",
    0x0004: "to_idle_c",
    0x0008: "to_standby_z",
    0x0009: "to_standby_y",
}


def decode_transitions(page: bytes) -> Mapping[str, int]:
    """Log page 1Ah: transitions by name, as far as the drive counts them."""
    return _decode_counts(page, _TRANSITIONS_PAGE, TRANSITIONS)


def encode_transitions(counts: Mapping[str, int]) -> bytes:
    """Log page 1Ah with these counts, by parameter code."""
    return _encode_counts(counts, _TRANSITIONS_PAGE, TRANSITIONS)


def _decode_counts(page: bytes, number: int, names: Mapping[int, str]) -> dict[str, int]:
    """The four-byte counts of a log page by name, those that the drive has."""
    values = _parameters(page, number)
    found = {}
    for code, name in names.items():
        if code in values:
            if len(values[code]) != 4:
                raise malformed(f"log parameter {code:04X}h is not 4 bytes; {spell(page)}")
            found[name] = int.from_bytes(values[code], "big")
    return found


def _encode_counts(counts: Mapping[str, int], number: int, names: Mapping[int, str]) -> bytes:
    """A log page of four-byte counts."""
    body = b""
    for code, name in names.items():
        if name in counts:
            raw = (counts[name] % (1 << 32)).to_bytes(4, "big")
            body += code.to_bytes(2, "big") + bytes([_BINARY_LIST, 4]) + raw
    page = bytes([number, 0]) + len(body).to_bytes(2, "big") + body
    if _decode_counts(page, number, names) != dict(counts):
        raise Misuse(f"no log page {number:02X}h says this: {counts}")
    return page


def _parameters(page: bytes, code: int) -> dict[int, bytes]:
    """Log parameters by code. SPC-4 7.3.2, from memory: 0 bits 5:0 page, 2-3 length."""
    if len(page) < _HEAD or len(page) < _HEAD + int.from_bytes(page[2:4], "big"):
        raise malformed(f"log page {code:02X}h cut short at {len(page)} bytes")
    if page[0] & 0x3F != code:
        raise malformed(f"log page {page[0] & 0x3F:02X}h where {code:02X}h was expected")
    body = page[: _HEAD + int.from_bytes(page[2:4], "big")]
    found: dict[int, bytes] = {}
    at = _HEAD
    while at < len(body):
        end = at + 4 + body[at + 3] if at + 3 < len(body) else len(body) + 1
        if end > len(body):
            raise malformed(f"a log parameter runs past the end; bytes {spell(body)}")
        found[int.from_bytes(body[at : at + 2], "big")] = body[at + 4 : end]
        at = end
    return found
