"""Simulated drives under the real loop in stepped time, with a fault in one of the ports.

What was lost is the distance between the accounts and the drives' own record: seconds that belong
to no state, spin-ups that were not recorded, and wakes by probes. A fault concerns the first
drives; the others show whether it spread.
"""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from spinledger.causes import OWN_PROBE
from spinledger.ledger.summary import lifetime
from spinledger.loop import Loop, Ports
from spinledger.loop.settings import Settings
from spinledger.model import (
    HOUR,
    MILLISECOND,
    MINUTE,
    SECOND,
    Answered,
    Disk,
    Entry,
    Gone,
    Policy,
    Probe,
    Refused,
    Reply,
    Seen,
    Span,
    State,
    Woken,
)
from spinledger.ports import Source
from spinledger.sim.clocks import SteppedClock
from spinledger.sim.kinds import KINDS, Kind, retimed
from spinledger.sim.rack import Rack
from spinledger.sim.shelf import Bench, Plug, SimulatedShelf
from tests.fakes.facts import WALL_NS
from tests.fakes.watching import Kept

PLAIN = KINDS["plain"]


@dataclass
class Clock(SteppedClock):
    """Jumps of the wall clock, and suspends of the host, each at its boot time."""

    jumps: Sequence[tuple[int, int]] = ()  # boot time, nanoseconds ahead from then on
    suspends: Sequence[tuple[int, int]] = ()  # boot time, how long
    left: list[tuple[int, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(0, WALL_NS)
        self.left = sorted(self.suspends)

    def wall(self) -> int:
        """Nanoseconds since the Unix epoch, as the host's clock shows."""
        return super().wall() + next(
            (ahead for at, ahead in reversed(self.jumps) if at <= self.now()), 0
        )

    def wait(self, until_ns: int, sources: Sequence[Source]) -> Sequence[Source]:
        """As stepped; a suspend that is due comes first."""
        if self.left and until_ns >= self.left[0][0]:
            at_ns, for_ns = self.left.pop(0)
            self.jump(max(at_ns, self.now()))
            self.suspend(for_ns)
            return []
        return super().wait(until_ns, sources)


class Replies:
    """ports.Prober: one drive's commands come back with this reply until a time."""

    def __init__(self, rack: Rack, reply: Reply, until_ns: int, sent: bool = True) -> None:
        self._rack, self._reply, self._until_ns, self._sent = rack, reply, until_ns, sent
        self._coming: list[tuple[int, int, Probe]] = []
        self.given = 0

    def send(self, probe: Probe, disk: Disk) -> None:
        """To the drive, or nowhere."""
        if disk.identity != self._rack.places[0].disk.identity or probe.sent_ns >= self._until_ns:
            self._rack.prober.send(probe, disk)
            return
        heapq.heappush(self._coming, (probe.sent_ns + 2 * MILLISECOND, probe.number, probe))

    def replies(self, at_ns: int) -> Iterable[Answered]:
        """Those of both."""
        found = list(self._rack.prober.replies(at_ns))
        while self._coming and self._coming[0][0] <= at_ns:
            due_ns, _, probe = heapq.heappop(self._coming)
            self.given += 1
            found.append(Answered(probe, due_ns, self._reply, 2 * MILLISECOND, self._sent))
        return found

    def forget(self, disk: Disk) -> None:
        """Nothing is held."""

    def fileno(self) -> int:
        """Nothing real to wait for."""
        return -1

    def due_ns(self) -> int | None:
        """When the next reply is due."""
        dues = [self._coming[0][0]] if self._coming else []
        other = self._rack.prober.due_ns()
        return min([*dues, *([] if other is None else [other])], default=None)


class Deaf:
    """ports.Discoverer while udev restarts: events of that time never come, and after it each
    disk that is here is reported once more (udevadm trigger)."""

    def __init__(self, rack: Rack, from_ns: int, until_ns: int) -> None:
        self._rack, self._from_ns, self._until_ns = rack, from_ns, until_ns
        self.missed = 0
        self.repeated = 0

    def scan(self, at_ns: int) -> tuple[Sequence[Seen], Sequence[tuple[str, str]]]:
        """All disks."""
        return self._rack.discoverer.scan(at_ns)

    def changes(self, at_ns: int) -> Iterable[Seen | Gone]:
        """What came and went, as far as udev says it."""
        found = list(self._rack.discoverer.changes(at_ns))
        if self._from_ns <= at_ns < self._until_ns:
            self.missed += len(found)
            return []
        if at_ns >= self._until_ns and not self.repeated:
            seen, _ = self.scan(at_ns)
            self.repeated = len(seen)
            return [*found, *seen]
        return found

    def fileno(self) -> int:
        """Nothing real to wait for."""
        return -1

    def due_ns(self) -> int | None:
        """When the next event is due."""
        due = self._rack.discoverer.due_ns()
        again = [] if self.repeated else [self._until_ns]
        return min([*again, *([] if due is None else [due])], default=None)


class Vanishing:
    """ports.WakeSource whose tracefs is gone from a time on."""

    def __init__(self, rack: Rack, from_ns: int) -> None:
        self._rack, self._from_ns = rack, from_ns

    @property
    def _gone(self) -> bool:
        return self._rack.at_ns >= self._from_ns

    def watch(self, disks: Mapping[str, Disk]) -> None:
        """The disks in standby."""
        self._rack.wakes.watch(disks)

    def woken(self, at_ns: int) -> Iterable[Woken]:
        """What woke them, while it can be said."""
        return [] if self._gone else self._rack.wakes.woken(at_ns)

    def lost(self) -> Mapping[str, int]:
        """None."""
        return {}

    def untraced(self) -> str:
        """Why nothing can be said."""
        return "tracefs is not mounted" if self._gone else ""

    def fileno(self) -> int:
        """Nothing real to wait for."""
        return -1


@dataclass
class Bed:
    """Drives, each read every `every_ns`, a little later than the one before it."""

    kinds: Sequence[Kind]
    hours: float
    every_ns: int = 5000 * SECOND
    timer_ns: int = 20 * MINUTE
    plugs: Sequence[Plug] = ()
    clock: Clock = field(default_factory=Clock)
    prober: Callable[[Rack], Replies] | None = None
    discoverer: Callable[[Rack], Deaf] | None = None
    wakes: Callable[[Rack], Vanishing] | None = None
    judges_clock: bool = False  # a clock may be doubted, as on a real host

    def __post_init__(self) -> None:
        self.entries: list[Entry] = []
        self.said: list[str] = []
        until_ns = round(self.hours * HOUR)
        self.rack = SimulatedShelf.of(
            [
                Bench(
                    retimed(kind, self.timer_ns),
                    [*range(MINUTE + number * SECOND, until_ns - MINUTE, self.every_ns)],
                    name=f"n{number}",
                )
                for number, kind in enumerate(self.kinds)
            ],
            self.plugs,
        )
        policy = Policy(declared_ns=self.timer_ns)
        self.replies = self.prober(self.rack) if self.prober else None
        self.deaf = self.discoverer(self.rack) if self.discoverer else None
        ports = Ports(
            self.clock,
            self.deaf or self.rack.discoverer,
            self.rack.counters,
            self.replies or self.rack.prober,
            [Kept()],
            self.wakes(self.rack) if self.wakes else None,
            synchronised=(lambda: False) if self.judges_clock else None,
        )
        settings = Settings(
            policy=lambda disk: policy,
            calendar=lambda policy: None,
            say=self.said.append,
            fast_ns=lambda: policy.cadence.fast_ns,
        )
        self.reasons: Counter[str] = Counter()
        self.loop = Loop(ports, settings, on_entries=self.entries.extend)
        self._count_replies(ports)
        self.loop.run(until_ns)
        self.truth = self.rack.truth(self.clock.now())

    def _count_replies(self, ports: Ports) -> None:
        given = ports.prober.replies

        def counted(at_ns: int) -> list[Answered]:
            found = list(given(at_ns))
            for one in found:
                if one.probe.disk == "sim-n0":
                    refused = isinstance(one.reply, Refused)
                    self.reasons[one.reply.reason.value if refused else "state"] += 1  # type: ignore[union-attr]
            return found

        ports.prober.replies = counted  # type: ignore[method-assign]

    def seconds(self, state: State, disks: slice = slice(None)) -> float:
        """Of these disks together."""
        accounts = list(self.loop.accounts.values())[disks]
        return sum(lifetime(one).state_ns.get(state, 0) for one in accounts) / SECOND

    @property
    def lost_s(self) -> float:
        """Seconds of all disks that belong to no state or, below 0, to two. Those of an absent
        disk belong to none until it is back.
        """
        accounts = self.loop.accounts.values()
        assert all(one.at_ns == self.clock.now() for one in accounts if one.present)
        passed_ns = sum(one.at_ns for one in accounts)
        states_ns = sum(sum(lifetime(one).state_ns.values()) for one in accounts)
        return (passed_ns - states_ns) / SECOND

    def spin_ups(self, disks: slice = slice(None)) -> tuple[int, int]:
        """Of these disks: recorded, observed or by their counters; and made."""
        recorded = made = 0
        for identity, account in list(self.loop.accounts.items())[disks]:
            totals = lifetime(account)
            recorded += round(totals.cycles + totals.unobserved_cycles)
            made += self.truth[identity].cycles
        return recorded, made

    def probes(self, disks: slice = slice(None)) -> int:
        """Commands that these drives got."""
        return sum(self.truth[name].probes for name in list(self.loop.accounts)[disks])

    @property
    def own_wakes(self) -> int:
        """Spin-ups that a probe caused."""
        wakes = [(cause, n) for one in self.truth.values() for (cause, _), n in one.wakes.items()]
        return sum(number for cause, number in wakes if cause in ("probe", "log_read", OWN_PROBE))

    def years(self) -> set[int]:
        """In which spans begin, by their wall time; counted in days of 365.25 from 1970."""
        walls = [one.began_wall_ns for one in self.entries if isinstance(one, Span)]
        return {1970 + int(wall / SECOND / 86400 / 365.25) for wall in walls}
