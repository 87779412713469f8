"""Watch simulated drives through the real loop in stepped time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from spinledger.facts import DiskView, Snapshot
from spinledger.ledger.account import Account
from spinledger.loop import Loop, Ports
from spinledger.loop.settings import Settings
from spinledger.model import (
    SECOND,
    Cadence,
    Entry,
    Policy,
)
from spinledger.ports import WakeSource
from spinledger.sim.clocks import SteppedClock
from spinledger.sim.drive import Burst
from spinledger.sim.kinds import KINDS, Kind, retimed
from spinledger.sim.rack import Action, Rack
from spinledger.sim.shelf import Bench, Plug, SimulatedShelf
from tests.fakes.facts import WALL_NS
from tests.fakes.series import view


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
        brothers: int = 0,
        wakes: Callable[[Rack], WakeSource] | None = None,
        more: Sequence[Action] = (),
    ) -> None:
        """`brothers`: so many more drives of the kind, used at the same times; `wakes`: what says
        why they wake, by their rack.
        """
        self.policy = Policy() if policy is None else policy
        self.rack: Rack = SimulatedShelf.of(
            [
                Bench(drive, [_arrival(at) for at in arrivals_s], name=name)
                for name in ("one", *(f"brother-{n}" for n in range(brothers)))
            ],
            plugs,
            more=more,
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
            None if wakes is None else wakes(self.rack),
        )
        settings = Settings(
            policy=lambda disk: self.policy,
            calendar=lambda policy: None,
            say=self.said.append,
            fast_ns=lambda: self.policy.cadence.fast_ns,
        )
        self.loop = Loop(ports, settings, on_entries=self.entries.extend)

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
        """When the drive got a probe of ours, in seconds."""
        tally = self.rack.places[0].drive.settle(self.clock.now())
        return [sent.at_ns / SECOND for sent in tally.sent if sent.what == "probe"]


def _arrival(at_s: float | Burst) -> int | Burst:
    return at_s if isinstance(at_s, Burst) else round(at_s * SECOND)


def with_timer(timer_s: float | None, wear_ns: int | None = None, **more: object) -> Policy:
    """A policy with a declared timer; the default cadence, but for readings."""
    declared = None if timer_s is None else round(timer_s * SECOND)
    cadence = Cadence() if wear_ns is None else Cadence(wear_ns=wear_ns)
    return replace(Policy(cadence=cadence, declared_ns=declared), **more)  # type: ignore[arg-type]
