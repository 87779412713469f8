"""The real clock against the kernel's own figures."""

from __future__ import annotations

import os
import time
from pathlib import Path

from spinledger.device.clock import RealClock
from spinledger.model import SECOND
from spinledger.ports import Clock, Source


class Pipe:
    """A source that is ready when written to."""

    def __init__(self) -> None:
        self.reading, self.writing = os.pipe()

    def fileno(self) -> int:
        """The reading end."""
        return self.reading


class Timeless:
    """A source that only time makes ready."""

    def fileno(self) -> int:
        """None."""
        return -1


def test_boot_time_is_the_kernels_uptime() -> None:
    """/proc/uptime counts from boot with suspends (proc(5)), in hundredths of a second."""
    clock: Clock = RealClock()
    uptime = float(Path("/proc/uptime").read_text().split()[0])
    assert abs(clock.now() / SECOND - uptime) < 0.5
    assert abs(clock.wall() - time.time_ns()) < SECOND // 2
    assert 0 <= clock.suspended() <= clock.now()


def test_boot_id_is_the_kernels_or_empty(tmp_path: Path) -> None:
    """random(4): the id does not change while the system runs."""
    boot_id = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    assert RealClock().boot_id() == boot_id
    assert RealClock(str(tmp_path / "none")).boot_id() == ""


def test_waiting_ends_with_time_or_a_ready_source() -> None:
    """Neither early nor without the source that was ready."""
    clock = RealClock()
    silent, ready, timeless = Pipe(), Pipe(), Timeless()
    sources: list[Source] = [silent, timeless, ready]
    until = clock.now() + SECOND // 50
    assert list(clock.wait(until, sources)) == []
    assert clock.now() >= until
    os.write(ready.writing, b"x")
    assert list(clock.wait(clock.now() + 60 * SECOND, sources)) == [ready]
    assert list(clock.wait(0, sources)) == [ready]
