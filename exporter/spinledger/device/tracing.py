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

_OURS = re.compile(r"spinledger-capture-(\d+)")
_BUSY_S = 2.0  # how long a removal is tried while another process has a file of the instance open


class Instance:
    """A tracing instance that counts block I/O by device, program and kind of request.

    Made with the kernel's device numbers to count; use it as a context manager. Raises Unavailable
    when the kernel has no such thing or refuses it.
    """

    def __init__(self, devs: Collection[int], tracefs: str = TRACEFS) -> None:
        instances = f"{tracefs}/instances"
        _check(tracefs)
        _sweep(instances)
        self._path = f"{instances}/spinledger-capture-{os.getpid()}"
        self._devs = devs
        try:
            os.mkdir(self._path, 0o700)
        except OSError as error:
            raise _refused(error, f"no tracing instance could be made in {instances}") from error
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
            counted = histogram.parse(_content(f"{self._path}/{EVENT}/hist"))
            full = counted.dropped > 0 or counted.entries * 4 > PLACES * 3
            if full:
                self._write(trigger(self._devs, ":clear"))
        except OSError as error:
            raise _refused(error, "the kernel's histogram could not be read") from error
        return counted, full

    def close(self) -> None:
        """Stop counting and remove the instance."""
        with suppress(OSError):
            self._write("!" + trigger(self._devs))
        deadline = time.monotonic() + _BUSY_S
        while True:
            try:
                os.rmdir(self._path)
            except FileNotFoundError:
                return
            except OSError as error:
                if error.errno != errno.EBUSY or time.monotonic() > deadline:
                    raise _refused(error, f"{self._path} could not be removed") from error
                time.sleep(0.05)
            else:
                return

    def _arm(self) -> None:
        try:
            known = histogram.fields(_content(f"{self._path}/{EVENT}/format"))
            missing = [name for name in FIELDS if name not in known]
            if missing:
                what = f"its event block_bio_queue has no field {', '.join(missing)}"
                raise Unavailable("no_histogram", f"this kernel does not show who does I/O: {what}")
            if not os.path.exists(f"{self._path}/{EVENT}/hist"):
                raise Unavailable(
                    "no_histogram",
                    "this kernel cannot sum up events; it needs CONFIG_HIST_TRIGGERS=y",
                )
            self._write(trigger(self._devs))
        except OSError as error:
            raise _refused(error, "the kernel refused to count block I/O") from error

    def _write(self, line: str) -> None:
        # Not appending: a write to `trigger` adds to what is there.
        descriptor = os.open(f"{self._path}/{EVENT}/trigger", os.O_WRONLY | os.O_CLOEXEC)
        try:
            os.write(descriptor, line.encode() + b"\n")
        finally:
            os.close(descriptor)


def trigger(devs: Collection[int], order: str = "") -> str:
    """The line that makes the kernel count, for these devices where they fit into a filter."""
    counted = f"hist:keys=dev,comm,rwbs:vals=nr_sector:size={PLACES}{order}"
    only = " || ".join(f"dev == {dev}" for dev in sorted(devs))
    return f"{counted} if {only}" if 0 < len(only) <= LONGEST_FILTER else counted


def _check(tracefs: str) -> None:
    """Say in one line why nothing can be captured here."""
    try:
        os.listdir(tracefs)
        there = os.path.isdir(f"{tracefs}/events")
    except FileNotFoundError:
        what = "this kernel has no tracefs; it needs CONFIG_TRACING and CONFIG_BLOCK"
        raise Unavailable("no_tracefs", f"{tracefs} does not exist: {what}") from None
    except OSError as error:
        raise _refused(error, f"{tracefs} cannot be read") from error
    if not there:
        fix = f"run: mount -t tracefs tracefs {tracefs}"
        raise Unavailable("no_tracefs", f"tracefs is not mounted at {tracefs}; {fix}")
    if not os.path.isdir(f"{tracefs}/{EVENT}"):
        raise Unavailable(
            "no_histogram",
            "this kernel has no event block_bio_queue; it needs CONFIG_EVENT_TRACING",
        )


def _sweep(instances: str) -> None:
    """Remove instances of captures that were killed; what cannot be removed stays."""
    with suppress(OSError):
        for name in os.listdir(instances):
            ours = _OURS.fullmatch(name)
            if ours and not os.path.exists(f"/proc/{ours[1]}"):
                with suppress(OSError):
                    os.rmdir(f"{instances}/{name}")


def _refused(error: OSError, what: str) -> Unavailable:
    fix = "; run it as root" if error.errno in (errno.EACCES, errno.EPERM) else ""
    return Unavailable("tracefs_refused", f"{what}: {error.strerror}{fix}")


def _content(path: str) -> bytes:
    with open(path, "rb") as file:
        return file.read()
