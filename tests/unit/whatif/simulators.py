"""Independent models of a disk with a standby timer: by the second, and by events (simpy)."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from typing import Any

import simpy


def by_the_second(times: Sequence[int], timer: int, spinup: int = 0) -> tuple[int, int]:
    """(spin-downs, seconds asleep) for I/O at whole seconds, by walking through every second.

    In the second [s, s + 1) the disk is asleep if at s it has been idle for `timer` or more and
    no I/O comes at s. A sleep that lasts no second did not happen.
    """
    arrivals = set(times)
    idle_since = times[0]
    asleep = False
    cycles = total = 0
    for second in range(times[0], times[-1]):
        if second in arrivals:
            if asleep:
                asleep, idle_since = False, second + spinup
            else:
                idle_since = max(idle_since, second)
        if not asleep and second - idle_since >= timer and second not in arrivals:
            asleep = True
            cycles += 1
        total += asleep
    return cycles, total


def bounded_by_the_second(times: Sequence[int], timer: int, ended: int) -> tuple[int, int]:
    """(spin-ups, seconds asleep) of an observation from 0 to `ended`, by walking through it."""
    idle_since, asleep, wakes, total = 0, False, 0, 0
    for second in range(ended + 1):
        if second in times:
            wakes += asleep
            idle_since, asleep = second, False
        elif second == ended:
            break
        elif second - idle_since >= timer:
            asleep = True
        total += asleep
    return wakes, total


def by_events(times: Sequence[int], timer: int, spinup: int = 0) -> tuple[int, int]:
    """(spin-downs, nanoseconds asleep) for I/O at integer nanoseconds, as a simpy process.

    The clock runs in half nanoseconds, so that I/O just as the timer ends comes first.
    """
    env = simpy.Environment()
    cycles: list[int] = []  # nanoseconds asleep of each
    arrival = [env.event()]

    def load() -> Generator[Any, Any, None]:
        for time in times:
            yield env.timeout(2 * time - env.now)
            happened, arrival[0] = arrival[0], env.event()
            happened.succeed()

    def disk() -> Generator[Any, Any, None]:
        yield arrival[0]
        while True:
            due = env.timeout(2 * timer + 1)
            came = arrival[0]
            yield came | due
            if came.triggered:
                continue
            asleep_since = env.now - 1
            yield arrival[0]
            cycles.append(int(env.now - asleep_since) // 2)
            if spinup:
                yield env.timeout(2 * spinup)

    env.process(disk())
    env.process(load())
    env.run(until=2 * times[-1] + 1)
    return len(cycles), sum(cycles)
