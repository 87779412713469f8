"""The prober: the one process that talks to drives.

Run as `python -m spinledger.device.prober FD`, where FD is an inherited SOCK_SEQPACKET socket.
It loads the table of commands and this file, and is meant to be the only part with privileges.

Rules of this module:
- A message names a disk, its sequence number and a row of the closed table, never bytes:
      probe NUMBER NODE DISKSEQ COMMAND       one command; DISKSEQ 0: not known
      forget NODE                             close the disk's descriptor after what is outstanding
  and the reply to a `probe` is one of
      done NUMBER STATUS HOST DRIVER ELAPSED_NS SENSE DATA     the last two in hex, `-` for none
      refused NUMBER REASON SENT DETAIL       SENT is 1 if the drive may have got the command
- What wakes disks is traced beside that (`device.wakes`, with its messages `standby`, `woken`,
  `lost` and `untraced`), where the kernel allows it; tracing sends nothing to a drive.
- A disk's node is opened read-only and non-blocking, and stays open: the kernel sends a disk with
  the removable bit TEST UNIT READY at each open, and closing a writable descriptor makes udev read
  the disk. A node that is no block device, or is another disk now, is refused.
- A disk that the kernel has stopped since it was sampled is sent nothing: a command resumes it.
- One thread a disk, one outstanding command a disk: a drive that hangs delays no other.
- The command's own timeout never serves a deadline: when it runs out the kernel aborts the command
  and resets the link, which can fail a neighbour's I/O. The exporter's side judges what is late.
- The end of the socket ends the process at once, even while a thread waits in an ioctl.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import queue
import select
import signal
import socket
import stat
import struct
import sys
import threading
import time
from array import array

from spinledger.codec.commands import TABLE, CommandRow
from spinledger.device.wakes import INTERVAL_S, Session
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
_MESSAGE_SIZE = 4096
_STACK_SIZE = 256 * 1024
_LETTERS = frozenset("abcdefghijklmnopqrstuvwxyz")
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


class Worker:
    """One disk: its thread, its descriptor, and the commands on their way to it."""

    def __init__(self, node: str, channel: int, dev: str, sysfs: str) -> None:
        self._node = node
        self._channel = channel
        self._dev = dev
        self._sysfs = sysfs
        self._descriptor = -1
        self._diskseq = 0
        self._taken = 0  # written by the thread that reads the socket
        self._finished = 0  # written by the disk's thread: no lock is needed
        self._commands: queue.SimpleQueue[tuple[int, int, Command] | None] = queue.SimpleQueue()
        threading.Thread(target=self._run, name=node, daemon=True).start()

    def take(self, number: int, diskseq: int, command: Command) -> bool:
        """Hand a command to the disk's thread; False while another is outstanding."""
        if self._taken != self._finished:
            return False
        self._taken += 1
        self._commands.put((number, diskseq, command))
        return True

    def forget(self) -> None:
        """Close the descriptor and end the thread, once nothing is outstanding."""
        self._commands.put(None)

    def _run(self) -> None:
        while (command := self._commands.get()) is not None:
            answer = self._answer(*command)
            self._finished += 1
            with contextlib.suppress(OSError):  # the exporter has ended
                os.write(self._channel, answer.encode("ascii", "replace"))
        self._close()

    def _answer(self, number: int, diskseq: int, command: Command) -> str:
        try:
            self._withhold()
            return f"done {number} {probe(self._open(diskseq), TABLE[command])}"
        except OSError as error:
            refusal = _refusal(error)
        except Refusal as caught:
            refusal = caught
        if refusal.reason is Reason.GONE:
            self._close()
        return refused(number, refusal)

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


def node_name(word: str) -> str:
    """A whole disk's kernel name: `sd` and letters. ValueError for anything else."""
    if not (word.startswith("sd") and 3 <= len(word) <= 8 and _LETTERS.issuperset(word)):
        raise ValueError("not the name of a whole disk")
    return word


def serve(channel: int, dev: str = "/dev", sysfs: str = "/sys") -> None:
    """Take messages from the socket `channel` until the other side closes it.

    read(2) and write(2) keep the messages of a SOCK_SEQPACKET socket apart.
    """
    workers: dict[str, Worker] = {}
    tracing = Session(root=sysfs)
    waiting = select.poll()
    waiting.register(channel, select.POLLIN)
    if tracing.fileno() >= 0:
        waiting.register(tracing.fileno(), select.POLLIN)
    try:
        while True:
            ready = dict(waiting.poll(INTERVAL_S * 1000))
            if channel not in ready:
                messages = tracing.due()
            elif message := os.read(channel, _MESSAGE_SIZE):
                messages = obey(message, workers, tracing, (channel, dev, sysfs))
            else:
                return
            for text in messages:
                _say(channel, text)
    finally:
        tracing.close()


def obey(
    message: bytes, workers: dict[str, Worker], tracing: Session, worker: tuple[int, str, str]
) -> list[str]:
    """Do what one message says; replies that are due at once."""
    number = 0
    try:
        match message.decode("ascii").split(" "):
            case ["probe", number_word, node_word, diskseq_word, command_word]:
                number = int(number_word)
                node, diskseq = node_name(node_word), int(diskseq_word)
                command = Command(command_word)
                if node not in workers:
                    workers[node] = Worker(node, *worker)
                if not workers[node].take(number, diskseq, command):
                    raise ValueError("a command to this disk is outstanding")
            case ["forget", node_word]:
                if found := workers.pop(node_name(node_word), None):
                    found.forget()
            case ["standby", *node_words]:
                return tracing.standby({node_name(word) for word in node_words})
            case _:
                raise ValueError("not a message")
    except ValueError as error:  # of int, Command, node_name and decode, too
        return [refused(number, Refusal(Reason.MALFORMED, str(error)))]
    return []


def _say(channel: int, text: str) -> None:
    os.write(channel, text.encode("ascii", "replace"))


def main(channel: int) -> None:
    """Serve the inherited socket, then end the process at once."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to handle
    signal.signal(signal.SIGTERM, lambda *_: _hang_up(channel))
    threading.stack_size(_STACK_SIZE)
    try:
        with contextlib.suppress(OSError):  # the other side ended before the reply
            serve(channel)
    finally:
        os._exit(0)


def _hang_up(channel: int) -> None:
    """Let the socket seem ended: what is traced is undone first, also if this comes twice."""
    with contextlib.suppress(OSError), socket.socket(fileno=os.dup(channel)) as end:
        end.shutdown(socket.SHUT_RD)


if __name__ == "__main__":
    main(int(sys.argv[1]))
