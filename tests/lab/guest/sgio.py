"""Sends single SCSI commands to a disk through SG_IO, as "another program" would (in the guest).

Opens the node read-only and non-blocking. By hand:

    python3 -m tests.lab.guest.sgio /dev/sda check-power-mode
    python3 -m tests.lab.guest.sgio /dev/sda 85 06 20 00 00 00 00 00 00 00 00 00 00 00 E5 00

Prints JSON: status, host, driver, sense and data in hexadecimal, seconds.
The structure is `sg_io_hdr` of Linux include/scsi/sg.h.
"""

from __future__ import annotations

import ctypes
import fcntl
import json
import os
import sys
import time
from dataclasses import asdict, dataclass

SG_IO = 0x2285
NO_DATA, FROM_DEVICE = -1, -3


class Header(ctypes.Structure):
    """sg_io_hdr."""

    _fields_ = (
        ("interface_id", ctypes.c_int),
        ("dxfer_direction", ctypes.c_int),
        ("cmd_len", ctypes.c_ubyte),
        ("mx_sb_len", ctypes.c_ubyte),
        ("iovec_count", ctypes.c_ushort),
        ("dxfer_len", ctypes.c_uint),
        ("dxferp", ctypes.c_void_p),
        ("cmdp", ctypes.c_void_p),
        ("sbp", ctypes.c_void_p),
        ("timeout", ctypes.c_uint),  # milliseconds
        ("flags", ctypes.c_uint),
        ("pack_id", ctypes.c_int),
        ("usr_ptr", ctypes.c_void_p),
        ("status", ctypes.c_ubyte),
        ("masked_status", ctypes.c_ubyte),
        ("msg_status", ctypes.c_ubyte),
        ("sb_len_wr", ctypes.c_ubyte),
        ("host_status", ctypes.c_ushort),
        ("driver_status", ctypes.c_ushort),
        ("resid", ctypes.c_int),
        ("duration", ctypes.c_uint),
        ("info", ctypes.c_uint),
    )


@dataclass(frozen=True, slots=True)
class Completion:
    """What came back; `sense` and `data` in hexadecimal, `seconds` as the caller waited."""

    status: int
    host: int
    driver: int
    sense: str
    data: str
    seconds: float


def ata(command: int, count: int = 0) -> bytes:
    """ATA PASS-THROUGH (16), protocol 3 (non-data), CK_COND set (Linux 6.12
    drivers/ata/libata-scsi.c:3240-3260)."""
    return bytes([0x85, 0x06, 0x20, 0, 0, 0, count, 0, 0, 0, 0, 0, 0, 0, command, 0])


# CDBs by name; the number is how many bytes the disk returns.
COMMANDS = {
    "check-power-mode": (ata(0xE5), 0),
    "check-power-mode-12": (bytes.fromhex("a10620000000000000e50000"), 0),
    "standby-immediate": (ata(0xE0), 0),
    "idle-immediate": (ata(0xE1), 0),
    "sleep": (ata(0xE6), 0),
    "request-sense": (bytes.fromhex("03000000fc00"), 252),
    "stop": (bytes.fromhex("1b0000000000"), 0),
    "start": (bytes.fromhex("1b0000000100"), 0),
    "standby": (bytes.fromhex("1b0000003000"), 0),  # POWER CONDITION 3h
    "test-unit-ready": (bytes(6), 0),
    "read": (bytes.fromhex("28000000000000000100"), 512),  # one block, past the page cache
}


def send(node: str, cdb: bytes, want: int = 0, timeout_s: float = 60.0) -> Completion:
    """Send one command; `want` is the number of bytes the disk returns."""
    command = ctypes.create_string_buffer(cdb, len(cdb))
    sense = ctypes.create_string_buffer(64)
    data = ctypes.create_string_buffer(max(want, 1))
    header = Header(
        interface_id=ord("S"),
        dxfer_direction=FROM_DEVICE if want else NO_DATA,
        cmd_len=len(cdb),
        mx_sb_len=len(sense),
        dxfer_len=want,
        dxferp=ctypes.addressof(data) if want else None,
        cmdp=ctypes.addressof(command),
        sbp=ctypes.addressof(sense),
        timeout=round(timeout_s * 1000),
    )
    descriptor = os.open(node, os.O_RDONLY | os.O_NONBLOCK)
    try:
        began = time.monotonic()
        fcntl.ioctl(descriptor, SG_IO, header)
        seconds = time.monotonic() - began
    finally:
        os.close(descriptor)
    return Completion(
        header.status,
        header.host_status,
        header.driver_status,
        sense.raw[: header.sb_len_wr].hex(),
        data.raw[: want - header.resid].hex() if want else "",
        seconds,
    )


def main(arguments: list[str]) -> None:
    """`NODE NAME` or `NODE HEX...`."""
    node, *rest = arguments
    cdb, want = COMMANDS[rest[0]] if rest[0] in COMMANDS else (bytes.fromhex("".join(rest)), 0)
    print(json.dumps(asdict(send(node, cdb, want))))


if __name__ == "__main__":
    main(sys.argv[1:])
