"""The folds every ledger has: seconds per state, transitions, cycles, gaps.

Rules: integers inside (nanoseconds, counts); every label set that can move exists from zero;
`totals` adds what is still open without changing the state.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from typing import cast

from spinledger.ledger.table import TRANSITIONS
from spinledger.model import (
    SECOND,
    Cycle,
    Entry,
    Gap,
    Histogram,
    Labels,
    Number,
    State,
    Stretch,
    Transition,
)

Samples = Mapping[str, Mapping[Labels, Number]]

GAP_BOUNDS_S = (60.0, 300.0, 600.0, 1200.0, 1800.0, 3600.0, 7200.0, 14400.0, 28800.0, 86400.0)
"""Bounds of the idle gap histogram, seconds; common standby timers, so that a bar is a choice."""


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
        self._witnessed = 0
        self._unwitnessed = 0

    def step(self, entry: Entry) -> None:
        if isinstance(entry, Transition):
            self._pairs[(entry.before, entry.after)] += 1
        elif cast(Cycle, entry).witnessed:
            self._witnessed += 1
        else:
            self._unwitnessed += 1

    def totals(self, pending: Sequence[Entry]) -> Samples:
        return {
            "transitions": {_PAIR[pair]: n for pair, n in self._pairs.items()},
            "cycles": {("yes",): self._witnessed, ("no",): self._unwitnessed},
        }

    def dump(self) -> object:
        return {
            "pairs": {f"{b.value}>{a.value}": n for (b, a), n in self._pairs.items()},
            "witnessed": self._witnessed,
            "unwitnessed": self._unwitnessed,
        }

    def load(self, dumped: object) -> None:
        state = cast(dict[str, int], dumped)
        pairs = cast(dict[str, int], state["pairs"])
        self._pairs = {(b, a): pairs.get(f"{b.value}>{a.value}", 0) for b, a in TRANSITIONS}
        self._witnessed = state["witnessed"]
        self._unwitnessed = state["unwitnessed"]


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

    def histogram(self) -> Histogram:
        """Cumulative, as exposition wants it; open gaps are not in it."""
        running, counts = 0, []
        for bucket in self._buckets:
            running += bucket
            counts.append(running)
        return Histogram(GAP_BOUNDS_S, tuple(counts[:-1]), running, self._sum_ns / SECOND)

    def dump(self) -> object:
        return {"buckets": list(self._buckets), "sum_ns": self._sum_ns}

    def load(self, dumped: object) -> None:
        state = cast(dict[str, list[int]], dumped)
        self._buckets = list(state["buckets"])
        self._sum_ns = cast(int, state["sum_ns"])
