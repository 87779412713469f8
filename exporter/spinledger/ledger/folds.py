"""The folds every ledger has: seconds per state, transitions, cycles, gaps.

Rules: integers inside (nanoseconds, counts); every label set that can move exists from zero;
`totals` adds what is still open without changing the state.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from itertools import accumulate
from typing import Any, cast

from spinledger.findings.ageing import Parking, Waits
from spinledger.findings.awake import Holding
from spinledger.findings.intervals import Beats
from spinledger.findings.lately import Lately, Naps
from spinledger.ledger.table import TRANSITIONS
from spinledger.model import (
    SECOND,
    Cycle,
    Disk,
    Entry,
    Explained,
    Gap,
    Histogram,
    Labels,
    Number,
    Policy,
    State,
    Stretch,
    Transition,
)
from spinledger.ports import Fold
from spinledger.quiet.window import QuietWindow
from spinledger.wear.budget import RecentCycles
from spinledger.wear.life import DrivesOwn
from spinledger.whatif.energy import Energy
from spinledger.whatif.gaps import WhatIf

Samples = Mapping[str, Mapping[Labels, Number]]

GAP_BOUNDS_S = (60.0, 300.0, 600.0, 1200.0, 1800.0, 3600.0, 7200.0, 14400.0, 28800.0, 86400.0)
"""Bounds of the idle gap histogram, seconds; common standby timers, so that a bar is a choice."""

WAIT_BOUNDS_S = (0.5, 1.0, 2.0, 5.0, 8.0, 12.0, 20.0, 60.0)
"""Bounds of the histogram of waits, seconds; drives state 4 to 20 s from standby to ready."""


READ, WRITE, BOTH, OTHER = "read", "write", "read_and_write", "other"
CAUSES = (READ, WRITE, BOTH, OTHER)
"""Why a spin-up came, by what moved first; label values."""

_STATE: Mapping[State, Labels] = {state: (state.value,) for state in State}
_PAIR: Mapping[tuple[State, State], Labels] = {(b, a): (b.value, a.value) for b, a in TRANSITIONS}


class Timeless:
    """A fold that keeps no boot-clock times."""

    def rebase(self, offset_ns: int) -> None:
        """Nothing to move."""


class StateSeconds(Timeless):
    """Seconds per state, in all and inside quiet hours."""

    name = "state_seconds"
    eats: tuple[type, ...] = (Stretch,)
    gauges: frozenset[str] = frozenset()

    def __init__(self) -> None:
        self._all = dict.fromkeys(State, 0)
        self._quiet = dict.fromkeys(State, 0)

    def step(self, entry: Entry) -> None:
        stretch = cast(Stretch, entry)
        length = stretch.ended_ns - stretch.began_ns
        self._all[stretch.state] += length
        if stretch.quiet:
            self._quiet[stretch.state] += length

    def totals(self, pending: Sequence[Entry]) -> Samples:
        every, quiet = dict(self._all), dict(self._quiet)
        for entry in pending:
            if isinstance(entry, Stretch):
                every[entry.state] += entry.ended_ns - entry.began_ns
                if entry.quiet:
                    quiet[entry.state] += entry.ended_ns - entry.began_ns
        return {
            "state_seconds": {_STATE[s]: ns / SECOND for s, ns in every.items()},
            "quiet_state_seconds": {_STATE[s]: ns / SECOND for s, ns in quiet.items()},
        }

    def dump(self) -> object:
        return {
            "all": {s.value: ns for s, ns in self._all.items()},
            "quiet": {s.value: ns for s, ns in self._quiet.items()},
        }

    def load(self, dumped: object) -> None:
        state = cast(dict[str, dict[str, int]], dumped)
        self._all = {s: state["all"].get(s.value, 0) for s in State}
        self._quiet = {s: state["quiet"].get(s.value, 0) for s in State}


class Changes(Timeless):
    """Transitions by pair, and cycles."""

    name = "changes"
    eats: tuple[type, ...] = (Transition, Cycle)
    gauges: frozenset[str] = frozenset()

    def __init__(self) -> None:
        self._pairs = dict.fromkeys(TRANSITIONS, 0)
        self._observed = 0
        self._unobserved = 0

    def step(self, entry: Entry) -> None:
        if isinstance(entry, Transition):
            self._pairs[(entry.before, entry.after)] += 1
        elif cast(Cycle, entry).observed:
            self._observed += 1
        else:
            self._unobserved += 1

    def totals(self, pending: Sequence[Entry]) -> Samples:
        return {
            "transitions": {_PAIR[pair]: n for pair, n in self._pairs.items()},
            "cycles": {("yes",): self._observed, ("no",): self._unobserved},
        }

    def dump(self) -> object:
        return {
            "pairs": {f"{b.value}>{a.value}": n for (b, a), n in self._pairs.items()},
            "observed": self._observed,
            "unobserved": self._unobserved,
        }

    def load(self, dumped: object) -> None:
        state = cast(dict[str, int], dumped)
        pairs = cast(dict[str, int], state["pairs"])
        self._pairs = {(b, a): pairs.get(f"{b.value}>{a.value}", 0) for b, a in TRANSITIONS}
        self._observed = state["observed"]
        self._unobserved = state["unobserved"]


class Wakes(Timeless):
    """Spin-ups by cause, and a histogram of how long their first requests waited, where known."""

    name = "wakes"
    eats: tuple[type, ...] = (Explained,)
    gauges: frozenset[str] = frozenset()

    def __init__(self, causes: Sequence[str]) -> None:
        self._causes = dict.fromkeys(causes, 0)
        self._buckets = [0] * (len(WAIT_BOUNDS_S) + 1)
        self._sum_ns = 0

    def step(self, entry: Entry) -> None:
        explained = cast(Explained, entry)
        self._causes[explained.cause] = self._causes.get(explained.cause, 0) + 1
        if explained.wait_ns is not None:
            self._buckets[bisect_left(WAIT_BOUNDS_S, explained.wait_ns / SECOND)] += 1
            self._sum_ns += explained.wait_ns

    def totals(self, pending: Sequence[Entry]) -> Samples:
        return {"wakes": {(cause,): count for cause, count in self._causes.items()}}

    def histograms(self) -> Mapping[str, Histogram]:
        """Waits, cumulative."""
        return {"wake_wait_seconds": _cumulative(WAIT_BOUNDS_S, self._buckets, self._sum_ns)}

    def dump(self) -> object:
        return {
            "causes": dict(self._causes),
            "buckets": list(self._buckets),
            "sum_ns": self._sum_ns,
        }

    def load(self, dumped: object) -> None:
        state = cast(dict[str, Any], dumped)
        self._causes |= state["causes"]
        self._buckets, self._sum_ns = list(state["buckets"]), state["sum_ns"]


def _cumulative(bounds: Sequence[float], buckets: Sequence[int], sum_ns: int) -> Histogram:
    counts = tuple(accumulate(buckets))
    return Histogram(tuple(bounds), counts[:-1], counts[-1], sum_ns / SECOND)


class IdleGaps(Timeless):
    """Histogram of the gaps between two foreign I/Os whose both ends were seen."""

    name = "idle_gaps"
    eats: tuple[type, ...] = (Gap,)
    gauges: frozenset[str] = frozenset()

    def __init__(self) -> None:
        self._buckets = [0] * (len(GAP_BOUNDS_S) + 1)
        self._sum_ns = 0

    def step(self, entry: Entry) -> None:
        gap = cast(Gap, entry)
        if not gap.censored:
            length = gap.ended_ns - gap.began_ns
            self._buckets[bisect_left(GAP_BOUNDS_S, length / SECOND)] += 1
            self._sum_ns += length

    def totals(self, pending: Sequence[Entry]) -> Samples:
        return {}

    def histograms(self) -> Mapping[str, Histogram]:
        """Gaps, cumulative; open ones are not in it."""
        return {"idle_gap_seconds": _cumulative(GAP_BOUNDS_S, self._buckets, self._sum_ns)}

    def dump(self) -> object:
        return {"buckets": list(self._buckets), "sum_ns": self._sum_ns}

    def load(self, dumped: object) -> None:
        state = cast(dict[str, list[int]], dumped)
        self._buckets = list(state["buckets"])
        self._sum_ns = cast(int, state["sum_ns"])


def folds(disk: Disk, policy: Policy) -> Sequence[Fold]:
    """Every counter of one disk."""
    return (
        StateSeconds(),
        Changes(),
        IdleGaps(),
        Wakes(CAUSES),
        RecentCycles(policy),
        QuietWindow(),
        WhatIf(policy.candidates_ns),
        Energy(policy),
        DrivesOwn(policy),
        Lately(),
        Naps(policy.declared_ns or 0),
        Holding(),
        Beats(policy.cadence.fast_ns),
        Waits(),
        Parking(),
    )
