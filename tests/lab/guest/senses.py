"""Sense data as the emulated drive returns it."""

from __future__ import annotations


def registers(
    key: int, count: int = 0, mid: int = 0, high: int = 0, status: int = 0x50, error: int = 0
) -> bytes:
    """Descriptor sense with an ATA status return (Linux 6.12 drivers/ata/libata-scsi.c:241-316).

    The code is 00/1D after success and 00/00 after an error, as libata gives it.
    """
    descriptor = bytes([0x09, 0x0C, 0, error, 0, count, 0, 0, 0, mid, 0, high, 0, status])
    code = 0x00 if error else 0x1D
    return bytes([0x72, key, 0x00, code, 0, 0, 0, len(descriptor)]) + descriptor


def fixed_sense(key: int, asc: int, ascq: int) -> bytes:
    """Fixed format sense data, current error (SPC-4, from memory)."""
    return bytes([0x70, 0, key, 0, 0, 0, 0, 10, 0, 0, 0, 0, asc, ascq, 0, 0, 0, 0])
