"""The cross-check: a short-lived child reads one disk's counters through pySMART and smartctl.

Off unless configured. It reads what our own commands cannot, and checks the rest against them.
While it is on, one guarantee is weaker: smartctl chooses the commands that it sends. It reads the
power mode first, but sends INQUIRY and IDENTIFY DEVICE before that, and it opens the disk itself.
So it is started, like our own log reads, only while others move sectors.

Rules of this module:
- Nothing here blocks. One child at a time over all disks, in a process group and an environment of
  its own, started from the closed table `smartctl.LINES`; its result is one line of JSON.
- The child has its own deadline for smartctl. When it does not end itself in time, its process
  group is killed and left behind: a process that waits in the kernel ends when the drive answers.
- Whatever goes wrong is one of `ports.TROUBLES`, to be counted; never an exception, never a lost
  sample.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import sysconfig
from collections.abc import Iterable, Mapping
from pathlib import Path

from spinledger.device.smartctl import ENVIRONMENT, command_line
from spinledger.model import SECOND, Command, Disk
from spinledger.ports import TROUBLES, CrossChecked

SMARTCTL = "/usr/sbin/smartctl"
DEADLINE_NS = 30 * SECOND
_NAMES = frozenset(
    {
        "start_stops",
        "loads",
        "retracts",
        "power_cycles",
        "power_on_s",
        "rated_start_stop",
        "rated_load",
    }
)
# smartctl(8), FILES, as Debian has them.
_DATABASES = (Path("/etc/smart_drivedb.h"), Path("/var/lib/smartmontools/drivedb/drivedb.h"))
_MOST = 1 << 48
_LONGEST_ANSWER = 4096  # bytes
_LONGEST_DETAIL = 200  # letters; some of it is foreign text
_GRACE_NS = 3 * SECOND  # for the child, beyond the deadline it keeps itself
_INTERFACES = {
    Command.CHECK_POWER_MODE_16: "sat",
    Command.CHECK_POWER_MODE_12: "sat,12",
    Command.REQUEST_SENSE: "scsi",
}
_PACKAGES = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
_LAUNCH = (
    "import sys; sys.path.append(sys.argv[1]);"
    "from spinledger.device.smartctl import main; main(sys.argv[2:])"
)


def line_for(disk: Disk, smartctl: str = SMARTCTL) -> list[str] | None:
    """The command line that would be run for a disk; None: it has no row in the table."""
    interface = _INTERFACES.get(disk.probe_method) if disk.probe_method else None
    return None if interface is None else command_line(smartctl, interface, disk.kernel_name)


def files_of(smartctl: Path) -> Iterable[Path]:
    """The files of the programs that a cross-check runs, and smartctl's drive database."""
    yield from (smartctl, Path(sys.executable), Path(os.__file__), Path(_PACKAGES))
    yield Path(sysconfig.get_path("purelib"))
    yield from (path for path in _DATABASES if path.exists())


class SmartctlCrossChecker:
    """Reads one disk at a time; implements ports.CrossChecker.

    `environment` is the whole environment of the child and of smartctl.
    """

    def __init__(
        self,
        smartctl: str = SMARTCTL,
        deadline_ns: int | None = None,
        environment: Mapping[str, str] = ENVIRONMENT,
    ) -> None:
        self.smartctl = smartctl  # of the next start
        self._deadline_ns = DEADLINE_NS if deadline_ns is None else deadline_ns
        self._environment = dict(environment)
        self._epoll = select.epoll()
        self._ready: list[CrossChecked] = []
        self._ended: list[subprocess.Popen[bytes]] = []
        self._child: subprocess.Popen[bytes] | None = None
        self._disk = ""
        self._started_ns = 0
        self._answer = b""

    def fileno(self) -> int:
        """Readable when the child has written or ended."""
        return self._epoll.fileno()

    def due_ns(self) -> int | None:
        """When the child is overdue; None while there is none."""
        return None if self._child is None else self._started_ns + self._deadline_ns + _GRACE_NS

    def start(self, disk: Disk, at_ns: int) -> bool:
        """Start to read a disk; False while another is being read or where it has no row."""
        interface = _INTERFACES.get(disk.probe_method) if disk.probe_method else None
        if self._child is not None or interface is None:
            return False
        self._ended = [child for child in self._ended if child.poll() is None]
        deadline = f"{self._deadline_ns / SECOND:.3f}"
        arguments = [self.smartctl, deadline, interface, disk.kernel_name, disk.serial]
        try:
            self._child = subprocess.Popen(
                [sys.executable, "-I", "-c", _LAUNCH, _PACKAGES, *arguments],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=self._environment,
                process_group=0,
            )
        except OSError as error:
            self._ready.append(CrossChecked(disk.identity, at_ns, {}, "crashed", str(error)))
            return True
        assert self._child.stdout is not None
        os.set_blocking(self._child.stdout.fileno(), False)
        self._epoll.register(self._child.stdout, select.EPOLLIN)
        self._disk, self._started_ns, self._answer = disk.identity, at_ns, b""
        return True

    def results(self, at_ns: int) -> Iterable[CrossChecked]:
        """What has been read or has gone wrong; does not block."""
        if self._child is not None and (ended := self._listen()):
            self._finish(at_ns, None if ended == "ended" else ended)
        overdue = self.due_ns()
        if overdue is not None and at_ns >= overdue:
            self._finish(at_ns, "timeout")
        ready, self._ready = self._ready, []
        return ready

    def close(self) -> None:
        """End the child, without waiting for it."""
        if self._child is not None:
            self._drop()
        self._epoll.close()

    def _listen(self) -> str:
        """Take what the child wrote: "" while it may write more, `ended`, or a trouble."""
        assert self._child is not None
        assert self._child.stdout is not None
        while len(self._answer) <= _LONGEST_ANSWER:
            try:
                part = os.read(self._child.stdout.fileno(), 4096)
            except BlockingIOError:
                return ""
            if not part:
                return "ended"
            self._answer += part
        return "not_understood"

    def _finish(self, at_ns: int, trouble: str | None) -> None:
        answer = self._answer
        self._drop()
        if trouble:
            self._ready.append(CrossChecked(self._disk, at_ns, {}, trouble, "the child was ended"))
        else:
            self._ready.append(_understand(self._disk, at_ns, answer))

    def _drop(self) -> None:
        """Let the child go; its whole process group is killed."""
        child = self._child
        assert child is not None
        assert child.stdout is not None
        self._child = None
        self._epoll.unregister(child.stdout)
        child.stdout.close()
        with contextlib.suppress(OSError):  # it has ended
            os.killpg(child.pid, signal.SIGKILL)
        if child.poll() is None:
            self._ended.append(child)


def _understand(disk: str, at_ns: int, answer: bytes) -> CrossChecked:
    """The child's line, believed only in the form that it should have."""
    try:
        reply = json.loads(answer)
    except ValueError:
        return CrossChecked(disk, at_ns, {}, "crashed", "the child ended without a result")
    match reply:
        case {"values": dict(values)} if values and all(
            name in _NAMES and type(value) is int and 0 <= value < _MOST
            for name, value in values.items()
        ):
            return CrossChecked(disk, at_ns, values)
        case {"trouble": str(trouble), "detail": str(detail)} if trouble in TROUBLES:
            plain = "".join(letter if letter.isprintable() else "?" for letter in detail)
            return CrossChecked(disk, at_ns, {}, trouble, plain[:_LONGEST_DETAIL])
    return CrossChecked(disk, at_ns, {}, "not_understood", "a result of the child in another form")
