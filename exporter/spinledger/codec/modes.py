"""The Power Condition mode page of SCSI drives (1Ah): timers, both directions.

Rules: big-endian; timers in units of 100 ms. A timer counts only while its bit is set. The page
comes in two lengths; the page's own length says which.

    header    MODE SENSE (10): 0-1 mode data length, 6-7 block descriptor length; SPC-4 7.5.5,
              from memory
    page      0 bits 5:0 page code, 1 page length; 26h: Ultrastar C15K600 specification, p188;
              SCSI Commands Reference Manual, p422-424; 0Ah: Fibre Channel Interface Manual, p241
"""

from __future__ import annotations

from collections.abc import Mapping

from spinledger.codec.octets import malformed, spell
from spinledger.codec.pages import POWER_CONDITION
from spinledger.errors import Misuse
from spinledger.model import Condition

_HEAD = 8
_LONG, _SHORT = 0x26, 0x0A
_UNIT_MS = 100
# Condition: byte and bit that enable it, first byte of its timer; in the page.
_PLACES: dict[Condition, tuple[int, int, int]] = {
    Condition.IDLE_A: (3, 1, 4),
    Condition.STANDBY_Z: (3, 0, 8),
    Condition.IDLE_B: (3, 2, 12),
    Condition.IDLE_C: (3, 3, 16),
    Condition.STANDBY_Y: (2, 0, 20),
}
_IN_SHORT = (Condition.IDLE_A, Condition.STANDBY_Z)  # there named IDLE and STANDBY


def decode_timers(data: bytes) -> Mapping[Condition, int]:
    """The timer of each power condition in milliseconds; 0: off. From MODE SENSE (10) data."""
    if len(data) < _HEAD:
        raise malformed(f"mode data cut short at {len(data)} bytes")
    page = data[_HEAD + int.from_bytes(data[6:8], "big") :]
    if len(page) < 2 or len(page) < 2 + page[1]:
        raise malformed(f"a mode page cut short; bytes {spell(data[:64])}")
    if page[0] & 0x3F != POWER_CONDITION or page[0] & 0x40:
        raise malformed(f"mode page {page[0] & 0x3F:02X}h where 1Ah was expected")
    if page[1] not in (_LONG, _SHORT):
        raise malformed(f"a power condition mode page of length {page[1]:02X}h")
    found = {}
    for condition, (byte, bit, at) in _PLACES.items():
        if page[1] == _LONG or condition in _IN_SHORT:
            timer = int.from_bytes(page[at : at + 4], "big") * _UNIT_MS
            found[condition] = timer if page[byte] >> bit & 1 else 0
    return found


def encode_timers(timers_ms: Mapping[Condition, int]) -> bytes:
    """MODE SENSE (10) data of a drive with these timers, the long page; all five are shown."""
    page = bytearray([POWER_CONDITION, _LONG]) + bytes(_LONG)
    for condition, timer_ms in timers_ms.items():
        byte, bit, at = _PLACES[condition]
        page[byte] |= bool(timer_ms) << bit
        page[at : at + 4] = (timer_ms // _UNIT_MS).to_bytes(4, "big")
    data = (len(page) + _HEAD - 2).to_bytes(2, "big") + bytes(_HEAD - 2) + page
    decoded = decode_timers(data)
    if {name: decoded[name] for name in timers_ms} != dict(timers_ms):
        raise Misuse(f"no power condition mode page says this: {timers_ms}")
    return data
