"""Who does I/O, summed up by the kernel: a histogram in a tracing instance of our own.

Rules of this module:
- The event is block_bio_queue: it is raised in the context of whoever submits, never for the
  pass-through commands of monitors, and names the whole disk also for I/O to a partition. No event
  is copied out: the kernel only counts (Documentation/trace/histogram.rst, Linux 6.12).
- Nothing outside our instance is touched, and no module is loaded. The instance is removed at the
  end; one that a killed capture left behind is removed by the next.
- The event's fields differ between kernels: its `format` file is read first.
- The table is cleared only when it is three quarters full. What comes between the reading and the
  clearing, some microseconds, is then lost.
- Reading it sends nothing to a disk: tracefs is memory.
"""

from __future__ import annotations

import errno
import os
import re
import time
from collections.abc import Collection
from contextlib import suppress

from spinledger.device import histogram
from spinledger.device.histogram import Histogram
from spinledger.errors import Unavailable

TRACEFS = "/sys/kernel/tracing"
EVENT = "events/block/block_bio_queue"
FIELDS = ("dev", "comm", "rwbs", "nr_sector")
PLACES = 4096  # of the table; a power of two (histogram.rst), about 1 MiB of kernel memory
LONGEST_FILTER = 3000  # bytes; the kernel takes a page with the rest of the trigger

_BUSY_S = 2.0  # how long a removal is tried while another process has a file of the instance open


class Folder:
    """A tracing instance of our own, `spinledger-KIND-PID`: made, and removed at the end.

    One of the same kind that a killed process left behind is removed first. Raises Unavailable when
    the kernel has no such thing or refuses it.
    """

    def __init__(self, kind: str, tracefs: str = TRACEFS) -> None:
        instances = f"{tracefs}/instances"
        _check(tracefs)
        _sweep(instances, kind)
        self.path = f"{instances}/spinledger-{kind}-{os.getpid()}"
        try:
            os.mkdir(self.path, 0o700)
        except OSError as error:
            raise refused(error, f"no tracing instance could be made in {instances}") from error

    def write(self, file: str, line: str) -> None:
        """Write one line to a file of the instance. Not truncating: that would drop triggers."""
        descriptor = os.open(f"{self.path}/{file}", os.O_WRONLY | os.O_CLOEXEC)
        try:
            os.write(descriptor, line.encode() + b"\n")
        finally:
            os.close(descriptor)

    def read(self, file: str) -> bytes:
        """The content of a file of the instance."""
        return _content(f"{self.path}/{file}")

    def close(self) -> None:
        """Remove the instance, and with it all that was armed in it."""
        deadline = time.monotonic() + _BUSY_S
        while True:
            try:
                os.rmdir(self.path)
            except FileNotFoundError:
                return
            except OSError as error:
                if error.errno != errno.EBUSY or time.monotonic() > deadline:
                    raise refused(error, f"{self.path} could not be removed") from error
                time.sleep(0.05)
            else:
                return


class Instance:
    """A tracing instance that counts block I/O by device, program and kind of request.

    Made with the kernel's device numbers to count; use it as a context manager. Raises Unavailable
    when the kernel has no such thing or refuses it.
    """

    def __init__(self, devs: Collection[int], tracefs: str = TRACEFS) -> None:
        self._folder = Folder("capture", tracefs)
        self._path = self._folder.path
        self._devs = devs
        try:
            self._arm()
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Instance:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def read(self) -> tuple[Histogram, bool]:
        """The histogram now, and whether it begins from nothing again after this."""
        try:
            counted = histogram.parse(self._folder.read(f"{EVENT}/hist"))
            full = counted.dropped > 0 or counted.entries * 4 > PLACES * 3
            if full:
                self._folder.write(f"{EVENT}/trigger", trigger(self._devs, ":clear"))
        except OSError as error:
            raise refused(error, "the kernel's histogram could not be read") from error
        return counted, full

    def close(self) -> None:
        """Stop counting and remove the instance."""
        with suppress(OSError):
            self._folder.write(f"{EVENT}/trigger", "!" + trigger(self._devs))
        self._folder.close()

    def _arm(self) -> None:
        try:
            known = histogram.fields(self._folder.read(f"{EVENT}/format"))
            missing = [name for name in FIELDS if name not in known]
            if missing:
                what = f"its event block_bio_queue has no field {', '.join(missing)}"
                raise Unavailable("no_histogram", f"this kernel does not show who does I/O: {what}")
            if not os.path.exists(f"{self._path}/{EVENT}/hist"):
                raise Unavailable(
                    "no_histogram",
                    "this kernel cannot sum up events; it needs CONFIG_HIST_TRIGGERS=y",
                )
            self._folder.write(f"{EVENT}/trigger", trigger(self._devs))
        except OSError as error:
            raise refused(error, "the kernel refused to count block I/O") from error


def trigger(devs: Collection[int], order: str = "") -> str:
    """The line that makes the kernel count, for these devices where they fit into a filter."""
    counted = f"hist:keys=dev,comm,rwbs:vals=nr_sector:size={PLACES}{order}"
    only = " || ".join(f"dev == {dev}" for dev in sorted(devs))
    return f"{counted} if {only}" if 0 < len(only) <= LONGEST_FILTER else counted


def untraceable(tracefs: str = TRACEFS) -> str:
    """Why no tracing instance could be made here; "" when it could. Changes nothing."""
    try:
        _check(tracefs)
    except Unavailable as reason:
        return reason.detail
    instances = f"{tracefs}/instances"
    return "" if os.access(instances, os.W_OK) else f"{instances} cannot be written"


def _check(tracefs: str) -> None:
    """Say in one line why nothing can be captured here."""
    try:
        os.listdir(tracefs)
        there = os.path.isdir(f"{tracefs}/events")
    except FileNotFoundError:
        what = "this kernel has no tracefs; it needs CONFIG_TRACING and CONFIG_BLOCK"
        raise Unavailable("no_tracefs", f"{tracefs} does not exist: {what}") from None
    except OSError as error:
        raise refused(error, f"{tracefs} cannot be read") from error
    if not there:
        fix = f"run: mount -t tracefs tracefs {tracefs}"
        raise Unavailable("no_tracefs", f"tracefs is not mounted at {tracefs}; {fix}")
    if not os.path.isdir(f"{tracefs}/{EVENT}"):
        raise Unavailable(
            "no_histogram",
            "this kernel has no event block_bio_queue; it needs CONFIG_EVENT_TRACING",
        )


def _sweep(instances: str, kind: str) -> None:
    """Remove instances of processes that were killed; what cannot be removed stays."""
    ours = re.compile(rf"spinledger-{kind}-(\d+)")
    with suppress(OSError):
        for name in os.listdir(instances):
            owner = ours.fullmatch(name)
            ended = owner and (
                int(owner[1]) == os.getpid() or not os.path.exists(f"/proc/{owner[1]}")
            )
            if ended:
                with suppress(OSError):
                    os.rmdir(f"{instances}/{name}")


def refused(error: OSError, what: str) -> Unavailable:
    """The error as one line, with the fix where there is one."""
    fix = "; run it as root" if error.errno in (errno.EACCES, errno.EPERM) else ""
    return Unavailable("tracefs_refused", f"{what}: {error.strerror}{fix}")


def _content(path: str) -> bytes:
    with open(path, "rb") as file:
        return file.read()
