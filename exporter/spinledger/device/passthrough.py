"""The commands of one disk: the only code that sends anything to a drive.

Rules of this module:
- What is sent is a row of the closed table (`codec.commands`), named by its key, never bytes.
- A disk's node is opened read-only and non-blocking, and stays open: the kernel sends a disk with
  the removable bit TEST UNIT READY at each open, and closing a writable descriptor makes udev read
  the disk. A node that is no block device, or is another disk now, is refused.
- A disk that the kernel has stopped since it was sampled is sent nothing: a command resumes it.
- One thread a disk, one outstanding command a disk, whichever client sent it and whether that
  client is still there: a drive that hangs delays no other.
- The command's own timeout never serves a deadline: when it runs out the kernel aborts the command
  and resets the link, which can fail a neighbour's I/O. The exporter's side judges what is late.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import queue
import socket
import stat
import struct
import threading
import time
from array import array
from typing import NamedTuple

from spinledger.codec.commands import TABLE, CommandRow
from spinledger.model import Command, Reason

TIMEOUT_MS = 60_000  # of one command, in the kernel
SG_IO = 0x2285  # include/scsi/sg.h
# struct sg_io_hdr, include/scsi/sg.h; the last item only pads it to the alignment of a pointer
_HEADER = struct.Struct("@iiBBHIPPPIIiPBBBBHHiII0P")
_INTERFACE = ord("S")
_NO_DATA, _FROM_DEVICE = -1, -3  # SG_DXFER_NONE, SG_DXFER_FROM_DEV
_SENSE_SIZE = 252  # sense data has at most 252 bytes: SPC-4 4.5.1, from memory
_OPEN_FLAGS = os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOFOLLOW
_LONGEST_JIFFY_NS = 10_000_000  # CONFIG_HZ is 100 at least
_STOPPED = {b"suspended", b"suspending"}  # Documentation/ABI/testing/sysfs-devices-power
_PERMISSION = {errno.EPERM, errno.EACCES}
_GONE = {errno.ENODEV, errno.ENXIO, errno.ENOENT}
# SG_IO reports what happened to a command in its header and fails by errno before it is queued
# (Linux 6.12, drivers/scsi/scsi_ioctl.c sg_io). These two may also come after.
_MAYBE_SENT = {errno.EIO, errno.EFAULT}


class Refusal(Exception):
    """This command is not sent, or the kernel did not take it."""

    def __init__(self, reason: Reason, detail: str, sent: bool = False) -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail
        self.sent = sent


class Order(NamedTuple):
    """One command, and who is to have its answer."""

    channel: socket.socket
    number: int
    diskseq: int
    command: Command


class Worker:
    """One disk: its thread, its descriptor, and the commands on their way to it."""

    def __init__(self, node: str, dev: str, sysfs: str) -> None:
        self._node = node
        self._dev = dev
        self._sysfs = sysfs
        self._descriptor = -1
        self._diskseq = 0
        self._taken = 0  # written by the thread that reads the socket
        self._finished = 0  # written by the disk's thread: no lock is needed
        self._commands: queue.SimpleQueue[Order | None] = queue.SimpleQueue()
        threading.Thread(target=self._run, name=node, daemon=True).start()

    @property
    def busy(self) -> bool:
        """Whether a command is outstanding."""
        return self._taken != self._finished

    def take(self, order: Order) -> bool:
        """Hand a command to the disk's thread; False while another is outstanding."""
        if self.busy:
            return False
        self._taken += 1
        self._commands.put(order)
        return True

    def forget(self) -> None:
        """Close the descriptor and end the thread, once nothing is outstanding."""
        self._commands.put(None)

    def _run(self) -> None:
        while (order := self._commands.get()) is not None:
            answer = self._answer(order)
            self._finished += 1
            with contextlib.suppress(OSError):  # that client has ended
                order.channel.send(answer.encode("ascii", "replace"))
            del order  # the last reference to a client that has ended closes its socket
        self._close()

    def _answer(self, order: Order) -> str:
        try:
            self._withhold()
            return f"done {order.number} {probe(self._open(order.diskseq), TABLE[order.command])}"
        except OSError as error:
            refusal = _refusal(error)
        except Refusal as caught:
            refusal = caught
        if refusal.reason is Reason.GONE:
            self._close()
        return refused(order.number, refusal)

    def _withhold(self) -> None:
        """Refuse when the kernel has stopped the disk since its sample: a command resumes it."""
        try:
            with open(
                f"{self._sysfs}/block/{self._node}/device/power/runtime_status", "rb"
            ) as file:
                status = file.read().strip()
        except FileNotFoundError:  # the kernel has no runtime power management
            return
        if status in _STOPPED:
            raise Refusal(Reason.WITHHELD, "the kernel has stopped it")

    def _open(self, diskseq: int) -> int:
        """The disk's descriptor, opened when there is none yet for this very disk."""
        if self._descriptor >= 0 and self._diskseq == diskseq:
            return self._descriptor
        self._close()
        path = f"{self._dev}/{self._node}"
        if not stat.S_ISBLK(os.lstat(path).st_mode):
            raise Refusal(Reason.GONE, f"{path} is not a block device")
        self._descriptor = os.open(path, _OPEN_FLAGS)
        if diskseq and self._diskseq_now() != b"%d" % diskseq:
            raise Refusal(Reason.GONE, f"{self._node} is another disk now")
        self._diskseq = diskseq
        return self._descriptor

    def _diskseq_now(self) -> bytes:
        with open(f"{self._sysfs}/block/{self._node}/diskseq", "rb") as file:
            return file.read().strip()

    def _close(self) -> None:
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


