"""What-if timers: for each candidate standby timer, the spin-ups and the time asleep.

Rules of this room: pure; integer nanoseconds; a spin-down happens in a gap strictly longer than
the timer. Exact for given gaps; gaps seen live have the resolution of the sampling.

With instant spin-up, timer T and gaps g: cycles = count(g > T), asleep = sum over g > T of g - T.
A gap is put by one bisect into the bucket between two timers; a bucket holds a count and a sum.
Totals are sums over the buckets above a timer, made when somebody reads. The bisect is confined to
the timers in the gap's cell of a table. So a gap costs the same whatever the number of candidates.

With a spin-up time D, I/O that comes within D of the I/O that woke the disk is served at the end
of it, and idleness begins then. Which candidates are still spinning up differs: those that slept
share one ready time, so the candidates form a few runs of equal ready time, and a gap costs one
bisect a run. A gap no longer than the shortest timer puts no candidate to sleep in either model.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, cast

from spinledger.errors import Misuse
from spinledger.facts import Tried
from spinledger.model import SECOND, Entry, Gap, Policy

LONG_AGO = -(1 << 63)
CELLS = 256  # of equal width, from 0 to the longest timer
_ONE = 1 << 80  # one gap in a bucket; more nanoseconds than 38 million years

Run = tuple[int, int, int]  # candidates first..last-1, and a time


class Candidates:
    """Which candidates sleep in a gap. Holds the timers, ascending, and who is spinning up."""

    def __init__(self, timers_ns: Iterable[int], spinup_ns: int = 0) -> None:
        self.timers_ns = tuple(sorted(set(timers_ns)))
        if spinup_ns < 0 or any(timer < 0 for timer in self.timers_ns):
            raise Misuse("a timer and a spin-up time are not negative")
        self.spinup_ns = spinup_ns
        self.shortest_ns = self.timers_ns[0] if self.timers_ns else 1 << 63
        self.runs: list[Run] = [(0, len(self.timers_ns), LONG_AGO)]
        self.ended_ns = LONG_AGO
        self._width_ns = max(self.timers_ns, default=0) // CELLS + 1
        edges = (cell * self._width_ns for cell in range(CELLS + 1))
        self._below = [bisect_left(self.timers_ns, edge) for edge in edges]

    def slept(self, began_ns: int, ended_ns: int) -> Sequence[Run]:
        """Candidates (first, last) that sleep in this gap, and when their idleness began.

        Gaps come in order. The disk spins up at `ended_ns`.
        """
        if ended_ns - began_ns <= self.shortest_ns:
            return ()
        slept, self.runs = self._split(began_ns, ended_ns)
        self.ended_ns = ended_ns
        return slept

    def would_sleep(self, began_ns: int, ended_ns: int) -> Sequence[Run]:
        """As `slept`, for a gap still open at `ended_ns`; changes nothing."""
        if ended_ns - began_ns <= self.shortest_ns:
            return ()
        return self._split(began_ns, ended_ns)[0]

    def rebase(self, offset_ns: int) -> None:
        """Move the kept times: new time = old time + offset."""
        moved = ((first, last, self._moved(at, offset_ns)) for first, last, at in self.runs)
        self.runs, self.ended_ns = list(moved), self._moved(self.ended_ns, offset_ns)

    def _moved(self, at_ns: int, offset_ns: int) -> int:
        return at_ns if at_ns == LONG_AGO else at_ns + offset_ns

    def _shorter(self, length_ns: int) -> int:
        """How many timers are shorter: a bisect among the few in one cell."""
        cell = length_ns // self._width_ns
        if cell >= CELLS:
            return len(self.timers_ns)
        return bisect_left(self.timers_ns, length_ns, self._below[cell], self._below[cell + 1])

    def _split(self, began_ns: int, ended_ns: int) -> tuple[list[Run], list[Run]]:
        timers = self.timers_ns
        if not self.spinup_ns:
            return [(0, self._shorter(ended_ns - began_ns), began_ns)], self.runs
        ready_ns = ended_ns + self.spinup_ns
        # The usual case: nothing spins up any more. A gap that begins before the last one ended
        # comes after a reboot, and nothing spins up then either.
        if began_ns >= self.ended_ns + self.spinup_ns or began_ns < self.ended_ns:
            middle = self._shorter(ended_ns - began_ns)
            rest = (middle, len(timers), LONG_AGO)
            woken = (0, middle, ready_ns)
            return [(0, middle, began_ns)], [woken, rest] if middle < len(timers) else [woken]
        runs = self.runs
        slept: list[Run] = []
        left: list[Run] = []
        for first, last, ready in runs:
            since = max(began_ns, ready)
            middle = bisect_left(timers, ended_ns - since, first, last)
            if middle > first:
                slept.append((first, middle, since))
                _join(left, (first, middle, ready_ns))
            if middle < last:
                _join(left, (middle, last, ready if ready > ended_ns else LONG_AGO))
        return slept, left


def _join(runs: list[Run], run: Run) -> None:
    """Append a run, or lengthen the last one when it has the same time."""
    if runs and runs[-1][2] == run[2]:
        runs[-1] = (runs[-1][0], run[1], run[2])
    else:
        runs.append(run)


class Tally:
    """Sleeps and time asleep for each candidate, in buckets between the timers.

    A bucket is one integer, count x 2^80 + nanoseconds, so that a gap touches one place.
    """

    def __init__(self, timers_ns: Sequence[int]) -> None:
        self.timers_ns = timers_ns
        self.buckets = [0] * (len(timers_ns) + 1)

    def add(self, first: int, last: int, idle_ns: int) -> None:
        """Candidates first..last-1 slept in an idle time of `idle_ns`."""
        self.buckets[last] += _ONE + idle_ns
        if first:
            self.buckets[first] -= _ONE + idle_ns

    def totals(self) -> list[tuple[int, int]]:
        """(sleeps, nanoseconds asleep) of each candidate."""
        above = 0
        totals = []
        for bucket in range(len(self.timers_ns), 0, -1):
            above += self.buckets[bucket]
            cycles, idle = divmod(above, _ONE)
            totals.append((cycles, idle - cycles * self.timers_ns[bucket - 1]))
        return totals[::-1]


def seconds_label(ns: int) -> str:
    """A label value for a timer: whole seconds without a point."""
    whole, rest = divmod(ns, SECOND)
    return f"{whole}.{rest:09d}".rstrip("0") if rest else str(whole)


class WhatIf:
    """Fold: spin-ups and time asleep for each candidate timer of the policy.

    A spin-up is counted where the gap ends: a sleep still open is none yet. A censored gap counts
    by the part that was observed, a lower bound: had it been dropped, the time asleep would fall
    when an open gap ends unobserved. A long gap that a restart cuts in two may count twice.

    Totals are kept by timer: where the policy names other timers or another spin-up time, a timer
    that stays keeps its totals, and a new one begins at zero.
    """

    eats: tuple[type, ...] = (Gap,)

    def __init__(self, timers_ns: Iterable[int] = (), spinup_ns: int = 0) -> None:
        self._candidates = Candidates(timers_ns, spinup_ns)
        self._tally = Tally(self._candidates.timers_ns)
        self._carried: dict[int, Tried] = {}  # totals from other sets of candidates

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one gap that has ended."""
        gap = cast(Gap, entry)
        if not self._serves(policy):
            other = self._under(policy)
            self._candidates, self._tally = other._candidates, other._tally
            self._carried = other._carried
        for first, last, since in self._candidates.slept(gap.began_ns, gap.ended_ns):
            self._tally.add(first, last, gap.ended_ns - since)

    def totals(self, pending: Gap, policy: Policy) -> Mapping[int, Tried]:
        """By timer in nanoseconds; of the open gap the time asleep alone."""
        if not self._serves(policy):
            return self._under(policy).totals(pending, policy)
        totals = self._by_timer(self._tally)
        for first, last, since in self._candidates.would_sleep(pending.began_ns, pending.ended_ns):
            for timer in self._tally.timers_ns[first:last]:
                one = totals[timer]
                asleep_ns = one.asleep_ns + pending.ended_ns - since - timer
                totals[timer] = Tried(one.spin_ups, asleep_ns)
        return totals

    def _serves(self, policy: Policy) -> bool:
        """True where the totals are kept for the policy's timers and spin-up time."""
        here = self._candidates
        if here.spinup_ns != policy.whatif_spinup_ns:
            return False
        return here.timers_ns == policy.candidates_ns or here.timers_ns == tuple(
            sorted(set(policy.candidates_ns))
        )

    def _under(self, policy: Policy) -> WhatIf:
        """The same totals, as far as they are of timers that the policy names."""
        other = WhatIf(policy.candidates_ns, policy.whatif_spinup_ns)
        kept = self._by_timer(self._tally)
        other._carried = {
            timer: kept[timer] for timer in other._candidates.timers_ns if timer in kept
        }
        return other

    def _by_timer(self, tally: Tally) -> dict[int, Tried]:
        totals = {}
        for timer, (count, slept) in zip(tally.timers_ns, tally.totals(), strict=True):
            before = self._carried.get(timer, _NOTHING)
            totals[timer] = Tried(before.spin_ups + count, before.asleep_ns + slept)
        return totals

    def rebase(self, offset_ns: int) -> None:
        """Move the ends of spin-ups to another boot's clock."""
        self._candidates.rebase(offset_ns)

    def dump(self) -> object:
        """Timers, buckets and runs as lists of integers."""
        return {
            "timers": list(self._tally.timers_ns),
            "spinup": self._candidates.spinup_ns,
            "buckets": list(self._tally.buckets),
            "carried": [[timer, *totals] for timer, totals in self._carried.items()],
            "runs": [list(run) for run in self._candidates.runs],
            "ended": self._candidates.ended_ns,
        }

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        self._candidates = Candidates(dumped["timers"], dumped["spinup"])
        self._candidates.runs = [(first, last, ready) for first, last, ready in dumped["runs"]]
        self._candidates.ended_ns = dumped["ended"]
        self._tally = Tally(self._candidates.timers_ns)
        self._tally.buckets = list(dumped["buckets"])
        self._carried = {timer: Tried(count, slept) for timer, count, slept in dumped["carried"]}


_NOTHING = Tried(0, 0)
