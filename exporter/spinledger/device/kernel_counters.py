"""The free signals: what the kernel counts about a disk, read without sending it anything.

Rules of this module:
- Three descriptors a path stay open (stat, device/iorequest_cnt, device/power/runtime_status);
  a sample is one pread and one parse of each. Reading sysfs neither wakes nor resumes a disk.
- Field numbers are those of Documentation/block/stat.rst (Linux 6.12), from 0: sectors read 2,
  sectors written 6, in flight 8, time in use 9, time summed over requests 10 (both in ms), flush
  requests 15. Sectors are 512 bytes. Kernels before 4.18 have 11 fields, before 5.5 15: then
  flushes count as 0.
- A disk with two paths has the sum of both. A path that comes or goes moves no counter.
"""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass

from spinledger.errors import Unavailable
from spinledger.model import Counted, Disk, RuntimeStatus

_READ = 2
_WRITTEN = 6
_IN_FLIGHT = 8
_BUSY = 9
_WAITED = 10
_FLUSHES = 15
_FILES = ("stat", "device/iorequest_cnt", "device/power/runtime_status")
_SIZE = 512
_GONE = {errno.ENODEV, errno.ENOENT, errno.ENXIO, errno.ENOTDIR}
_STATUS = {status.value.encode(): status for status in RuntimeStatus}
_COUNT_MASK = 0xFFFFFFFF  # iorequest_cnt is a 32-bit atomic_t printed sign-extended
_NOT_ACTIVE = {RuntimeStatus.SUSPENDED, RuntimeStatus.SUSPENDING, RuntimeStatus.RESUMING}

# sectors read, sectors written, flushes, requests, busy, waited; and apart, in flight
_Sums = tuple[int, int, int, int, int, int]


@dataclass(slots=True)
class _Held:
    """What is held open for one disk. A descriptor of -1: the kernel has no such file."""

    nodes: tuple[str, ...]
    paths: list[tuple[int, int, int]]
    offset: _Sums
    last: _Sums


class SysfsCounters:
    """Reads the kernel's counters; implements ports.Counters."""

    def __init__(self, sysfs: str = "/sys") -> None:
        self._sysfs = sysfs
        self._held: dict[str, _Held] = {}

    def read(self, disk: Disk, at_ns: int) -> Counted | None:
        """The counters now; None when the disk is gone.

        Raises Unavailable when the kernel refuses for another reason, such as too many open files.
        """
        try:
            held = self._held.get(disk.identity)
            if held is None or held.nodes != disk.nodes:
                held = self._open(disk, held)
            return _sample(disk.identity, held, at_ns)
        except OSError as error:
            self.forget(disk.identity)
            if error.errno in _GONE:
                return None
            raise Unavailable("host_error", f"{disk.kernel_name}: {error}") from error

    def forget(self, identity: str) -> None:
        """Close what is held for a disk."""
        held = self._held.pop(identity, None)
        if held is not None:
            _close(held.paths)

    def close(self) -> None:
        """Close everything."""
        for identity in tuple(self._held):
            self.forget(identity)

    def _open(self, disk: Disk, before: _Held | None) -> _Held:
        """Open a disk's files; keep the sums continuous where its paths changed."""
        zero = (0, 0, 0, 0, 0, 0)
        held = _Held(disk.nodes, [], zero, zero)
        try:
            for node in disk.nodes:
                held.paths.append(self._open_path(node))
            if disk.diskseq and self._diskseq(disk.kernel_name) not in (0, disk.diskseq):
                raise OSError(errno.ENODEV, "another disk has this name now")
            if before is not None:
                now = _sample(disk.identity, held, 0)
                a, b, c, d, e, f = (
                    was - is_ for was, is_ in zip(before.last, _sums(now), strict=True)
                )
                held.offset = (a, b, c, d, e, f)
        except OSError:
            _close(held.paths)
            raise
        self.forget(disk.identity)
        self._held[disk.identity] = held
        return held

    def _open_path(self, node: str) -> tuple[int, int, int]:
        opened: list[int] = []
        try:
            for name in _FILES:
                opened.append(_open(f"{self._sysfs}/block/{node}/{name}", name != "stat"))
        except OSError:
            _close([(*opened,)])
            raise
        stat, requests, status = opened
        return stat, requests, status

    def _diskseq(self, node: str) -> int:
        """The kernel's sequence number of the disk that has this name now; 0: not known."""
        try:
            with open(f"{self._sysfs}/block/{node}/diskseq", "rb") as file:
                return int(file.read())
        except (FileNotFoundError, ValueError):
            return 0


def _open(path: str, optional: bool) -> int:
    try:
        return os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        if optional:
            return -1
        raise


def _close(paths: list[tuple[int, ...]] | list[tuple[int, int, int]]) -> None:
    for path in paths:
        for descriptor in path:
            if descriptor >= 0:
                os.close(descriptor)


def _sample(identity: str, held: _Held, at_ns: int) -> Counted:
    """One reading of all paths of a disk."""
    read, written, flushes, requests, busy, waited = held.offset
    in_flight = 0
    status: RuntimeStatus | None = None
    for stat, request_count, runtime in held.paths:
        fields = os.pread(stat, _SIZE, 0).split()
        if len(fields) <= _WAITED:
            raise OSError(errno.ENODEV, "the stat file is empty")
        read += int(fields[_READ])
        written += int(fields[_WRITTEN])
        in_flight += int(fields[_IN_FLIGHT])
        busy += int(fields[_BUSY])
        waited += int(fields[_WAITED])
        if len(fields) > _FLUSHES:
            flushes += int(fields[_FLUSHES])
        if request_count >= 0:
            # scsi_sysfs.c show_sdev_iostat prints hexadecimal with 0x
            requests += int(os.pread(request_count, 32, 0), 0) & _COUNT_MASK
        path_status = RuntimeStatus.ABSENT
        if runtime >= 0:
            path_status = _STATUS.get(os.pread(runtime, 32, 0).rstrip(), RuntimeStatus.ABSENT)
        if status is None or path_status in _NOT_ACTIVE:
            status = path_status
    held.last = (read, written, flushes, requests, busy, waited)
    return Counted(
        identity,
        at_ns,
        read,
        written,
        flushes,
        in_flight,
        requests,
        status or RuntimeStatus.ABSENT,
        busy,
        waited,
    )


def _sums(counted: Counted) -> _Sums:
    return (
        counted.sectors_read,
        counted.sectors_written,
        counted.flushes,
        counted.requests,
        counted.busy_ms,
        counted.waited_ms,
    )
