"""The prober: the one process that talks to drives.

It is a child of the exporter (`python -m spinledger.device.prober FD`, where FD is an inherited
SOCK_SEQPACKET socket), or a service of its own that systemd starts with a listening one. It loads
the table of commands, the messages and this file, and is the only part that needs privileges.

Rules of this module:
- A message names a disk, its sequence number and a row of the closed table, never bytes. The
  messages are in `messages` and, as a table, in DEVELOPERS.md.
- What wakes disks is traced beside that (`device.wakes`), where the kernel allows it; tracing sends
  nothing to a drive. Its messages go to the client that last said which disks are in standby.
- A listening prober takes clients of its own user, of root and of its own group (SO_PEERCRED).
- A disk's node is opened read-only and non-blocking, and stays open: the kernel sends a disk with
  the removable bit TEST UNIT READY at each open, and closing a writable descriptor makes udev read
  the disk. A node that is no block device, or is another disk now, is refused.
- A disk that the kernel has stopped since it was sampled is sent nothing: a command resumes it.
- One thread a disk, one outstanding command a disk, whichever client sent it and whether that
  client is still there: a drive that hangs delays no other.
- The command's own timeout never serves a deadline: when it runs out the kernel aborts the command
  and resets the link, which can fail a neighbour's I/O. The exporter's side judges what is late.
- The end of an inherited socket ends the process at once, even while a thread waits in an ioctl.
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
from typing import NamedTuple

from spinledger.codec.commands import TABLE, CommandRow
from spinledger.device import notify
from spinledger.device.messages import (
    REQUEST_SIZE,
    Hello,
    NotAMessage,
    node_name,
    number,
)
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
_MOST_CLIENTS = 8
_STACK_SIZE = 256 * 1024
_CREDENTIALS = struct.Struct("3i")  # struct ucred: process, user, group
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


class _Order(NamedTuple):
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
        self._commands: queue.SimpleQueue[_Order | None] = queue.SimpleQueue()
        threading.Thread(target=self._run, name=node, daemon=True).start()

    def take(self, order: _Order) -> bool:
        """Hand a command to the disk's thread; False while another is outstanding."""
        if self._taken != self._finished:
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

    def _answer(self, order: _Order) -> str:
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


