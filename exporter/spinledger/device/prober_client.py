"""The exporter's side of the prober process: sends probes, decodes replies, restarts it.

Rules of this module:
- Nothing here blocks. One epoll descriptor stands for all that may become ready, whatever process
  runs at the moment.
- When a prober ends, its outstanding probes get the reply Refused(PROBER_DOWN). It is started
  again at once, then after 1 s, 2 s and so on up to 60 s while it keeps ending; one reply sets the
  pause back.
- Closing never waits for a drive: a prober in a hung ioctl cannot be killed, and is left behind.
"""

from __future__ import annotations

import contextlib
import dataclasses
import os
import select
import socket
import subprocess
import sys
from collections.abc import Iterable, Mapping

from spinledger.codec.counters import reply_of
from spinledger.device import wakes
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
_MESSAGE_SIZE = 8192
# Isolated (-I) and without site packages (-S), so that it starts small and from known places;
# our own package is then found by the path that is handed over, installed or not.
_PACKAGES = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
_LAUNCH = (
    "import sys; sys.path.append(sys.argv[1]);"
    "from spinledger.device.prober import main; main(int(sys.argv[2]))"
)
_ATA = (Command.CHECK_POWER_MODE_12, Command.CHECK_POWER_MODE_16)
_CAP_SYS_RAWIO = 17  # include/uapi/linux/capability.h


class ProcessProber:
    """Sends probes through the prober process; implements ports.Prober and ports.WakeSource."""

    def __init__(self) -> None:
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
        self._asleep: dict[str, str] = {}  # identities of the disks in standby, by kernel name
        self._owners: dict[str, str] = {}  # likewise of all that were
        self._woken: list[Woken] = []
        self._lost: dict[str, int] = {}
        self._untraced = ""
        self._start()

    @property
    def pid(self) -> int:
        """The process now running; 0: none."""
        return self._process.pid if self._process else 0

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
            for probe, reply, elapsed_ns, sent in self._decode(message)
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
        self._epoll.close()
        os.close(self._wake)

    def _start(self) -> None:
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            ours.setblocking(False)
            number = theirs.fileno()
            try:
                self._process = subprocess.Popen(
                    [sys.executable, "-I", "-S", "-c", _LAUNCH, _PACKAGES, str(number)],
                    stdin=subprocess.DEVNULL,
                    pass_fds=(number,),
                    process_group=0,  # a Ctrl-C reaches this process, which then closes the other
                    env=os.environ | {"MALLOC_ARENA_MAX": "1"},
                )
            except OSError:
                ours.close()
                return
        self._socket = ours
        self._epoll.register(ours, select.EPOLLIN)
        self._lost = {}
        if self._asleep:
            self._write(" ".join(["standby", *self._asleep]))

    def _restart(self, at_ns: int) -> None:
        """Start the process again when it is down and its pause is over."""
        if self._socket is not None or at_ns < self._start_ns:
            return
        self._ended = [process for process in self._ended if process.poll() is None]
        self._pause_ns = min(max(2 * self._pause_ns, SECOND), _LONGEST_PAUSE_NS)
        self._start_ns = at_ns + self._pause_ns
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
        for probe in self._outstanding.values():
            self._answer(probe, Refused(Reason.PROBER_DOWN, "the prober ended"), sent=True)
        self._outstanding.clear()
        self._busy.clear()

    def _answer(self, probe: Probe, refused: Refused, sent: bool) -> None:
        if not self._ready:
            os.eventfd_write(self._wake, 1)
        self._ready.append((probe, refused, sent))

    def _write(self, message: str) -> bool:
        if self._socket is None:
            return False
        try:
            self._socket.send(message.encode("ascii"))
        except BlockingIOError:
            return False
        except OSError:
            self._on_end()
            return False
        return True

    def _read(self, at_ns: int) -> list[str]:
        messages: list[str] = []
        while self._socket is not None:
            try:
                message = self._socket.recv(_MESSAGE_SIZE)
            except BlockingIOError:
                break
            except OSError:
                message = b""
            if message:
                messages.append(message.decode("ascii", "replace"))
            else:
                self._on_end()
        return messages

    def _decode(self, message: str) -> Iterable[tuple[Probe, Reply, int, bool]]:
        """The reply in one message: (probe, reply, elapsed, sent), or nothing."""
        if self._traced(message):
            return
        kind, number, rest = message.split(" ", 2)
        probe = self._outstanding.pop(int(number), None)
        if probe is None:
            return
        if self._busy.get(probe.disk) == probe.number:
            del self._busy[probe.disk]
        self._pause_ns = self._start_ns = 0
        if kind == "done":
            status, host, driver, elapsed_ns, sense, data = rest.split(" ")
            completion = Completion(
                int(status), int(host), int(driver), _bytes(sense), _bytes(data), int(elapsed_ns)
            )
            yield probe, reply_of(probe.command, completion), completion.elapsed_ns, True
        else:
            reason, sent, detail = rest.split(" ", 2)
            yield probe, Refused(Reason(reason), detail), 0, sent == "1"

    def _traced(self, message: str) -> bool:
        """Take a message of the tracing; False for any other."""
        kind, _, rest = message.partition(" ")
        if kind == "woken":
            woken = wakes.woken(message)
            identity = self._owners.get(woken.disk, woken.disk)
            self._woken.append(dataclasses.replace(woken, disk=identity))
        elif kind == "lost":
            node, count = rest.split(" ")
            self._lost[self._owners.get(node, node)] = int(count)
        elif kind == "untraced":
            self._untraced = rest
        else:
            return False
        return True


def missing(disk: Disk, dev: str = "/dev", status_file: str = "/proc/self/status") -> str | None:
    """What this process lacks to probe a disk, as a sentence; None: nothing.

    Opens no device. ATA pass-through needs CAP_SYS_RAWIO; REQUEST SENSE passes on a read-only
    descriptor (Linux 6.12 drivers/scsi/scsi_ioctl.c scsi_cmd_allowed).
    """
    if disk.probe_method is None:
        return None
    node = f"{dev}/{disk.kernel_name}"
    if not os.access(node, os.R_OK):
        return f"{node} cannot be read: run as a member of the group that owns it"
    if disk.probe_method in _ATA and not _has_rawio(status_file):
        return f"CAP_SYS_RAWIO is missing: the kernel sends no ATA command to {node} without it"
    return None


def _has_rawio(status_file: str) -> bool:
    """Bit 17 of CapEff (proc_pid_status(5)); true where /proc does not show it."""
    try:
        with open(status_file, encoding="ascii") as file:
            for line in file:
                if line.startswith("CapEff:"):
                    return bool(int(line.split()[1], 16) >> _CAP_SYS_RAWIO & 1)
    except OSError:
        pass
    return True


def _bytes(word: str) -> bytes:
    return b"" if word == "-" else bytes.fromhex(word)
