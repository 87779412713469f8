"""Records of the emulated drive: IDENTIFY data, SMART data, logs, a mode page.

Rules: bytes are laid out by hand after the standards, and not by the exporter's codec, which they
judge. ATA data is little-endian, SCSI data big-endian.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping

BLOCK = 512  # bytes

# ACS-3 9.5, log 04h: page, byte of the statistic. Offsets from memory, as the exporter has them;
# the pages' list is in the Ultrastar HC580 specification, p198.
STATISTICS = {
    "power_cycles": (0x01, 0x008),
    "power_on_hours": (0x01, 0x010),
    "spindle_hours": (0x03, 0x008),
    "load_cycles": (0x03, 0x018),
}
_TRUE = 0xC0 << 56  # bit 63: supported; bit 62: valid


def identify(
    *, sectors: int, wwn: int, rotation_rpm: int, serial: str, firmware: str, model: str
) -> bytes:
    """IDENTIFY DEVICE data: 256 little-endian words (ACS-3, from memory)."""
    words = [0] * 256
    words[0] = 0x0040  # an ATA device
    words[49] = 0x2F00  # bit 13: standby timer values are the standard's
    words[53] = 0x0006
    words[60], words[61] = sectors & 0xFFFF, sectors >> 16
    words[80] = 0x01F0
    words[82] = words[85] = 0x4009  # bit 3: power management; bit 0: SMART
    words[83] = words[86] = 0x4400
    words[84] = words[87] = 0x4123  # bit 8: world-wide name; bit 5: General Purpose Logging
    words[88] = 0x407F
    words[100], words[101] = sectors & 0xFFFF, sectors >> 16
    words[106] = 0x4000
    words[108:112] = [wwn >> shift & 0xFFFF for shift in (48, 32, 16, 0)]
    words[217] = rotation_rpm
    words[222] = 0x107F
    data = bytearray(struct.pack("<256H", *words))
    for first, text, length in ((10, serial, 20), (23, firmware, 8), (27, model, 40)):
        data[first * 2 : first * 2 + length] = _swapped(text.encode().ljust(length))
    return bytes(data)


def _swapped(text: bytes) -> bytes:
    """ATA strings: the first character of each pair is the word's high byte."""
    return bytes(byte for pair in zip(text[1::2], text[::2], strict=True) for byte in pair)


def smart(feature: int, counts: Mapping[str, int]) -> bytes:
    """SMART READ DATA (feature D0h) or READ THRESHOLDS (D1h): rows of 12 bytes from byte 2 on."""
    attributes = {
        4: counts["start_stops"],
        9: counts["power_on_hours"],
        12: counts["power_cycles"],
        193: counts["load_cycles"],
        194: 31,  # degrees Celsius
    }
    page = bytearray(BLOCK)
    page[0] = 16  # revision
    for row, (number, raw) in enumerate(attributes.items()):
        if feature == 0xD0:
            struct.pack_into("<BHBBQ", page, 2 + 12 * row, number, 0x32, 100, 100, raw)
        else:
            page[2 + 12 * row] = number
    page[511] = -sum(page[:511]) & 0xFF
    return bytes(page)


def statistics(page: int, counts: Mapping[str, int]) -> bytes | None:
    """Page 01h or 03h of Device Statistics; None for any other."""
    values = {at: counts[name] for name, (place, at) in STATISTICS.items() if place == page}
    if not values:
        return None
    data = bytearray(BLOCK)
    struct.pack_into("<Q", data, 0, 1 | page << 16)  # revision, page number
    for at, count in values.items():
        struct.pack_into("<Q", data, at, count | _TRUE)
    return bytes(data)


def start_stop(counts: Mapping[str, int]) -> bytes:
    """Log page 0Eh: SCSI Commands Reference Manual, p366 table 346."""
    return _log(
        0x0E,
        {
            1: b"202601",
            2: b"      ",
            3: (50_000).to_bytes(4, "big"),
            4: counts["stops"].to_bytes(4, "big"),
            5: (600_000).to_bytes(4, "big"),
            6: counts["load_cycles"].to_bytes(4, "big"),
        },
    )


def transitions(counts: Mapping[str, int]) -> bytes:
    """Log page 1Ah: to active (0001h) and to standby_z (0008h); SCSI Commands Reference Manual,
    p351."""
    values = {1: counts["start_stops"], 8: counts["stops"]}
    return _log(0x1A, {code: count.to_bytes(4, "big") for code, count in values.items()})


def _log(page: int, parameters: Mapping[int, bytes]) -> bytes:
    """SPC-4 7.3.2, from memory: a parameter is code (2 bytes), control (03h: binary list), length,
    value."""
    body = b"".join(
        struct.pack(">HBB", code, 0x03, len(value)) + value for code, value in parameters.items()
    )
    return struct.pack(">BBH", page, 0, len(body)) + body


def power_conditions(standby_s: float) -> bytes:
    """MODE SENSE (10), page 1Ah of length 26h; Ultrastar C15K600 specification, p188.

    The standby_z timer is enabled by byte 3 bit 0 and counts 100 ms in bytes 8 to 11.
    """
    page = bytearray(40)
    page[0], page[1], page[3] = 0x1A, 0x26, int(standby_s > 0)
    page[8:12] = round(standby_s * 10).to_bytes(4, "big")
    return struct.pack(">H6x", 6 + len(page)) + page