class Server:
    """Takes messages from every client, and hands commands to the workers.

    `listening` is systemd's socket; without it the process ends with its one client.
    """

    def __init__(
        self, listening: socket.socket | None = None, dev: str = "/dev", sysfs: str = "/sys"
    ) -> None:
        self._listening = listening
        self._dev = dev
        self._sysfs = sysfs
        self._clients: dict[int, socket.socket] = {}
        self._workers: dict[str, Worker] = {}
        self._tracing = Session(root=sysfs)
        self._traced_for: socket.socket | None = None
        self._stopping = False
        self._stop = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
        self._poll = select.poll()
        self._poll.register(self._stop, select.POLLIN)
        if self._tracing.fileno() >= 0:
            self._poll.register(self._tracing.fileno(), select.POLLIN)
        if listening is not None:
            listening.setblocking(False)
            self._poll.register(listening, select.POLLIN)

    def add(self, client: socket.socket) -> None:
        """Greet a client and listen to it from now on."""
        self._clients[client.fileno()] = client
        self._poll.register(client, select.POLLIN)
        self._say(client, abilities(self._dev, not self._tracing.untraced).encode())

    def run(self) -> None:
        """Serve until the one client has ended; for good with a listening socket."""
        watchdog_ns = notify.watchdog_ns()
        wait_ms = min(INTERVAL_S * 1000, watchdog_ns / 2_000_000 or INTERVAL_S * 1000)
        notify.notify("READY=1")
        while not self._stopping and (self._clients or self._listening is not None):
            ready = self._poll.poll(wait_ms)
            for descriptor, _ in ready:
                if client := self._clients.get(descriptor):
                    self._take(client)
                elif self._listening and descriptor == self._listening.fileno():
                    self._accept()
            if not ready or any(one == self._tracing.fileno() for one, _ in ready):
                self._report(self._tracing.due())
            if watchdog_ns:
                notify.notify("WATCHDOG=1")

    def stop(self) -> None:
        """End `run`, also from the handler of a signal."""
        self._stopping = True
        os.eventfd_write(self._stop, 1)

    def close(self) -> None:
        """End the tracing."""
        self._tracing.close()
        os.close(self._stop)

    def _report(self, messages: list[str]) -> None:
        """Say what was traced to the client that wants it."""
        for message in messages:
            if self._traced_for is not None:
                self._say(self._traced_for, message)

    def _accept(self) -> None:
        assert self._listening is not None
        with contextlib.suppress(OSError):  # it has gone again
            client, _ = self._listening.accept()
            if len(self._clients) < _MOST_CLIENTS and permitted(client):
                self.add(client)
            else:
                client.close()

    def _take(self, client: socket.socket) -> None:
        try:
            message = client.recv(REQUEST_SIZE + 1, socket.MSG_DONTWAIT)
        except BlockingIOError:
            return
        except OSError:
            message = b""
        if not message:
            self._end(client)
        elif refusal := self._handle(client, message):
            self._say(client, refusal)

    def _handle(self, client: socket.socket, message: bytes) -> str:
        """Do what a message says; the refusal, or nothing."""
        numbered = 0
        try:
            if len(message) > REQUEST_SIZE:
                raise NotAMessage("too long")
            match message.decode("ascii").split(" "):
                case ["probe", number_word, node_word, diskseq_word, command_word]:
                    numbered = number(number_word)
                    node, diskseq = node_name(node_word), number(diskseq_word)
                    order = _Order(client, numbered, diskseq, Command(command_word))
                    if node not in self._workers:
                        self._workers[node] = Worker(node, self._dev, self._sysfs)
                    if not self._workers[node].take(order):
                        return refused(numbered, Refusal(Reason.WITHHELD, "a command is under way"))
                case ["forget", node_word]:
                    if worker := self._workers.pop(node_name(node_word), None):
                        worker.forget()
                case ["standby", *node_words]:
                    self._traced_for = client
                    self._report(self._tracing.standby({node_name(one) for one in node_words}))
                case _:
                    raise NotAMessage("not a message")
        except ValueError as error:  # of Command and decode, too
            return refused(numbered, Refusal(Reason.MALFORMED, str(error)))
        return ""

    def _say(self, client: socket.socket, message: str) -> None:
        """Send at once, or let a client go that does not read."""
        try:
            client.send(message.encode("ascii", "replace"), socket.MSG_DONTWAIT)
        except OSError:
            self._end(client)

    def _end(self, client: socket.socket) -> None:
        """Let a client go. A worker that still has its command keeps the socket from closing, so
        that no other client gets its number."""
        if self._clients.pop(client.fileno(), None):
            self._poll.unregister(client)
            if self._traced_for is client:
                self._traced_for = None
                self._tracing.standby(())
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)


def permitted(client: socket.socket) -> bool:
    """Whether the process that connected is of our user, of root or of our group (unix(7))."""
    raw = client.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    _, user, group = _CREDENTIALS.unpack(raw)
    return user in (0, os.geteuid()) or group == os.getegid()


def abilities(dev: str = "/dev", tracing: bool = False, status: str = "/proc/self/status") -> Hello:
    """What this process may do. Opens no device."""
    capabilities = 0
    with contextlib.suppress(OSError), open(status, encoding="ascii") as file:
        words = (line.split() for line in file)
        capabilities = next((int(word[1], 16) for word in words if word[0] == "CapEff:"), 0)
    nodes = set()
    with contextlib.suppress(OSError):
        for name in os.listdir(dev):
            with contextlib.suppress(NotAMessage):
                if os.access(f"{dev}/{node_name(name)}", os.R_OK):
                    nodes.add(name)
    return Hello(os.getpid(), capabilities, tracing, frozenset(nodes))


def main(inherited: int | None = None) -> None:
    """Serve the inherited socket, or systemd's, then end the process at once."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to handle
    threading.stack_size(_STACK_SIZE)
    code = 1
    try:
        listening = notify.inherited_socket() if inherited is None else None
        if listening is None and inherited is None:
            sys.stderr.write("the prober is started by the exporter or by its .socket unit\n")
            code = 2
            return
        server = Server(listening)
        signal.signal(signal.SIGTERM, lambda *_: server.stop())
        if inherited is not None:
            server.add(socket.socket(fileno=inherited))
        server.run()
        server.close()
        code = 0
    finally:
        if code == 1:
            sys.excepthook(*sys.exc_info())
        os._exit(code)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else None)
