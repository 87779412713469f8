"""Who a process is: its service unit, container or virtual machine by its cgroup, else its name.

Rules: reads /proc and the cgroup file system; never a command line (cgroups(7), proc(5)). The names
of cgroups are those of systemd.unit(5) and systemd-machined(8); a component with 64 hexadecimal
digits is a container by its id, common practice, no source. A login session says nothing of the
program, so its processes go by their name.
"""

from __future__ import annotations

import os
import re
from contextlib import suppress

from spinledger.device import histogram, sysfs

PF_KTHREAD = 0x00200000  # include/linux/sched.h
_FLAGS = 6  # the field of /proc/PID/stat, counted from the one behind the name
_ROOT_INODE = 1  # of the cgroup file system: nothing is known
_CONTAINER = re.compile(r"(?:^|[-/:.])([0-9a-f]{64})(?:\.scope)?$")
_PAYLOAD = re.compile(r"[a-z]+\.payload\.(.+)")
_MACHINE = re.compile(r"machine-(.+)\.scope")
_ESCAPED = re.compile(r"\\x([0-9a-f]{2})")
_SESSION = re.compile(r"session-.*\.scope|user@\d+\.service|init\.scope|app-.*\.scope")


def of_cgroup(path: str) -> str:
    """The unit, container or machine of a cgroup's path; "" where it says nothing."""
    for part in reversed(path.strip("/").split("/")):
        if match := _CONTAINER.search(part):
            return f"container {match[1][:12]}"
        if match := _PAYLOAD.fullmatch(part):
            return f"container {match[1]}"
        if match := _MACHINE.fullmatch(part):
            return "machine " + _ESCAPED.sub(lambda code: chr(int(code[1], 16)), match[1])
        if _SESSION.fullmatch(part):
            return ""
        if part.endswith((".service", ".scope")):
            return _ESCAPED.sub(lambda code: chr(int(code[1], 16)), part)
    return ""


class Actors:
    """Names by process and by cgroup."""

    def __init__(self, proc: str = "/proc", cgroups: str = "/sys/fs/cgroup") -> None:
        self._proc = proc
        self._cgroups = cgroups

    def of_process(self, pid: int, comm: bytes) -> str:
        """The actor of a thread; `comm` is its name when it did what it did."""
        lines = sysfs.text(f"{self._proc}/{pid}/cgroup").splitlines()
        for line in lines:
            if line.startswith("0::") and (unit := of_cgroup(line[3:])):
                return unit
        name = histogram.actor(comm)
        leader = self._leader(pid) if lines else 0
        if leader and leader != pid:
            return sysfs.text(f"{self._proc}/{leader}/comm") or name
        return name

    def of_inode(self, inode: int) -> str:
        """The actor of a cgroup by the inode of its directory; "" where it says nothing."""
        if inode <= _ROOT_INODE:
            return ""
        for folder, subfolders, _ in os.walk(self._cgroups):
            for name in subfolders:
                with suppress(OSError):
                    if os.stat(f"{folder}/{name}").st_ino == inode:
                        return of_cgroup(f"{folder}/{name}".removeprefix(self._cgroups))
        return ""

    def is_kernel_thread(self, pid: int) -> bool:
        """True for a thread of the kernel; False also for one that has ended."""
        return bool((self._flags(pid) or 0) & PF_KTHREAD)

    def is_process(self, pid: int) -> bool:
        """True for a thread of a program; False also for one that has ended."""
        flags = self._flags(pid)
        return flags is not None and not flags & PF_KTHREAD

    def _flags(self, pid: int) -> int | None:
        fields = sysfs.text(f"{self._proc}/{pid}/stat").rpartition(")")[2].split()
        with suppress(IndexError, ValueError):
            return int(fields[_FLAGS])
        return None

    def _leader(self, pid: int) -> int:
        for line in sysfs.text(f"{self._proc}/{pid}/status").splitlines():
            if line.startswith("Tgid:"):
                return int(line.split()[1])
        return 0
