"""A cross-checker without a program, and several simulated drives watched beside it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from spinledger.facts import DiskView
from spinledger.loop import Loop, Ports
from spinledger.loop.cross_check import CrossChecking
from spinledger.loop.settings import Settings
from spinledger.model import DAY, SECOND, Cadence, Disk, Entry, Gone, Policy, Seen
from spinledger.ports import CrossChecked
from spinledger.sim.clocks import SteppedClock
from spinledger.sim.kinds import Kind
from spinledger.sim.rack import Rack
from spinledger.sim.shelf import Bench, SimulatedShelf
from tests.fakes.facts import WALL_NS
from tests.fakes.series import view
from tests.fakes.watching import Kept

Result = Callable[[Disk, int], Mapping[str, int] | str]
"""Values, or a trouble, of a disk at a time."""


@dataclass
class FakeCrossChecker:
    """ports.CrossChecker, in virtual time."""

    result: Result
    takes_ns: int = 2 * SECOND
    started: Callable[[Disk, int], None] = lambda disk, at_ns: None
    log: list[tuple[int, str]] = field(default_factory=list)  # starts: time and disk
    reading: tuple[int, Disk] | None = None

    def start(self, disk: Disk, at_ns: int) -> bool:
        """Begin; a test fails where one is being read already."""
        assert self.reading is None, "two at a time"
        self.log.append((at_ns, disk.identity))
        self.reading = at_ns + self.takes_ns, disk
        self.started(disk, at_ns)
        return True

    def results(self, at_ns: int) -> Iterable[CrossChecked]:
        """The result, once its time has come."""
        if self.reading is None or at_ns < self.reading[0]:
            return []
        (_, disk), self.reading = self.reading, None
        result = self.result(disk, at_ns)
        if isinstance(result, str):
            return [CrossChecked(disk.identity, at_ns, {}, result, "as the test says")]
        return [CrossChecked(disk.identity, at_ns, result)]

    def due_ns(self) -> int | None:
        """When it has read."""
        return None if self.reading is None else self.reading[0]

    def fileno(self) -> int:
        """Nothing real to wait for."""
        return -1

    def close(self) -> None:
        """Nothing is held."""


POLICY = Policy(cadence=Cadence(cross_check_ns=DAY))


class Several:
    """Simulated drives with arrivals given by hand, watched by the real loop, a fake beside it."""

    def __init__(
        self,
        drives: Sequence[tuple[Kind, Sequence[float]]],
        checker: FakeCrossChecker | None,
        policy: Policy = POLICY,
        bearers: Callable[[Sequence[Disk]], frozenset[str]] | None = None,
        device: str = "",
    ) -> None:
        benches = [
            Bench(kind, [round(at * SECOND) for at in arrivals], name=f"n{number}")
            for number, (kind, arrivals) in enumerate(drives)
        ]
        self.rack: Rack = SimulatedShelf.of(benches, ())
        self.clock = SteppedClock(0, WALL_NS)
        self.kept = Kept()
        self.said: list[str] = []
        self.entries: list[Entry] = []
        finder = Units(self.rack, device) if device else self.rack.discoverer
        ports = Ports(self.clock, finder, self.rack.counters, self.rack.prober, [self.kept])
        settings = Settings(
            policy=lambda disk: policy,
            calendar=lambda policy: None,
            say=self.said.append,
            fast_ns=lambda: policy.cadence.fast_ns,
        )
        checking = None if checker is None else CrossChecking(checker, bearers)
        self.loop = Loop(ports, settings, None, checking, self.entries.extend)

    def run(self, until_s: float) -> Several:
        """Watch until a boot time in seconds."""
        self.loop.run(round(until_s * SECOND))
        return self

    def view(self, number: int) -> DiskView:
        """The view of a drive now, with its findings."""
        return view(self.loop.accounts[f"sim-n{number}"])


class Units:
    """Discovery of disks that all say they are units of one device."""

    def __init__(self, rack: Rack, device: str) -> None:
        self._rack, self._device = rack, device

    def scan(self, at_ns: int) -> tuple[Sequence[Seen], Sequence[tuple[str, str]]]:
        """All disks of the rack."""
        seen, skipped = self._rack.discoverer.scan(at_ns)
        return [self._alike(fact) for fact in seen], skipped

    def changes(self, at_ns: int) -> Iterable[Seen | Gone]:
        """What came and went."""
        for fact in self._rack.discoverer.changes(at_ns):
            yield self._alike(fact) if isinstance(fact, Seen) else fact

    def fileno(self) -> int:
        """Nothing real to wait for."""
        return -1

    def due_ns(self) -> int | None:
        """When the next comes or goes."""
        return self._rack.discoverer.due_ns()

    def _alike(self, fact: Seen) -> Seen:
        return replace(fact, disk=replace(fact.disk, device=self._device))
