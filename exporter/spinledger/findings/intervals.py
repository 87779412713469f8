"""Accesses at fixed intervals: the same interval again and again, or a disk that is never still.

Rules of this room: pure; a fold over gaps and stretches; nanoseconds inside. Times are those of
the samples, so an interval is known to one sample interval either way, and one shorter than three
of them is not resolved: such a disk is `restless`, never still for longer than one sample.

Of the last 24 intervals between the beginnings of activity 18 must lie within one sample interval
of their median. Random (Poisson) arrivals do that by chance about once in 1e7 times where their
median is three sample intervals, and far more rarely where it is longer (binomial tail).
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, NamedTuple

from spinledger.facts import Repeated, Restless
from spinledger.model import HOUR, Entry, Gap, Policy, State, Stretch

INTERVALS = 24
AGREEING = 18
LONGEST_NS = HOUR  # a longer interval does not keep a disk awake
RESTLESS_NS = HOUR
"""So long a disk must not have been still for it to be called restless."""


class _Run(NamedTuple):
    """Time in which the disk was never still for longer than one sample."""

    since_ns: int | None = None
    read: int = 0
    written: int = 0
    light_ns: int = 0


class Intervals:
    """Fold: accesses at fixed intervals, while there are any, and restlessness, after an hour."""

    eats: tuple[type, ...] = (Gap, Stretch)

    def __init__(self) -> None:
        self._began: list[int] = []  # when activity began, at most INTERVALS + 1 of them
        self._run = _Run()

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one gap or stretch."""
        if isinstance(entry, Gap):
            self._began.append(entry.ended_ns)
            if len(self._began) > INTERVALS + 1:
                del self._began[0]
        elif isinstance(entry, Stretch):
            self._run = _after(self._run, entry, policy.cadence.fast_ns)

    def repeated(self, now_ns: int, policy: Policy) -> Repeated | None:
        """The interval at which the disk is accessed; None: there is none."""
        began, sampling_ns = self._began, policy.cadence.fast_ns
        if len(began) <= INTERVALS or began[-1] - began[0] > 2 * INTERVALS * LONGEST_NS:
            return None
        intervals = [later - earlier for earlier, later in pairwise(began)]
        median = sorted(intervals)[INTERVALS // 2]
        if not 3 * sampling_ns <= median <= LONGEST_NS:
            return None
        if now_ns - began[-1] > 2 * median + sampling_ns:
            return None
        agreeing = sum(abs(one - median) <= sampling_ns for one in intervals)
        return Repeated(median, agreeing) if agreeing >= AGREEING else None

    def restless(self, pending: Stretch, policy: Policy) -> Restless | None:
        """The time without a pause, as of the open stretch; None below an hour."""
        run = _after(self._run, pending, policy.cadence.fast_ns)
        if run.since_ns is None or pending.ended_ns - run.since_ns < RESTLESS_NS:
            return None
        return Restless(pending.ended_ns - run.since_ns, run.read, run.written, run.light_ns)

    def rebase(self, offset_ns: int) -> None:
        """Move the kept times to another boot's clock."""
        self._began = [at + offset_ns for at in self._began]
        if self._run.since_ns is not None:
            self._run = self._run._replace(since_ns=self._run.since_ns + offset_ns)

    def dump(self) -> object:
        """Times and sums."""
        return {"began": list(self._began), "run": list(self._run)}

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        self._began = list(dumped["began"])
        self._run = _Run(*dumped["run"])


def _after(run: _Run, stretch: Stretch, sampling_ns: int) -> _Run:
    if _still(stretch, sampling_ns):
        return _Run()
    return _Run(
        stretch.began_ns if run.since_ns is None else run.since_ns,
        run.read + stretch.sectors_read,
        run.written + stretch.sectors_written,
        run.light_ns + stretch.light_ns,
    )


def _still(stretch: Stretch, sampling_ns: int) -> bool:
    """True where the disk was still for more than one sample, or not seen to move."""
    if stretch.state is State.ACTIVE:
        return False
    one_sample = stretch.ended_ns - stretch.began_ns <= sampling_ns * 3 // 2
    return stretch.state is not State.IDLE or not one_sample
