"""What-if timers: for each candidate standby timer, the spin-downs and the time asleep.

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

from spinledger.errors import Misuse
from spinledger.model import SECOND, Entry, Gap, Labels, Number

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
    """Spin-downs and time asleep for each candidate, in buckets between the timers.

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
        """(spin-downs, nanoseconds asleep) of each candidate."""
        above = 0
        totals = []
        for bucket in range(len(self.timers_ns), 0, -1):
            above += self.buckets[bucket]
            cycles, idle = divmod(above, _ONE)
            totals.append((cycles, idle - cycles * self.timers_ns[bucket - 1]))
        return totals[::-1]

    def copy(self) -> Tally:
        """A tally that may be changed without changing this one."""
        twin = Tally(self.timers_ns)
        twin.buckets = list(self.buckets)
        return twin


def seconds_label(ns: int) -> str:
    """A label value for a timer: whole seconds without a point."""
    whole, rest = divmod(ns, SECOND)
    return f"{whole}.{rest:09d}".rstrip("0") if rest else str(whole)


class WhatIf:
    """Fold: keys `whatif_cycles` and `whatif_asleep_seconds` by `standby_seconds`.

    A cycle is counted at its spin-down, so the open gap counts as soon as it is longer than the
    timer. A censored gap counts by the part that was seen, a lower bound: had it been dropped, the
    counters would fall when an open gap ends unseen. A long gap that a restart cuts in two may
    count twice. When the candidates change, a timer that stays keeps its totals, a new one begins
    at zero.
    """

    name = "whatif"
    eats: tuple[type, ...] = (Gap,)
    gauges: frozenset[str] = frozenset()

    def __init__(self, candidates_ns: Iterable[int], spinup_ns: int = 0) -> None:
        self._candidates = Candidates(candidates_ns, spinup_ns)
        self._tally = Tally(self._candidates.timers_ns)
        self._carried: dict[int, tuple[int, int]] = {}  # totals from other sets of candidates

    def step(self, entry: Entry) -> None:
        """Take one gap that has ended."""
        if isinstance(entry, Gap):
            for first, last, since in self._candidates.slept(entry.began_ns, entry.ended_ns):
                self._tally.add(first, last, entry.ended_ns - since)

    def totals(self, pending: Sequence[Entry]) -> Mapping[str, Mapping[Labels, Number]]:
        """Spin-downs, and seconds asleep, the open gap included."""
        tally = self._tally
        for entry in pending:
            if isinstance(entry, Gap):
                runs = self._candidates.would_sleep(entry.began_ns, entry.ended_ns)
                tally = tally.copy() if runs else tally
                for first, last, since in runs:
                    tally.add(first, last, entry.ended_ns - since)
        cycles: dict[Labels, Number] = {}
        asleep: dict[Labels, Number] = {}
        for timer, (count, slept) in self._by_timer(tally).items():
            cycles[(seconds_label(timer),)] = count
            asleep[(seconds_label(timer),)] = slept / SECOND
        return {"whatif_cycles": cycles, "whatif_asleep_seconds": asleep}

    def _by_timer(self, tally: Tally) -> dict[int, tuple[int, int]]:
        totals = {}
        for timer, (count, slept) in zip(tally.timers_ns, tally.totals(), strict=True):
            before = self._carried.get(timer, (0, 0))
            totals[timer] = before[0] + count, before[1] + slept
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

    def load(self, dumped: object) -> None:
        """Replace the state; the dump may be of other candidates or another spin-up time."""
        if not isinstance(dumped, Mapping):
            raise Misuse("a what-if dump is a mapping")
        here = self._candidates
        there = WhatIf(dumped["timers"], dumped["spinup"])
        there._tally.buckets = list(dumped["buckets"])
        there._carried = {timer: (count, slept) for timer, count, slept in dumped["carried"]}
        same_timers = there._tally.timers_ns == here.timers_ns
        if same_timers and here.spinup_ns == there._candidates.spinup_ns:
            self._tally, self._carried = there._tally, there._carried
            here.runs = [(first, last, ready) for first, last, ready in dumped["runs"]]
            here.ended_ns = dumped["ended"]
            return
        kept = there._by_timer(there._tally)
        self._carried = {timer: kept[timer] for timer in here.timers_ns if timer in kept}
        self._tally = Tally(here.timers_ns)
        here.runs, here.ended_ns = [(0, len(here.timers_ns), LONG_AGO)], LONG_AGO
