"""The strip: one disk's recorded time, counted by bins of a range.

Rules: pure. The page draws its strip from these counts and the terminal its line of characters, so
that both show the same. Times are nanoseconds since the Unix epoch in UTC. What was unobserved or
unknown counts neither as asleep nor as spinning.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from functools import lru_cache
from operator import attrgetter
from typing import NamedTuple

from spinledger.model import MINUTE, SECOND
from spinledger.words import local

STATES = ("standby", "spinning", "unknown", "unobserved")
"""States of a period; spinning is active and idle together."""
QUARTER = 15 * MINUTE  # offsets of time zones are whole ones


class Period(NamedTuple):
    """A stretch of time in one of the `STATES`, as in the ledger."""

    began: int
    ended: int
    state: str
    active: int  # nanoseconds of it in which sectors moved


class SpinUp(NamedTuple):
    """A spin-up, and its cause once that is known."""

    at: int
    observed: bool  # False: known from the drive's counters alone
    cause: str = ""
    actor: str = ""
    wait: int | None = None  # nanoseconds that the first request waited
    place: str = ""


@dataclass(frozen=True, slots=True)
class DiskHistory:
    """One disk's newest records, each in order of time; the last period may be going on still."""

    periods: tuple[Period, ...] = ()
    spin_ups: tuple[SpinUp, ...] = ()


NO_HISTORY = DiskHistory()


@dataclass(frozen=True, slots=True)
class Range:
    """A length of time that strips show, and the length of one bin, in nanoseconds."""

    name: str  # as in the page's address
    title: str
    span_ns: int
    bin_ns: int

    @property
    def bins(self) -> int:
        """How many bins it has."""
        return self.span_ns // self.bin_ns


@dataclass(frozen=True, slots=True)
class Strip:
    """One disk's time in a range, by bins: nanoseconds of each state, and spin-ups."""

    shown: Range
    states: Mapping[str, Sequence[int]]
    active: Sequence[int]  # the part of spinning in which sectors moved
    spin_ups: Sequence[int]

    def seconds(self, state: str) -> float:
        """Time in a state."""
        return sum(self.states[state]) / SECOND

    @property
    def asleep_ratio(self) -> float | None:
        """Share of the time known to be asleep or spinning; None where there is none."""
        known = self.seconds("spinning") + self.seconds("standby")
        return self.seconds("standby") / known if known else None


def strip(history: DiskHistory, shown: Range, now: int) -> Strip:
    """Count the time up to `now`, in one pass, since a history may be long."""
    width, count = shown.bin_ns, shown.bins
    start = now - shown.span_ns
    states = {state: [0] * count for state in STATES}
    moved = [0] * count
    at, low, high = 0, start, start + width  # the bin of the last period's end
    # This is where a page's time goes: most periods end in the bin in which they began.
    for began, ended, state, active in _within(history.periods, start, now):
        row = states[state]
        if began >= high:
            at = (began - start) // width
            low = start + at * width
            high = low + width
        if low <= began and ended <= high:
            row[at] += ended - began
            if active and state == "spinning":
                moved[at] += active
            continue
        left, right = max(began, start), min(ended, now)
        at = (left - start) // width
        low = start + at * width
        while left < right:
            high = low + width
            inside = (high if high < right else right) - left
            row[at] += inside
            if active and state == "spinning":
                moved[at] += inside * active // (ended - began)
            left, low, at = high, high, at + 1
        at, low = at - 1, low - width
    counts = [0] * count
    for spin_up in spin_ups(history, start, now):
        counts[(spin_up[0] - start) // width] += 1
    return Strip(shown, states, moved, counts)


class Slept(NamedTuple):
    """How an interval was spent, in nanoseconds."""

    asleep_ns: int
    known_ns: int  # asleep or spinning
    active_ns: int  # of the time spinning, about
    whole_ns: int

    @property
    def ratio(self) -> float:
        """The share of the whole interval that is known to be asleep."""
        return self.asleep_ns / self.whole_ns

    def at_least(self, least: float) -> bool | None:
        """Whether it slept for that share; None where this depends on time that is not known."""
        if self.ratio >= least:
            return True
        return False if self.ratio + 1 - self.known_ns / self.whole_ns < least else None


def slept(history: DiskHistory, began: int, ended: int) -> Slept:
    """How much of an interval a disk slept."""
    asleep = spinning = active = 0
    for period in _within(history.periods, began, ended):
        inside = min(period.ended, ended) - max(period.began, began)
        if inside > 0 and period.state == "standby":
            asleep += inside
        elif inside > 0 and period.state == "spinning":
            spinning += inside
            active += period.active * inside // (period.ended - period.began)
    return Slept(asleep, asleep + spinning, active, ended - began)


def observed_ns(history: DiskHistory, began: int, ended: int) -> int:
    """How much of an interval was observed, an unknown state included."""
    total = 0
    for first, last, state, _ in _within(history.periods, began, ended):
        if state != "unobserved":
            total += (last if last < ended else ended) - (first if first > began else began)
    return total


def spin_ups(history: DiskHistory, began: int, ended: int) -> Sequence[SpinUp]:
    """The spin-ups of an interval."""
    first = bisect_left(history.spin_ups, began, key=_at)
    return history.spin_ups[first : bisect_left(history.spin_ups, ended, key=_at)]


def by_hour(found: Iterable[SpinUp], tz: tzinfo) -> list[int]:
    """Spin-ups by local hour of the day, from midnight."""
    counts = [0] * 24
    for spin_up in found:
        counts[_hour(spin_up[0] // QUARTER, tz)] += 1
    return counts


@lru_cache(maxsize=4096)
def _hour(quarter: int, tz: tzinfo) -> int:
    """The local hour of a quarter of an hour: the pages of many disks need the same ones."""
    return local(quarter * QUARTER, tz).hour


def _within(periods: Sequence[Period], began: int, ended: int) -> Sequence[Period]:
    """Periods that share time with an interval."""
    first = bisect_right(periods, began, key=_ended)
    return periods[first : bisect_left(periods, ended, key=_began)]


_began, _ended, _at = attrgetter("began"), attrgetter("ended"), attrgetter("at")
