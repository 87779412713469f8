"""What a mocked drive sends, in bytes; written apart from the program's own codec.

Layouts, from memory but for what is cited: ACS-3 IDENTIFY DEVICE (text fields: MB500M technical
reference, p27), SAT-3 ATA Information VPD page, SPC-4 device identification and unit serial number
pages, SBC-3 block device characteristics page.
"""

from __future__ import annotations

import struct

MODEL = "LAB HDD 5400"


def _swapped(text: str, size: int) -> bytes:
    """Text of IDENTIFY data: two bytes of each word exchanged."""
    raw = text.encode("ascii").ljust(size)
    return b"".join(raw[at + 1 : at + 2] + raw[at : at + 1] for at in range(0, size, 2))


def identify(serial: str, wwn: str, rotation: int = 5400, apm: int = 128) -> bytes:
    """512 bytes of IDENTIFY DEVICE data, words in little-endian order."""
    words = [0] * 256
    words[49] = 0x2F00  # bit 13: standard timer values
    words[82], words[83], words[84] = 0x0008, 0x4008, 0x4000  # power management, APM
    words[85], words[86], words[87] = 0x0008, 0x0008, 0x4100  # APM enabled, world-wide name
    words[91] = apm
    words[108:112] = struct.unpack(">4H", int(wwn, 16).to_bytes(8, "big"))
    words[217] = rotation
    data = bytearray(struct.pack("<256H", *words))
    data[20:40], data[46:54], data[54:94] = (
        _swapped(serial, 20),
        _swapped("LAB1", 8),
        _swapped(MODEL, 40),
    )
    return bytes(data)


def vpd89(data: bytes) -> bytes:
    """The ATA Information VPD page: IDENTIFY data from byte 60."""
    head = bytes([0, 0x89, 0x02, 0x38, 0, 0, 0, 0])
    return head + b"LAB     " + b"MOCKED SAT      " + b"1   " + bytes(20) + b"\xec\0\0\0" + data


def ata_return(count: int, status: int = 0x50, lba: int = 0) -> bytes:
    """Sense data with an ATA status return. The published example for CK_COND (Linux commit "Set
    proper SK when CK_COND is set") with another count."""
    head = bytes([0x72, 0x01, 0x00, 0x1D, 0, 0, 0, 0x0E])
    low, middle, high = lba.to_bytes(3, "little")
    return head + bytes([0x09, 0x0C, 0, 0, 0, count, 0, low, 0, middle, 0, high, 0, status])


def smart(raws: dict[int, int]) -> bytes:
    """512 bytes of SMART data with raw values by attribute (Travelstar 5K320 specification, p151;
    the places outside the entry from memory)."""
    data = bytearray(512)
    data[0] = 0x10
    for place, (number, raw) in enumerate(raws.items()):
        entry = struct.pack("<BHBB", number, 0x32, 100, 100) + raw.to_bytes(7, "little")
        data[2 + 12 * place : 14 + 12 * place] = entry
    data[511] = -sum(data) & 0xFF
    return bytes(data)


def vpd80(serial: str) -> bytes:
    """The unit serial number page."""
    return bytes([0, 0x80, 0, len(serial)]) + serial.encode("ascii")


def vpd83(wwn: str, port_wwn: str = "0x5000000000000001") -> bytes:
    """The device identification page: the port's name first, then the logical unit's (NAA)."""
    port = bytes([0x61, 0x93, 0, 8]) + bytes.fromhex(port_wwn[2:])
    unit = bytes([0x01, 0x03, 0, len(wwn) // 2 - 1]) + bytes.fromhex(wwn[2:])
    return bytes([0, 0x83, 0, len(port + unit)]) + port + unit


def vpdb1(rate: int) -> bytes:
    """The block device characteristics page with a MEDIUM ROTATION RATE."""
    return bytes([0, 0xB1, 0, 0x3C]) + rate.to_bytes(2, "big") + bytes(58)
