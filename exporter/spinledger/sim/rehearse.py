"""`rehearse`: a simulated shelf through the real loop, in stepped time.

Rules: the same seed and the same beginning give the same bytes. Nothing real is waited for, so a
month takes as long as its samples cost. The live journal has no use here; the ledger file is
written every six simulated hours and at the end, and simulated time waits for it, so that what is
said of the file does not depend on the machine. Boot time counts from the shelf's epoch. A run
goes on in the boot in which its ledger ended, as `serve` does on a simulated shelf.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from spinledger.config.current import CurrentConfig
from spinledger.config.load import load
from spinledger.errors import BadInput, Misuse
from spinledger.facts import Snapshot
from spinledger.loop import Loop, Ports
from spinledger.loop.keeping import Keeping
from spinledger.loop.settings import settings
from spinledger.model import DAY, HOUR, SECOND
from spinledger.ports import Commit, Publisher
from spinledger.sim.backfill import Backfill
from spinledger.sim.clocks import SteppedClock, boot_name
from spinledger.sim.shelf import EPOCH_WALL_NS, SimulatedShelf
from spinledger.store.file import last_commit
from spinledger.store.ledger import FileStore

START_WALL_NS = 1_772_398_800 * SECOND
"""2026-03-01 21:00 UTC: thirty days from here hold a change of clocks in Europe."""

COMMIT_NS = 6 * HOUR
REPORT_NS = 2 * HOUR  # simulated time between two reports of progress


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What `rehearse` was asked to do."""

    days: float
    seed: int = 1
    disks: int = 8
    host: str = "attic"
    faults: tuple[str, ...] = ()
    zone: str = "Europe/Prague"
    start_wall_ns: int = START_WALL_NS
    config: Path | None = None
    step_ns: int = 240 * SECOND
    skip_end_ns: int = 0  # leave this much of the end out of the OpenMetrics file


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """What came of it."""

    shelf: SimulatedShelf
    loop: Loop
    clock: SteppedClock
    lines: int  # of the OpenMetrics file


class PromptStore(FileStore):
    """A file store in stepped time: a commit has ended before time goes on."""

    def commit(self, commit: Commit) -> bool:
        """Hand it over and wait for it."""
        taken = super().commit(commit)
        self.settle()
        return taken

    def due_ns(self) -> int | None:
        """Ready at once while a commit's end has not been noted: no descriptor is looked at."""
        return 0 if self.busy else None


class Until:
    """Passes snapshots on up to a boot time."""

    def __init__(self, inner: Publisher, until_ns: int) -> None:
        self._inner = inner
        self._until_ns = until_ns

    def wants(self, at_ns: int) -> bool:
        """As the inner one, until then."""
        return at_ns <= self._until_ns and self._inner.wants(at_ns)

    def taken(self) -> bool:
        """As the inner one."""
        return self._inner.taken()

    def publish(self, snapshot: Snapshot) -> None:
        """Pass it on."""
        if snapshot.at_ns <= self._until_ns:
            self._inner.publish(snapshot)


def rehearse(
    rehearsal: Rehearsal,
    ledger: Path,
    openmetrics: TextIO | None = None,
    names: tuple[str, str] = ("spinledger", "localhost:9786"),
    progress: Callable[[float], None] = lambda share: None,
) -> Rehearsed:
    """Run the shelf for its days. `names` are the labels job and instance; progress is 0 to 1."""
    began_ns = rehearsal.start_wall_ns - EPOCH_WALL_NS
    if began_ns <= 0:
        fix = "end it later, or rehearse fewer days"
        raise BadInput("the rehearsal", "would begin before 2026", fix)
    ended_ns = began_ns + round(rehearsal.days * DAY)
    shelf = SimulatedShelf(
        rehearsal.seed,
        began_ns,
        rehearsal.start_wall_ns,
        rehearsal.disks,
        rehearsal.host,
        rehearsal.faults,
        rehearsal.zone,
    )
    outages = shelf.outages(began_ns, ended_ns)
    boot = last_boot(ledger) or boot_name(rehearsal.seed)
    clock = SteppedClock(began_ns, rehearsal.start_wall_ns, boot)
    owner = CurrentConfig(
        rehearsal.config, load(rehearsal.config), rehearsal.start_wall_ns / SECOND
    )
    owner.take_simulated(shelf.policies, rehearsal.zone)
    publishers: list[Publisher] = []
    backfill = None
    if openmetrics is not None:
        backfill = Backfill(openmetrics, *names, rehearsal.step_ns)
        publishers.append(Until(backfill, ended_ns - rehearsal.skip_end_ns))
    loop = None

    def share(now_ns: int) -> float:
        return (now_ns - began_ns) / (ended_ns - began_ns)

    for outage in (*outages, None):
        stop_ns = ended_ns if outage is None else min(outage.began_ns, ended_ns)
        if clock.now() < stop_ns:
            loop = _watch(owner, shelf, clock, publishers, ledger)
            _run(loop, clock, stop_ns, lambda now: progress(share(now)))
        if outage is not None and outage.ended_ns > clock.now():
            clock.jump(min(outage.ended_ns, ended_ns))
            if outage.why == "reboot":
                clock.set_boot_id(boot_name(clock.boot_id()))
    if backfill is not None:
        backfill.end()
    if loop is None:
        raise Misuse("a rehearsal of no time")
    return Rehearsed(shelf, loop, clock, 0 if backfill is None else backfill.lines)


def ends_wall_ns(ledger: Path) -> int:
    """When a ledger ends, nanoseconds since the Unix epoch: where a rehearsal goes on. 0: empty."""
    commit = last_commit(ledger)
    return 0 if commit is None else commit.wall_ns


def last_boot(ledger: Path) -> str:
    """The id of the boot in which a ledger ends; "" where there is none."""
    commit = last_commit(ledger) if ledger.is_file() else None
    return "" if commit is None else commit.boot_id


def _watch(
    owner: CurrentConfig,
    shelf: SimulatedShelf,
    clock: SteppedClock,
    publishers: Sequence[Publisher],
    ledger: Path,
) -> Loop:
    """A run of the exporter from now on, on the ledger as it is."""
    ports = Ports(clock, shelf.discoverer, shelf.counters, shelf.prober, publishers, shelf.wakes)
    store = PromptStore(ledger, boot_id=clock.boot_id(), live=None, simulated=True)
    keeping = Keeping(store, store.restore(), COMMIT_NS, at_turns=False, live=False)
    return Loop(ports, settings(owner), keeping)


def _run(loop: Loop, clock: SteppedClock, stop_ns: int, progress: Callable[[int], None]) -> None:
    """One run of the loop, reporting as it goes."""
    reported = [clock.now()]

    def report(_entries: object) -> None:
        if clock.now() - reported[0] >= REPORT_NS:
            reported[0] = clock.now()
            progress(clock.now())

    loop.on_entries = report
    loop.run(stop_ns)
    if loop.keeping is not None:
        loop.keeping.store.close()
    progress(clock.now())
