"""The real clock: boot time, wall time, and waiting on descriptors.

Rules of this module: boot time is CLOCK_BOOTTIME, which counts host suspends (clock_gettime(2));
waiting uses poll(2), so a wait under way when the host suspends ends late by at most its length.
"""

from __future__ import annotations

import ctypes
import select
import time
from collections.abc import Sequence
from pathlib import Path

from spinledger.ports import Source

_BOOT_ID = "/proc/sys/kernel/random/boot_id"
_MILLISECOND = 1_000_000
_SYNCHRONISED = Path("/run/systemd/timesync/synchronized")  # systemd-timesyncd(8)
_LIBC = ctypes.CDLL(None, use_errno=True)
_TIMEX_BYTES = 256  # more than struct timex of any architecture
_TIME_ERROR = 5  # timex.h; adjtimex(2)


class RealClock:
    """The clock of this host; implements ports.Clock."""

    def __init__(self, boot_id_file: str = _BOOT_ID) -> None:
        self._boot_id = _boot_id(boot_id_file)

    def now(self) -> int:
        """Nanoseconds since boot, host suspends included."""
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)

    def wall(self) -> int:
        """Nanoseconds since the Unix epoch."""
        return time.time_ns()

    def suspended(self) -> int:
        """Nanoseconds the host has been suspended since boot: boot time less monotonic time.

        The two clocks cannot be read in one instant, so a difference below 1 ms is read as none.
        """
        monotonic = time.clock_gettime_ns(time.CLOCK_MONOTONIC)
        difference = time.clock_gettime_ns(time.CLOCK_BOOTTIME) - monotonic
        return difference if difference >= _MILLISECOND else 0

    def boot_id(self) -> str:
        """The kernel's random id of this boot; "" where /proc does not show it."""
        return self._boot_id

    def wait(self, until_ns: int, sources: Sequence[Source]) -> Sequence[Source]:
        """Return when `now() >= until_ns` or a source is readable; the readable ones.

        A source whose descriptor is -1 is never ready. Descriptors are read anew at each call,
        since a source may close one and open another.
        """
        poll = select.poll()
        by_descriptor = {source.fileno(): source for source in sources}
        by_descriptor.pop(-1, None)
        for descriptor in by_descriptor:
            poll.register(descriptor, select.POLLIN)
        while True:
            left_ns = until_ns - self.now()
            ready = poll.poll(max(0, -(-left_ns // _MILLISECOND)))
            if ready or left_ns <= 0:
                return [by_descriptor[descriptor] for descriptor, _ in ready]


def synchronised() -> bool:
    """Whether the kernel holds the clock to be set by a time server (adjtimex(2), read only)."""
    if _SYNCHRONISED.exists():
        return True
    timex = ctypes.create_string_buffer(_TIMEX_BYTES)  # modes = 0: nothing is changed
    return _LIBC.adjtimex(timex) not in (-1, _TIME_ERROR)


def _boot_id(path: str) -> str:
    try:
        with open(path, encoding="ascii") as file:
            return file.read().strip()
    except (OSError, UnicodeDecodeError):
        return ""
