"""General Purpose logs of ATA drives: Device Statistics (04h) and Power Conditions (08h).

Rules: little-endian, like all ATA data. A statistic is a qword whose top byte holds flags, and is
believed only where it says supported and valid. A page that is all zeros is not supported
(Ultrastar HC580 specification, p198). Numbers are in the log's own units.

    qword    bit 63 supported, 62 valid, low 32 bits the value        ACS-3 9.5, from memory
    header   qword 0: bits 15:0 revision, bits 23:16 page number      ACS-3 9.5, from memory
"""

from __future__ import annotations

import struct
from collections.abc import Mapping

from spinledger.codec.octets import malformed
from spinledger.errors import Misuse, Undecodable
from spinledger.model import Condition, Reason

BLOCK = 512
_SUPPORTED, _VALID = 1 << 63, 1 << 62
_VALUE = (1 << 32) - 1
_REVISION = 0x0001

# Page, offset: statistic. ACS-3 9.5, General Statistics and Rotating Media Statistics pages:
# offsets from memory; list of pages: Ultrastar HC580 specification, p198.
STATISTICS: Mapping[tuple[int, int], str] = {
    (0x01, 0x008): "power_cycles",  # Lifetime Power-On Resets
    (0x01, 0x010): "power_on_h",  # Power-on Hours
    (0x03, 0x008): "spindle_h",  # Spindle Motor Power-on Hours
    (0x03, 0x018): "loads",  # Head Load Events
    (0x03, 0x040): "retracts",  # Number of High Priority Unload Events
}


def decode_statistics(page: bytes, number: int) -> Mapping[str, int]:
    """The statistics of a page by the names of the table, those that the drive supports.

    `Undecodable(REJECTED)` where the drive has no such page.
    """
    if len(page) != BLOCK:
        raise malformed(f"a device statistics page of {len(page)} bytes, not {BLOCK}")
    words = struct.unpack("<64Q", page)
    if not words[0] & 0xFFFF:
        raise Undecodable(Reason.REJECTED, f"the drive has no device statistics page {number:02X}h")
    if words[0] >> 16 & 0xFF != number:
        raise malformed(
            f"device statistics page {words[0] >> 16 & 0xFF:02X}h where {number:02X}h was expected"
        )
    return {
        name: words[offset // 8] & _VALUE
        for (place, offset), name in STATISTICS.items()
        if place == number and words[offset // 8] & _SUPPORTED and words[offset // 8] & _VALID
    }


def encode_statistics(number: int, values: Mapping[str, int]) -> bytes:
    """A page with these statistics, the others not supported."""
    words = [0] * 64
    words[0] = _REVISION | number << 16
    for (place, offset), name in STATISTICS.items():
        if place == number and name in values:
            words[offset // 8] = values[name] | _SUPPORTED | _VALID
    page = struct.pack("<64Q", *words)
    if decode_statistics(page, number) != dict(values):
        raise Misuse(f"no device statistics page {number:02X}h says this: {values}")
    return page


# Byte of the descriptor in pages 00h and 01h together; from memory. A descriptor: Ultrastar HC580
# specification, p207 table 140.
_DESCRIPTORS = {
    Condition.IDLE_A: 0,
    Condition.IDLE_B: 64,
    Condition.IDLE_C: 128,
    Condition.STANDBY_Y: BLOCK + 384,
    Condition.STANDBY_Z: BLOCK + 448,
}
# Byte 1 flags; dwords of 100 ms: 4-7 default timer (table 140), 8-11 saved, 12-15 current (from
# memory).
_DESCRIPTOR = struct.Struct("<xBxx3I48x")
_HAS, _CHANGEABLE, _CURRENT = 0x80, 0x20, 0x04
_UNIT_MS = 100


def decode_conditions(log: bytes) -> Mapping[Condition, int]:
    """The current timer of each power condition that the drive has, in milliseconds; 0: off.

    From pages 00h and 01h of the log, 1024 bytes. The timers run only while the feature set is
    enabled (IDENTIFY word 120). A descriptor with reserved bytes set is MALFORMED: a log of another
    layout would be.
    """
    if len(log) != 2 * BLOCK:
        raise malformed(f"a power conditions log of {len(log)} bytes, not {2 * BLOCK}")
    found = {}
    for condition, at in _DESCRIPTORS.items():
        if log[at] or log[at + 2] or log[at + 3]:
            raise malformed(f"reserved bytes are set in the descriptor of {condition}")
        flags, _, _, current = _DESCRIPTOR.unpack_from(log, at)
        if flags & _HAS:
            found[condition] = current * _UNIT_MS if flags & _CURRENT else 0
    return found


def encode_conditions(timers_ms: Mapping[Condition, int]) -> bytes:
    """Pages 00h and 01h of a drive with these current timers, default and saved alike."""
    log = bytearray(2 * BLOCK)
    for condition, timer_ms in timers_ms.items():
        flags = _HAS | _CHANGEABLE | (_CURRENT if timer_ms else 0)
        units = timer_ms // _UNIT_MS
        _DESCRIPTOR.pack_into(log, _DESCRIPTORS[condition], flags, units, units, units)
    if decode_conditions(bytes(log)) != dict(timers_ms):
        raise Misuse(f"no power conditions log says this: {timers_ms}")
    return bytes(log)
