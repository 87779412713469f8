"""The exporter's side of the prober process: sends probes, decodes replies, restarts it.

Rules of this module:
- Nothing here blocks. One epoll descriptor stands for all that may become ready, whatever process
  runs at the moment.
- Nothing is sent before the prober's hello has come: until then probes wait here.
- When a prober ends, or says what is no message, its outstanding probes get the reply
  Refused(PROBER_DOWN). It is started, or connected to, again at once, then after 1 s, 2 s and so on
  up to 60 s while it keeps ending; one reply sets the pause back.
- A disk whose command was outstanding then is sent nothing until that process is gone: the kernel
  keeps a process until its commands have ended.
- Closing never waits for a drive: a prober in a hung ioctl cannot be killed, and is left behind.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

from spinledger.causes import CAUSES
from spinledger.codec.counters import reply_of
from spinledger.device.messages import (
    ANSWER_SIZE,
    Hello,
    NotAMessage,
    decode_hello,
    node_name,
    number,
    octets,
    printable,
)
from spinledger.device.prober import abilities
from spinledger.device.wakes import woken
from spinledger.errors import Misuse
from spinledger.model import (
    SECOND,
    Answered,
    Command,
    Completion,
    Disk,
    Probe,
    Reason,
    Refused,
    Reply,
    Woken,
)

_LONGEST_PAUSE_NS = 60 * SECOND
_CLOSING_SECONDS = 0.5
SOCKET = "/run/spinledger-prober.sock"
"""Where the prober's .socket unit listens."""
# Isolated (-I) and without site packages (-S), so that it starts small and from known places;
# our own package is then found by the path that is handed over, installed or not.
_PACKAGES = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
_LAUNCH = (
    "import sys; sys.path.append(sys.argv[1]);"
    "from spinledger.device.prober import main; main(int(sys.argv[2]))"
)
_ATA = (Command.CHECK_POWER_MODE_12, Command.CHECK_POWER_MODE_16)
_REASONS = frozenset(Reason)
_CREDENTIALS = struct.Struct("3i")  # struct ucred: process, user, group
_GREETING_SECONDS = 2.0
_CAP_SYS_RAWIO = 17  # include/uapi/linux/capability.h


