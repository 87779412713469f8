"""Clocks of simulated time: scaled for a person who watches, stepped for tests and rehearsals.

Rules: both start at a given boot time and wall time (nanoseconds) and never run backwards in boot
time. Wall time is boot time plus a fixed distance. A source may be ready by its descriptor, or by
time alone (`due_ns`); both clocks know both kinds, so the loop has no line for simulated time.
"""

from __future__ import annotations

import math
import random
import select
import time
from collections.abc import Callable, Sequence
from uuid import UUID

from spinledger.errors import Misuse
from spinledger.ports import Source

_LONGEST_POLL_MS = 3_600_000  # poll() takes a C int of milliseconds; longer waits are taken again


def boot_name(after: int | str) -> str:
    """A boot id in the kernel's form (a random UUID): the first of a seed, or that after a boot."""
    return str(UUID(int=random.Random(f"boot {after}").getrandbits(128), version=4))


def _due(source: Source) -> int | None:
    """When time alone makes the source ready; None when it does not."""
    probe: Callable[[], int | None] | None = getattr(source, "due_ns", None)
    return None if probe is None else probe()


class _Settable:
    """What both clocks share: boot id and host suspends, settable."""

    def __init__(self, start_boot_ns: int, start_wall_ns: int, boot_id: str) -> None:
        self._start_boot_ns = start_boot_ns
        self._apart_ns = start_wall_ns - start_boot_ns
        self._suspended_ns = 0
        self._boot_id = boot_id or boot_name(start_wall_ns)

    def now(self) -> int:
        """Nanoseconds of the simulated boot clock."""
        raise NotImplementedError

    def wall(self) -> int:
        """Nanoseconds since the Unix epoch."""
        return self.now() + self._apart_ns

    def suspended(self) -> int:
        """Nanoseconds the simulated host has been suspended since boot."""
        return self._suspended_ns

    def boot_id(self) -> str:
        """The id of this simulated boot."""
        return self._boot_id

    def set_boot_id(self, boot_id: str) -> None:
        """Simulate another boot."""
        self._boot_id = boot_id


class SteppedClock(_Settable):
    """Time jumps to the next event and never passes by itself; nothing sleeps.

    Every run over the same sources gives the same readings. Descriptors of sources are never
    read: nothing real happens in stepped time.
    """

    def __init__(self, start_boot_ns: int, start_wall_ns: int, boot_id: str = "") -> None:
        super().__init__(start_boot_ns, start_wall_ns, boot_id)
        self._now_ns = start_boot_ns

    def now(self) -> int:
        """Nanoseconds of the simulated boot clock."""
        return self._now_ns

    def wait(self, until_ns: int, sources: Sequence[Source]) -> Sequence[Source]:
        """Jump to `until_ns` or to the earliest due source, whichever is first; the due ones."""
        goal = until_ns
        timed = []
        for source in sources:
            due = _due(source)
            if due is not None:
                timed.append((due, source))
                if due < goal:
                    goal = due
        if goal > self._now_ns:
            self._now_ns = goal
        return [source for due, source in timed if due <= self._now_ns]

    def jump(self, to_ns: int) -> None:
        """Go to a later boot time at once; nothing is sampled in between."""
        if to_ns < self._now_ns:
            raise Misuse(f"a clock cannot go back from {self._now_ns} to {to_ns}")
        self._now_ns = to_ns

    def suspend(self, for_ns: int) -> None:
        """Suspend the host for that long: boot time includes it, as CLOCK_BOOTTIME does."""
        self.jump(self._now_ns + for_ns)
        self._suspended_ns += for_ns


class ScaledClock(_Settable):
    """Real time, `speed` times as fast; 300 shows a night of ten hours in two minutes.

    It begins to run when it is first read.
    """

    def __init__(
        self, speed: float, start_boot_ns: int, start_wall_ns: int, boot_id: str = ""
    ) -> None:
        if not speed > 0:
            raise Misuse(f"the speed of a clock must be above 0, not {speed}")
        super().__init__(start_boot_ns, start_wall_ns, boot_id)
        self._speed = speed
        self._began_ns: int | None = None

    def now(self) -> int:
        """Nanoseconds of the simulated boot clock."""
        if self._began_ns is None:
            self._began_ns = time.monotonic_ns()
        passed = time.monotonic_ns() - self._began_ns
        return self._start_boot_ns + int(passed * self._speed)

    def wait(self, until_ns: int, sources: Sequence[Source]) -> Sequence[Source]:
        """Sleep until then, a readable descriptor or the earliest due source; the ready ones."""
        poll = select.poll()
        readable = {source.fileno(): source for source in sources if source.fileno() >= 0}
        for descriptor in readable:
            poll.register(descriptor, select.POLLIN)
        while True:
            dues = [(due, source) for source in sources if (due := _due(source)) is not None]
            now_ns = self.now()
            goal = min([until_ns, *(due for due, _ in dues)])
            # The grain of poll() is 1 ms: round up, so as not to return early and spin.
            left_ms = math.ceil(max(0, goal - now_ns) / self._speed / 1e6)
            events = poll.poll(min(left_ms, _LONGEST_POLL_MS))
            now_ns = self.now()
            ready = [readable[descriptor] for descriptor, _ in events]
            ready += [source for due, source in dues if due <= now_ns and source not in ready]
            if ready or now_ns >= until_ns:
                return ready