def probe(descriptor: int, row: CommandRow) -> str:
    """Send one command; the completion as the tail of a `done` message.

    The time is our own measurement, but at most one timer tick above the kernel's: so a pause of
    this process is not taken for a slow drive, and a quick answer is not rounded to nothing.
    """
    cdb = array("B", row.cdb)
    sense = array("B", bytes(_SENSE_SIZE))
    data = array("B", bytes(row.data_in or 1))
    header = bytearray(
        _HEADER.pack(
            _INTERFACE,
            _FROM_DEVICE if row.data_in else _NO_DATA,
            len(cdb),
            len(sense),
            0,  # iovec_count
            row.data_in,
            data.buffer_info()[0] if row.data_in else 0,
            cdb.buffer_info()[0],
            sense.buffer_info()[0],
            TIMEOUT_MS,
            *bytes(12),  # flags, pack_id, usr_ptr; then what the kernel fills in
        )
    )
    began = time.monotonic_ns()
    # At most 1024 bytes: Python copies the header and waits without holding its lock.
    fcntl.ioctl(descriptor, SG_IO, header, True)
    measured_ns = time.monotonic_ns() - began
    fields = _HEADER.unpack(header)
    status, _, _, sense_size, host, driver, residual, duration_ms, _ = fields[13:]
    elapsed_ns = min(measured_ns, duration_ms * 1_000_000 + _LONGEST_JIFFY_NS)
    answered = sense.tobytes()[:sense_size].hex() or "-"
    returned = data.tobytes()[: max(0, row.data_in - residual)].hex() or "-"
    return f"{status} {host} {driver} {elapsed_ns} {answered} {returned}"


def refused(number: int, refusal: Refusal) -> str:
    """A `refused` message."""
    return f"refused {number} {refusal.reason} {int(refusal.sent)} {refusal.detail}"


def _refusal(error: OSError) -> Refusal:
    """The refusal that an errno means."""
    code = error.errno or 0
    if code in _PERMISSION:
        return Refusal(Reason.PERMISSION, str(error))
    if code in _GONE:
        return Refusal(Reason.GONE, str(error))
    return Refusal(Reason.HOST_ERROR, str(error), sent=code in _MAYBE_SENT)