class ProcessProber:
    """Sends probes through the prober process; implements ports.Prober and ports.WakeSource.

    `path` is the socket of a prober that systemd starts; without it the prober is a child.
    `keep` gets every completion as it came, before it is decoded.
    """

    def __init__(
        self, path: str = "", keep: Callable[[Probe, Completion], None] | None = None
    ) -> None:
        self._path = path
        self._keep = keep
        self.hello: Hello | None = None  # of the prober that is connected now
        self.trouble = ""  # why there is none, in words
        self.restarts = 0  # how often it was started or connected to again
        self._waiting: list[str] = []  # messages for after the hello
        self._ending: list[tuple[int, frozenset[str]]] = []  # processes, and the disks they hold
        self._pidfd = -1  # of the prober that is connected now
        self._asleep: dict[str, str] = {}  # identities of the disks in standby, by kernel name
        self._owners: dict[str, str] = {}  # likewise of all that were
        self._woken: list[Woken] = []
        self._lost: dict[str, int] = {}
        self._untraced = ""
        self._epoll = select.epoll()
        self._wake = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
        self._epoll.register(self._wake, select.EPOLLIN)
        self._ready: list[tuple[Probe, Refused, bool]] = []  # replies made here, and whether sent
        self._outstanding: dict[int, Probe] = {}
        self._busy: dict[str, int] = {}  # the outstanding probe of a disk
        self._ended: list[subprocess.Popen[bytes]] = []
        self._process: subprocess.Popen[bytes] | None = None
        self._socket: socket.socket | None = None
        self._pause_ns = 0
        self._start_ns = 0
        self._start()

    @property
    def pid(self) -> int:
        """The process now running; 0: none."""
        return self._process.pid if self._process else 0

    @property
    def up(self) -> bool:
        """Whether a prober is connected and has said what it may do."""
        return self.hello is not None

    def health(self) -> tuple[bool, int]:
        """Whether a prober is there or on its way, and how often one was started again."""
        return self._socket is not None, self.restarts

    def fileno(self) -> int:
        """Readable when replies are due; the same for as long as this object lives."""
        return self._epoll.fileno()

    def send(self, probe: Probe, disk: Disk) -> None:
        """Send one command to the disk's first path; returns at once.

        Raises Misuse while another command to this disk is outstanding.
        """
        if disk.identity in self._busy:
            raise Misuse(f"a command to {disk.identity} is outstanding")
        self._restart(probe.sent_ns)
        if disk.identity in self.held():
            ended = Refused(Reason.PROBER_DOWN, "the command of an earlier prober is under way")
            self._answer(probe, ended, sent=False)
            return
        message = f"probe {probe.number} {disk.kernel_name} {disk.diskseq} {probe.command}"
        if self._write(message):
            self._outstanding[probe.number] = probe
            self._busy[disk.identity] = probe.number
        else:
            self._answer(
                probe, Refused(Reason.PROBER_DOWN, "the prober is not running"), sent=False
            )

    def replies(self, at_ns: int) -> Iterable[Answered]:
        """Replies that have arrived, in their order."""
        answers = [
            Answered(probe, at_ns, reply, elapsed_ns, sent)
            for message in self._read(at_ns)
            for probe, reply, elapsed_ns, sent in self._taken(message)
        ]
        if self._ready:
            os.eventfd_read(self._wake)
            answers += [
                Answered(probe, at_ns, reply, 0, sent) for probe, reply, sent in self._ready
            ]
            self._ready.clear()
        self._restart(at_ns)
        return answers

    def forget(self, disk: Disk) -> None:
        """Close the disk's descriptors once nothing is outstanding.

        A reply still on its way is handed out; the disk may be probed again before.
        """
        self._busy.pop(disk.identity, None)
        for node in disk.nodes:
            self._write(f"forget {node}")

    def watch(self, disks: Mapping[str, Disk]) -> None:
        """The disks now in standby, by identity; replaces those of the last call."""
        self._asleep = {node: name for name, disk in disks.items() for node in disk.nodes}
        self._owners |= self._asleep
        if self.up:
            self._write(" ".join(["standby", *self._asleep]))

    def woken(self, at_ns: int) -> Iterable[Woken]:
        """What woke disks, of the messages that `replies` has read."""
        given, self._woken = self._woken, []
        return given

    def lost(self) -> Mapping[str, int]:
        """Events that the kernel had no room for, by identity."""
        return self._lost

    def untraced(self) -> str:
        """Why the kernel does not show what wakes disks; "": it does, or is not known yet."""
        return self._untraced

    def close(self) -> None:
        """End the process, waiting 0.5 s at most."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
        if self._process is not None:
            self._process.terminate()
            self._ended.append(self._process)
            self._process = None
            # A drive may hold it; then the kernel ends it when that drive answers.
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._ended[-1].wait(_CLOSING_SECONDS)
        for pidfd in (self._pidfd, *(pidfd for pidfd, _ in self._ending)):
            if pidfd >= 0:
                os.close(pidfd)
        self._epoll.close()
        os.close(self._wake)

    def greeted_within(self, seconds: float) -> bool:
        """Wait for the hello; for programs that run once."""
        deadline = time.monotonic() + seconds
        while not self.up and (left := deadline - time.monotonic()) > 0:
            select.select([self], [], [], left)
            if any(self.replies(0)):
                break
        return self.up

    def _start(self) -> None:
        try:
            self._socket = self._connected() if self._path else self._child()
        except OSError as error:
            self.trouble = f"the prober cannot be reached: {error.strerror or error}"
            return
        self._epoll.register(self._socket, select.EPOLLIN)

    def _connected(self) -> socket.socket:
        """The socket of the prober that systemd starts; its user is root, or ours."""
        ours = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        try:
            ours.setblocking(False)
            ours.connect(self._path)
            raw = ours.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
            user = _CREDENTIALS.unpack(raw)[1]
            if user not in (0, os.geteuid()):
                raise OSError(errno.EPERM, f"user {user} listens at {self._path}, not root")
        except OSError:
            ours.close()
            raise
        return ours

    def _child(self) -> socket.socket:
        """The socket of a child, started now."""
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            ours.setblocking(False)
            descriptor = theirs.fileno()
            try:
                self._process = subprocess.Popen(
                    [sys.executable, "-I", "-S", "-c", _LAUNCH, _PACKAGES, str(descriptor)],
                    stdin=subprocess.DEVNULL,
                    pass_fds=(descriptor,),
                    process_group=0,  # a Ctrl-C reaches this process, which then closes the other
                    env=os.environ | {"MALLOC_ARENA_MAX": "1"},
                )
            except OSError:
                ours.close()
                raise
        return ours

    def held(self) -> frozenset[str]:
        """The disks whose command an ended prober has not ended yet."""
        for pidfd, disks in self._ending[:]:
            if select.select([pidfd], [], [], 0)[0]:  # readable once all its threads are gone
                os.close(pidfd)
                self._ending.remove((pidfd, disks))
        return frozenset().union(*(disks for _, disks in self._ending))

    def _restart(self, at_ns: int) -> None:
        """Start the process again when it is down and its pause is over."""
        if self._socket is not None or at_ns < self._start_ns:
            return
        self._ended = [process for process in self._ended if process.poll() is None]
        self._pause_ns = min(max(2 * self._pause_ns, SECOND), _LONGEST_PAUSE_NS)
        self._start_ns = at_ns + self._pause_ns
        self.restarts += 1
        self._start()

    def _on_end(self) -> None:
        """The process ended: reply to its outstanding probes."""
        if self._socket is not None:
            self._epoll.unregister(self._socket)
            self._socket.close()
            self._socket = None
        if self._process is not None:
            self._ended.append(self._process)
            self._process = None
        sent = self.up
        if self._pidfd >= 0:
            if sent and self._busy:
                self._ending.append((self._pidfd, frozenset(self._busy)))
            else:
                os.close(self._pidfd)
            self._pidfd = -1
        for probe in self._outstanding.values():
            self._answer(probe, Refused(Reason.PROBER_DOWN, "the prober ended"), sent=sent)
        self.hello = None
        self.trouble = self.trouble or "the prober ended"
        self._waiting.clear()
        self._outstanding.clear()
        self._busy.clear()

    def _answer(self, probe: Probe, refused: Refused, sent: bool) -> None:
        if not self._ready:
            os.eventfd_write(self._wake, 1)
        self._ready.append((probe, refused, sent))

    def _write(self, message: str) -> bool:
        if self._socket is None:
            return False
        if not self.up:
            self._waiting.append(message)
            return True
        try:
            self._socket.send(message.encode("ascii"))
        except BlockingIOError:
            return False
        except OSError:
            self._on_end()
            return False
        return True

    def _read(self, at_ns: int) -> Iterable[str]:
        """The messages that have come, one after the other."""
        while self._socket is not None:
            try:
                message = self._socket.recv(ANSWER_SIZE)
            except BlockingIOError:
                break
            except OSError:
                message = b""
            if message:
                yield message.decode("ascii", "replace")
            else:
                self._on_end()

    def _taken(self, message: str) -> Iterable[tuple[Probe, Reply, int, bool]]:
        """What a message says; the end of the connection where it is none of this version."""
        try:
            return self._decode(message)
        except NotAMessage as error:
            self.trouble = f"the prober is not understood: {error}"
            self._on_end()
            return ()

    def _decode(self, message: str) -> list[tuple[Probe, Reply, int, bool]]:
        """The reply in one message: (probe, reply, elapsed, sent), or nothing."""
        if not self.up:
            self._greeted(decode_hello(message))
            return []
        match message.split(" "):
            case ["done", number_word, status, host, driver, elapsed, sense, data]:
                values = [number(one) for one in (status, host, driver, elapsed)]
                if values[0] > 255:
                    raise NotAMessage("a SCSI status has one byte")
                completion = Completion(
                    values[0], values[1], values[2], octets(sense), octets(data), values[3]
                )
                if probe := self._outstanding_probe(number(number_word)):
                    if self._keep:
                        self._keep(probe, completion)
                    return [(probe, reply_of(probe.command, completion), values[3], True)]
            case ["refused", number_word, reason, ("0" | "1") as sent, *detail] if (
                reason in _REASONS
            ):
                refused = Refused(Reason(reason), printable(" ".join(detail)))
                if probe := self._outstanding_probe(number(number_word)):
                    return [(probe, refused, 0, sent == "1")]
            case ["woken", *_]:
                self._woken.append(self._woke(message))
            case ["lost", node, count]:
                self._lost[self._owners.get(node_name(node), node)] = number(count)
            case ["untraced", *words]:
                self._untraced = printable(" ".join(words))
            case _:
                raise NotAMessage("not a message")
        return []

    def _greeted(self, hello: Hello) -> None:
        """The prober has said what it may do: send it what has waited."""
        self.hello, self.trouble = hello, ""
        with contextlib.suppress(OSError):  # it has ended again
            self._pidfd = os.pidfd_open(self._process.pid if self._process else hello.pid)
        waiting, self._waiting = self._waiting, []
        self._lost = {}
        if self._asleep:
            waiting.append(" ".join(["standby", *self._asleep]))
        for message in waiting:
            if not self._write(message):
                self._on_end()
                return

    def _woke(self, message: str) -> Woken:
        """What a `woken` message says, of the disk's identity. Raises NotAMessage."""
        try:
            one = woken(message)
            texts = (one.disk, one.cause, one.actor, one.place, one.boundary)
            numbers = (one.at_ns, 0 if one.wait_ns is None else one.wait_ns)
            if all(type(text) is str for text in texts) and all(type(n) is int for n in numbers):
                identity = self._owners.get(node_name(one.disk), one.disk)
                if one.cause in CAUSES:
                    return replace(one, disk=identity)
        except (ValueError, RecursionError) as error:
            raise NotAMessage(str(error)) from None
        raise NotAMessage("not a woken message")

    def _outstanding_probe(self, numbered: int) -> Probe | None:
        probe = self._outstanding.pop(numbered, None)
        if probe is None:
            return None
        if self._busy.get(probe.disk) == probe.number:
            del self._busy[probe.disk]
        self._pause_ns = self._start_ns = 0
        return probe


def missing(disk: Disk, hello: Hello) -> str | None:
    """What the prober lacks to probe a disk, as a sentence; None: nothing.

    ATA pass-through needs CAP_SYS_RAWIO; REQUEST SENSE passes on a read-only descriptor (Linux
    6.12 drivers/scsi/scsi_ioctl.c scsi_cmd_allowed).
    """
    if disk.probe_method is None:
        return None
    node = f"/dev/{disk.kernel_name}"
    if disk.kernel_name not in hello.nodes:
        return f"{node} cannot be read: run as a member of the group that owns it"
    if disk.probe_method in _ATA and not hello.capabilities >> _CAP_SYS_RAWIO & 1:
        return f"CAP_SYS_RAWIO is missing: the kernel sends no ATA command to {node} without it"
    return None


def hello_of(path: str = SOCKET) -> Hello:
    """What the prober would say: the service's where its socket lets us in, else a child's."""
    prober = ProcessProber(path) if os.access(path, os.W_OK) else None
    try:
        if prober is not None and prober.greeted_within(_GREETING_SECONDS):
            assert prober.hello is not None
            return prober.hello
    finally:
        if prober is not None:
            prober.close()
    return abilities()
