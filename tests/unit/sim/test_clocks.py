"""The clocks of simulated time."""

from __future__ import annotations

import os
import time
from uuid import UUID

import pytest

from spinledger.errors import Misuse
from spinledger.model import HOUR, SECOND
from spinledger.sim.clocks import ScaledClock, SteppedClock, boot_name


class Due:
    """A source that time makes ready."""

    def __init__(self, due_ns: int | None) -> None:
        self._due_ns = due_ns

    def due_ns(self) -> int | None:
        """As given."""
        return self._due_ns

    def fileno(self) -> int:
        """Nothing real."""
        return -1


class Pipe:
    """A source with a descriptor."""

    def __init__(self) -> None:
        self.read_end, self.write_end = os.pipe()

    def fileno(self) -> int:
        """The read end."""
        return self.read_end

    def close(self) -> None:
        """Close both ends."""
        os.close(self.read_end)
        os.close(self.write_end)


def test_stepped_time_jumps_to_the_earliest_of_goal_and_sources() -> None:
    """Waiting goes to the first due source, then to the goal, and returns only due sources."""
    clock = SteppedClock(100, 5_000)
    first, second, silent = Due(130), Due(150), Due(None)
    assert clock.wait(200, [first, second, silent]) == [first]
    assert clock.now() == 130
    assert clock.wait(140, [second]) == []
    assert clock.now() == 140
    assert clock.wait(200, [Due(120), second]) != []
    assert clock.now() == 140, "what is due already must not set time back"


def test_stepped_time_does_not_sleep() -> None:
    """A century passes: were it waited for, this test would never end."""
    clock = SteppedClock(0, 0)
    for _ in range(100):
        clock.wait(clock.now() + 8766 * HOUR, [])
    assert clock.now() == 876_600 * HOUR


def test_boot_time_includes_suspends() -> None:
    """CLOCK_BOOTTIME counts the time that the host is suspended (clock_gettime(2))."""
    clock = SteppedClock(10 * HOUR, 500 * HOUR)
    assert (clock.now(), clock.wall(), clock.suspended()) == (10 * HOUR, 500 * HOUR, 0)
    clock.suspend(HOUR)
    assert (clock.now(), clock.wall(), clock.suspended()) == (11 * HOUR, 501 * HOUR, HOUR)


def test_a_stepped_clock_refuses_to_go_back() -> None:
    """Boot time never runs backwards (CLOCK_BOOTTIME, clock_gettime(2))."""
    clock = SteppedClock(100, 0)
    with pytest.raises(Misuse):
        clock.jump(99)


def test_boot_ids_are_uuids_of_the_seed() -> None:
    """The same seed gives the same id, another seed another, in the kernel's form (RFC 4122)."""
    assert boot_name(1) == boot_name(1)
    assert len({boot_name(1), boot_name(2), boot_name(boot_name(1))}) == 3
    assert UUID(boot_name(7)).version == 4
    clock = SteppedClock(0, 0, boot_name(3))
    assert clock.boot_id() == boot_name(3)
    clock.set_boot_id("another")
    assert clock.boot_id() == "another"


def test_scaled_time_runs_at_its_speed() -> None:
    """At x1000, 50 ms are some 50 s, and a wait of 40 s takes at least 40 ms of real time."""
    clock = ScaledClock(1000, 0, 0)
    began = time.monotonic_ns()
    assert clock.wait(40 * SECOND, []) == []
    real_ns = time.monotonic_ns() - began
    assert clock.now() >= 40 * SECOND
    assert real_ns * 1000 >= 39 * SECOND
    assert abs(clock.now() - (time.monotonic_ns() - began) * 1000) < 20 * SECOND


def test_scaled_time_wakes_for_a_due_source_and_for_a_descriptor() -> None:
    """Of a far goal, a due source and a readable descriptor the first ready one ends the wait."""
    clock = ScaledClock(1000, 0, 0)
    soon = Due(20 * SECOND)
    assert clock.wait(10_000 * SECOND, [soon, Due(None)]) == [soon]
    assert 20 * SECOND <= clock.now() < 5_000 * SECOND
    pipe = Pipe()
    try:
        os.write(pipe.write_end, b"x")
        assert clock.wait(clock.now() + 10_000 * SECOND, [pipe, Due(None)]) == [pipe]
        assert clock.now() < 9_000 * SECOND
    finally:
        pipe.close()


def test_a_clock_needs_a_speed_above_zero() -> None:
    """Standing still would hang every wait."""
    with pytest.raises(Misuse):
        ScaledClock(0, 0, 0)
