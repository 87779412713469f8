"""Every counter of one disk, as folds over its entries.

Rules: a fold takes entries one at a time and keeps what it needs for its totals. It stores no
policy: the policy is an argument of `step` and of `totals`, and what depends on a timer or on a
schedule is kept by that timer or schedule. `dump` gives JSON types, and `load(dump())` restores
the state exactly.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Protocol

from spinledger.findings.ageing import Gained, Missed, WaitTimes
from spinledger.findings.awake import LastUse, SinceSleep
from spinledger.findings.intervals import Intervals
from spinledger.findings.lately import LastDay, LastSleeps
from spinledger.findings.woken import LastWakes
from spinledger.ledger.counts import Changes, IdleGaps, SpinUps, StateTimes
from spinledger.model import Entry, Policy
from spinledger.quiet.window import QuietWindows
from spinledger.wear.budget import RecentCycles
from spinledger.wear.life import DriveCounters
from spinledger.whatif.energy import Energy
from spinledger.whatif.gaps import WhatIf


class Fold(Protocol):
    """One counter of one disk. `eats` names the entry types that `step` takes."""

    eats: tuple[type, ...]

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one recorded entry, under the policy that was in force."""

    def dump(self) -> object:
        """The state as JSON types."""

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""

    def rebase(self, offset_ns: int) -> None:
        """Move kept boot-clock times to another boot: new time = old time + offset."""


@dataclass(slots=True)
class Folds:
    """All folds of one disk, by name. `recent_cycles` is filled again from the ledger's cycles."""

    state_times: StateTimes = field(default_factory=StateTimes)
    changes: Changes = field(default_factory=Changes)
    idle_gaps: IdleGaps = field(default_factory=IdleGaps)
    spin_ups: SpinUps = field(default_factory=SpinUps)
    recent_cycles: RecentCycles = field(default_factory=RecentCycles)
    quiet_windows: QuietWindows = field(default_factory=QuietWindows)
    whatif: WhatIf = field(default_factory=WhatIf)
    energy: Energy = field(default_factory=Energy)
    drive_counters: DriveCounters = field(default_factory=DriveCounters)
    last_day: LastDay = field(default_factory=LastDay)
    last_sleeps: LastSleeps = field(default_factory=LastSleeps)
    last_wakes: LastWakes = field(default_factory=LastWakes)
    since_sleep: SinceSleep = field(default_factory=SinceSleep)
    intervals: Intervals = field(default_factory=Intervals)
    wait_times: WaitTimes = field(default_factory=WaitTimes)
    loads_and_starts: Gained = field(default_factory=lambda: Gained("loads", "start_stops"))
    retracts: Gained = field(default_factory=lambda: Gained("retracts", "power_cycles"))
    missed: Missed = field(default_factory=Missed)
    last_use: LastUse = field(default_factory=LastUse)
    _by_type: dict[type, tuple[Fold, ...]] = field(default_factory=dict)

    def feed(self, entries: Iterable[Entry], policy: Policy) -> None:
        """Hand each entry to the folds that take its type."""
        for entry in entries:
            kind = type(entry)
            takers = self._by_type.get(kind)
            if takers is None:
                takers = tuple(fold for _, fold in self.named() if kind in fold.eats)
                self._by_type[kind] = takers
            for fold in takers:
                fold.step(entry, policy)

    def named(self) -> list[tuple[str, Fold]]:
        """Every fold with its name."""
        return [
            (one.name, getattr(self, one.name)) for one in fields(self) if one.name != "_by_type"
        ]

    def dump(self) -> dict[str, object]:
        """All states by name."""
        return {name: fold.dump() for name, fold in self.named() if name != "recent_cycles"}

    def load(self, dumped: Mapping[str, object]) -> None:
        """Replace the states; one that the dump lacks begins anew."""
        for name, fold in self.named():
            if name in dumped:
                fold.load(dumped[name])

    def rebase(self, offset_ns: int) -> None:
        """Move kept boot-clock times to another boot."""
        for _, fold in self.named():
            fold.rebase(offset_ns)
