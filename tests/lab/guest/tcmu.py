"""Carries SCSI commands between the kernel and a drive in user space (runs in the guest).

The kernel's target core hands each command to a ring in shared memory (target_core_user), and its
loopback fabric (tcm_loop) shows the drive as an ordinary SCSI disk. Offsets are those of Linux 6.1
include/uapi/linux/target_core_user.h, 64-bit little-endian.
"""

from __future__ import annotations

import mmap
import os
import struct
import time
from collections.abc import Callable
from pathlib import Path

TARGETS = Path("/sys/kernel/config/target")

# struct tcmu_mailbox
RING_OFFSET, RING_SIZE, HEAD, TAIL = 4, 8, 12, 64
# struct tcmu_cmd_entry: request and, in the same place, response
LENGTH_AND_OPERATION, USER_FLAGS, VECTORS, CDB_OFFSET, FIRST_VECTOR = 0, 7, 8, 24, 48
RESPONSE, SENSE_BYTES = 8, 96
COMMAND, PAD = 1, 0  # operations, in the low three bits of the length
UNKNOWN_OPERATION = 0x1

# By group code, the top three bits of the operation code; SPC-4, from memory.
CDB_LENGTH = (6, 10, 10, 16, 16, 12, 16, 16)

Handler = Callable[[bytes, bytes], tuple[int, bytes, bytes]]
"""(CDB, data sent) -> (SCSI status, data returned, sense)."""


class Backend:
    """One drive's place in the target core. `attach` and `detach` plug it in and pull it out."""

    def __init__(self, name: str, number: int, size_bytes: int) -> None:
        self._device = TARGETS / "core" / f"user_{number}" / name
        self._device.mkdir(parents=True)
        _write(
            self._device / "control",
            f"dev_size={size_bytes},hw_block_size=512,max_sectors=128,nl_reply_supported=-1,"
            f"dev_config=lab/{name}",
        )
        # A drive that hangs must hang as long as it likes: no time limit of the ring's own.
        _write(self._device / "attrib" / "cmd_time_out", "0")
        _write(self._device / "enable", "1")
        self._uio = _wait_for(f"lab/{name}")
        self._file = os.open(f"/dev/{self._uio.name}", os.O_RDWR)
        size = int((self._uio / "maps/map0/size").read_text(), 16)
        self._ring = mmap.mmap(self._file, size)
        group = TARGETS / "loopback" / f"naa.602a5b{number:010x}" / "tpgt_1"
        group.mkdir(parents=True)
        _write(group / "nexus", f"naa.602a5b{number + (1 << 32):010x}")
        self._unit = group / "lun" / "lun_0"
        self._unit.mkdir(parents=True)

    def attach(self) -> None:
        """Plug the drive in: the kernel adds a disk."""
        (self._unit / "drive").symlink_to(self._device)

    def detach(self) -> None:
        """Pull the drive out: the kernel removes its disk."""
        (self._unit / "drive").unlink()

    def serve(self, handle: Handler) -> None:
        """Answer commands, one at a time as ATA without queuing does, for ever."""
        while True:
            os.read(self._file, 4)
            while self._one(handle):
                os.write(self._file, bytes(4))

    def _one(self, handle: Handler) -> bool:
        """Take one entry off the ring; False when it is empty."""
        ring = self._ring
        start, size = struct.unpack_from("<II", ring, RING_OFFSET)
        (head,), (tail,) = (struct.unpack_from("<I", ring, at) for at in (HEAD, TAIL))
        if head == tail:
            return False
        entry = start + tail
        (word,) = struct.unpack_from("<I", ring, entry + LENGTH_AND_OPERATION)
        length, operation = word & ~7, word & 7
        if operation == COMMAND:
            self._command(entry, handle)
        elif operation != PAD:
            ring[entry + USER_FLAGS] = UNKNOWN_OPERATION
        struct.pack_into("<I", ring, TAIL, (tail + length) % size)
        return True

    def _command(self, entry: int, handle: Handler) -> None:
        ring = self._ring
        (vectors,) = struct.unpack_from("<I", ring, entry + VECTORS)
        (at,) = struct.unpack_from("<Q", ring, entry + CDB_OFFSET)
        cdb = bytes(ring[at : at + CDB_LENGTH[ring[at] >> 5]])
        parts = [
            struct.unpack_from("<QQ", ring, entry + FIRST_VECTOR + 16 * number)
            for number in range(vectors)
        ]
        writes = cdb[0] in (0x0A, 0x2A, 0x8A)
        out = b"".join(ring[base : base + length] for base, length in parts) if writes else b""
        status, data, sense = handle(cdb, out)
        if not writes:
            used = 0
            for base, length in parts:
                ring[base : base + length] = data[used : used + length].ljust(length, b"\0")
                used += length
        response = struct.pack("<BxHI", status, 0, 0) + sense[:SENSE_BYTES].ljust(
            SENSE_BYTES, b"\0"
        )
        ring[entry + RESPONSE : entry + RESPONSE + len(response)] = response


def _wait_for(configuration: str) -> Path:
    """The ring's device in sysfs, once udev has made its node."""
    for _ in range(200):
        for uio in Path("/sys/class/uio").glob("uio*"):
            named = (uio / "name").read_text().strip()
            if named.endswith(f"/{configuration}") and Path("/dev", uio.name).exists():
                return uio
        time.sleep(0.05)
    raise TimeoutError(f"no ring for {configuration}")


def _write(path: Path, text: str) -> None:
    path.write_text(text)
