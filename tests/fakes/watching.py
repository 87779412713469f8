"""Watch simulated drives through the real loop in stepped time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from spinledger.ledger.account import Account
from spinledger.ledger.facts import view
from spinledger.ledger.folds import Changes, IdleGaps, StateSeconds
from spinledger.loop import Loop, Ports, Wishes
from spinledger.model import (
    SECOND,
    Cadence,
    Disk,
    DiskView,
    Entry,
    Policy,
    Snapshot,
)
from spinledger.ports import Fold
from spinledger.sim.clocks import SteppedClock
from spinledger.sim.drive import Burst
from spinledger.sim.kinds import KINDS, Kind, retimed
from spinledger.sim.rack import Rack
from spinledger.sim.shelf import Bench, Plug, SimulatedShelf
from spinledger.wear.life import DrivesOwn
from tests.fakes.facts import WALL_NS


@dataclass
class Kept:
    """A publisher that keeps the newest snapshot."""

    snapshots: list[Snapshot] = field(default_factory=list)

    def wants(self, at_ns: int) -> bool:
        """Only the last one, which is forced."""
        return False

    def taken(self) -> bool:
        """True once it has one."""
        return bool(self.snapshots)

    def publish(self, snapshot: Snapshot) -> None:
        """Keep it."""
        self.snapshots.append(snapshot)


def kind(name: str, timer_s: float | None) -> Kind:
    """A kind of simulated drive with another standby timer."""
    return retimed(KINDS[name], None if timer_s is None else round(timer_s * SECOND))


class Watched:
    """One simulated drive, its arrivals given by hand, watched by the real loop."""

    def __init__(
        self,
        drive: Kind,
        arrivals_s: Sequence[float | Burst],
        policy: Policy | None = None,
        plugs: Sequence[Plug] = (),
        folds: Callable[[Disk, Policy], Sequence[Fold]] | None = None,
        brothers: int = 0,
    ) -> None:
        """`brothers`: so many more drives of the kind, used at the same times."""
        self.policy = Policy() if policy is None else policy
        self.rack: Rack = SimulatedShelf.of(
            [
                Bench(drive, [_arrival(at) for at in arrivals_s], name=name)
                for name in ("one", *(f"brother-{n}" for n in range(brothers)))
            ],
            plugs,
        )
        self.clock = SteppedClock(0, WALL_NS)
        self.kept = Kept()
        self.entries: list[Entry] = []
        self.said: list[str] = []
        ports = Ports(
            self.clock,
            self.rack.discoverer,
            self.rack.counters,
            self.rack.prober,
            [self.kept],
        )
        wishes = Wishes(
            policy=lambda disk: self.policy,
            folds=folds or _folds,
            calendar=lambda policy: None,
            exporter=dict,
            say=self.said.append,
        )
        self.loop = Loop(ports, wishes, self.policy.cadence.fast_ns)
        self.loop.recorded = self.entries.extend

    def run(self, until_s: float) -> Watched:
        """Watch until a boot time in seconds."""
        self.loop.run(round(until_s * SECOND))
        return self

    @property
    def account(self) -> Account:
        """The drive's account."""
        (account,) = self.loop.accounts.values()
        return account

    @property
    def view(self) -> DiskView:
        """The drive's view now."""
        return view(self.account)

    @property
    def log(self) -> list[float]:
        """When the drive got a question of ours, in seconds."""
        tally = self.rack.places[0].drive.settle(self.clock.now())
        return [sent.at_ns / SECOND for sent in tally.sent if sent.what == "question"]


def _arrival(at_s: float | Burst) -> int | Burst:
    return at_s if isinstance(at_s, Burst) else round(at_s * SECOND)


def _folds(disk: Disk, policy: Policy) -> Sequence[Fold]:
    return (StateSeconds(), Changes(), IdleGaps(), DrivesOwn(policy))


def with_timer(timer_s: float | None, wear_ns: int | None = None, **more: object) -> Policy:
    """A policy with a declared timer; the default cadence, but for readings."""
    declared = None if timer_s is None else round(timer_s * SECOND)
    cadence = Cadence() if wear_ns is None else Cadence(wear_ns=wear_ns)
    return replace(Policy(cadence=cadence, declared_ns=declared), **more)  # type: ignore[arg-type]
