"""Folds that only count: time per state, transitions, spin-ups, gaps.

Rules: integers inside (nanoseconds, counts); every entry that can move exists from zero; `totals`
adds what is still open without changing the state.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from itertools import accumulate
from typing import Any, cast

from spinledger.causes import CAUSES
from spinledger.ledger.table import TRANSITIONS
from spinledger.model import (
    SECOND,
    Cycle,
    Entry,
    Explained,
    Gap,
    Histogram,
    Policy,
    State,
    Stretch,
    Transition,
)

GAP_BOUNDS_S = (60.0, 300.0, 600.0, 1200.0, 1800.0, 3600.0, 7200.0, 14400.0, 28800.0, 86400.0)
"""Bounds of the idle gap histogram, seconds: common standby timers, so that a bar is a choice."""

WAIT_BOUNDS_S = (0.5, 1.0, 2.0, 5.0, 8.0, 12.0, 20.0, 60.0)
"""Bounds of the histogram of waits, seconds; drives state 4 to 20 s from standby to ready."""

MORE_ACTORS, NO_ACTOR = "other", "unknown"
"""Label values beside the actors that have a series of their own: the rest, and nobody known."""


class Timeless:
    """A fold that keeps no boot-clock times."""

    def rebase(self, offset_ns: int) -> None:
        """Nothing to move."""


class StateTimes(Timeless):
    """Time per state, in all and inside quiet hours."""

    eats: tuple[type, ...] = (Stretch,)

    def __init__(self) -> None:
        self._all = dict.fromkeys(State, 0)
        self._quiet = dict.fromkeys(State, 0)

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one stretch."""
        _add(cast(Stretch, entry), self._all, self._quiet)

    def totals(self, pending: Stretch) -> tuple[Mapping[State, int], Mapping[State, int]]:
        """Nanoseconds by state: all, and those inside quiet hours; the open stretch included."""
        every, quiet = dict(self._all), dict(self._quiet)
        _add(pending, every, quiet)
        return every, quiet

    def dump(self) -> object:
        """Nanoseconds by state."""
        return {
            "all": {s.value: ns for s, ns in self._all.items()},
            "quiet": {s.value: ns for s, ns in self._quiet.items()},
        }

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        self._all = {s: dumped["all"].get(s.value, 0) for s in State}
        self._quiet = {s: dumped["quiet"].get(s.value, 0) for s in State}


def _add(stretch: Stretch, every: dict[State, int], quiet: dict[State, int]) -> None:
    length = stretch.ended_ns - stretch.began_ns
    every[stretch.state] += length
    if stretch.quiet:
        quiet[stretch.state] += length


class Changes(Timeless):
    """Transitions by pair, and spin-ups."""

    eats: tuple[type, ...] = (Transition, Cycle)

    def __init__(self) -> None:
        self.transitions = dict.fromkeys(TRANSITIONS, 0)
        self.observed = 0
        self.unobserved = 0

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one transition or spin-up."""
        if isinstance(entry, Transition):
            self.transitions[(entry.before, entry.after)] += 1
        elif cast(Cycle, entry).observed:
            self.observed += 1
        else:
            self.unobserved += 1

    def dump(self) -> object:
        """Counts, a transition as before>after."""
        return {
            "transitions": {f"{b.value}>{a.value}": n for (b, a), n in self.transitions.items()},
            "observed": self.observed,
            "unobserved": self.unobserved,
        }

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        pairs = dumped["transitions"]
        self.transitions = {(b, a): pairs.get(f"{b.value}>{a.value}", 0) for b, a in TRANSITIONS}
        self.observed = dumped["observed"]
        self.unobserved = dumped["unobserved"]


class SpinUps(Timeless):
    """Spin-ups by cause and by actor, and a histogram of how long their first requests waited.

    An actor that has a count of its own keeps it, whatever `limits.actors` says later.
    """

    eats: tuple[type, ...] = (Explained,)

    def __init__(self) -> None:
        self.causes = dict.fromkeys(CAUSES, 0)
        self.actors = {NO_ACTOR: 0, MORE_ACTORS: 0}
        self._buckets = [0] * (len(WAIT_BOUNDS_S) + 1)
        self._sum_ns = 0

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one explained spin-up."""
        explained = cast(Explained, entry)
        self.causes[explained.cause] = self.causes.get(explained.cause, 0) + 1
        actor = explained.actor or NO_ACTOR
        if actor not in self.actors and len(self.actors) - 2 >= policy.actor_limit:
            actor = MORE_ACTORS
        self.actors[actor] = self.actors.get(actor, 0) + 1
        if explained.wait_ns is not None:
            self._buckets[bisect_left(WAIT_BOUNDS_S, explained.wait_ns / SECOND)] += 1
            self._sum_ns += explained.wait_ns

    def waits(self) -> Histogram:
        """How long first requests waited, seconds."""
        return cumulative(WAIT_BOUNDS_S, self._buckets, self._sum_ns)

    def dump(self) -> object:
        """Counts by cause and actor, and the histogram."""
        return {
            "causes": dict(self.causes),
            "actors": dict(self.actors),
            "buckets": self._buckets,
            "sum_ns": self._sum_ns,
        }

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        self.causes = {**dict.fromkeys(CAUSES, 0), **dumped["causes"]}
        nobody = {NO_ACTOR: sum(self.causes.values()), MORE_ACTORS: 0}  # kept before actors were
        self.actors = dict(dumped.get("actors", nobody))
        self._buckets, self._sum_ns = list(dumped["buckets"]), dumped["sum_ns"]


class IdleGaps(Timeless):
    """Histogram of the gaps between two requests of others whose both ends were observed."""

    eats: tuple[type, ...] = (Gap,)

    def __init__(self) -> None:
        self._buckets = [0] * (len(GAP_BOUNDS_S) + 1)
        self._sum_ns = 0

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one gap."""
        gap = cast(Gap, entry)
        if not gap.censored:
            length = gap.ended_ns - gap.began_ns
            self._buckets[bisect_left(GAP_BOUNDS_S, length / SECOND)] += 1
            self._sum_ns += length

    def lengths(self) -> Histogram:
        """Gaps, seconds; an open one is not in it."""
        return cumulative(GAP_BOUNDS_S, self._buckets, self._sum_ns)

    def dump(self) -> object:
        """The histogram."""
        return {"buckets": self._buckets, "sum_ns": self._sum_ns}

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        self._buckets = list(dumped["buckets"])
        self._sum_ns = dumped["sum_ns"]


def cumulative(bounds: Sequence[float], buckets: Sequence[int], sum_ns: int) -> Histogram:
    """A histogram of counts per bucket; the last bucket has no bound."""
    counts = tuple(accumulate(buckets))
    return Histogram(tuple(bounds), counts[:-1], counts[-1], sum_ns / SECOND)
