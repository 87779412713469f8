"""Replay: what other timers would have made of a recorded load, and which one to choose.

Rules of this room: pure; integer nanoseconds; times of I/O are wall time. The observed time runs
from the first to the last time; a gap is the time between two in succession; a spin-down happens
in a gap strictly longer than the timer. Every spin-down is one cycle, and one wait of whoever
wakes the disk, unless the gap's end was not seen. Cycles and waits are recorded where the disk
wakes, time asleep where it passes.

The choice: of the timers within the budget of cycles and the waits one will bear, the one that
saves most energy, spin-ups paid. None, if none of them saves any.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from spinledger.errors import Misuse
from spinledger.model import DAY, HOUR, MINUTE, SECOND, Policy, Watts
from spinledger.quiet.hours import Calendar, Cursor, split
from spinledger.whatif.energy import JOULES_PER_KWH, cost
from spinledger.whatif.gaps import Candidates, Run, Tally
from spinledger.words import percent, timer

DAYS_PER_YEAR = 365.25
# Values that the ATA standby timer can express, from 1 min to 5.5 h (ACS-3, STANDBY, COUNT field).
DEFAULT_TIMERS_NS = tuple(
    minutes * MINUTE for minutes in (1, 2, 3, 5, 10, 15, 20, 30, 60, 90, 120, 180, 240, 330)
)
_USUAL = Policy()


@dataclass(frozen=True, slots=True)
class Part:
    """One candidate's totals in quiet hours, or in the rest."""

    cycles: int
    asleep_ns: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one timer would have done in the observed time."""

    standby_ns: int
    observed_ns: int
    cycles: int
    waits: int
    asleep_ns: int
    waits_by_hour: tuple[int, ...]  # 24 values, by the hour of the replay's time zone
    quiet: Part | None  # None: no calendar was given
    rest: Part | None


@dataclass(frozen=True, slots=True)
class Terms:
    """The owner's limits, and what things cost."""

    budget_per_day: float = _USUAL.budget_per_day
    waits_per_day: float = 5.0
    watts: Watts = _USUAL.watts
    spinup_j: float = _USUAL.spinup_j
    currency: str = ""
    per_kwh: float | None = None
    rated_start_stop: int | None = None
    rated_load: int | None = None


@dataclass(frozen=True, slots=True)
class Worth:
    """An outcome in rates and energy. None: not defined, or not known."""

    outcome: Outcome
    cycles_per_day: float | None
    waits_per_day: float | None
    asleep_ratio: float | None
    saved_kwh_per_year: float | None  # standby instead of idle
    spinup_kwh_per_year: float | None
    net_kwh_per_year: float | None
    money_per_year: float | None  # of the net
    start_stop_used_per_year: float | None  # share of the rating, 0 to 1
    load_used_per_year: float | None


@dataclass(frozen=True, slots=True)
class Choice:
    """The recommended timer. `standby_ns` is 0 where it is best not to sleep."""

    standby_ns: int
    worth: Worth | None
    reason: str


class Replay:
    """Takes gaps in order, gives one Outcome a timer. Memory does not grow with the gaps."""

    def __init__(
        self,
        timers_ns: Iterable[int],
        spinup_ns: int = 0,
        calendar: Calendar | None = None,
        tz: tzinfo = UTC,
    ) -> None:
        self._candidates = Candidates(timers_ns, spinup_ns)
        timers = self._candidates.timers_ns
        self._all = Tally(timers)
        self._hours = [Tally(timers) for _ in range(24)]
        self._quiet = Tally(timers)
        self._quiet_asleep = [0] * len(timers)  # beyond whole gaps: see _share
        self._calendar = calendar
        self._cursor = Cursor(calendar) if calendar else None
        self._tz = tz
        self._first: int | None = None
        self._last = 0
        self.taken = 0  # times of I/O, where they were given

    def arrivals(self, times_ns: Iterable[int]) -> None:
        """Take times of I/O, ascending; ties allowed. May be called again with later ones."""
        shortest = self._candidates.shortest_ns
        last = self._last
        taken = self.taken
        for at in times_ns:
            taken += 1
            if at - last > shortest and self._first is not None:
                self.gap(last, at)
            elif self._first is None:
                self._first = at
            last = at
        self._last = last
        self.taken = taken

    def gap(self, began_ns: int, ended_ns: int, censored: bool = False) -> None:
        """Take one gap. `censored`: its end was not observed, so nobody waited."""
        if self._first is None:
            self._first = began_ns
        self._last = ended_ns
        for first, last, since in self._candidates.slept(began_ns, ended_ns):
            self._all.add(first, last, ended_ns - since)
            if not censored:
                self._hours[self._hour(ended_ns)].add(first, last, 0)
            if self._cursor is not None and self._calendar is not None:
                self._share(self._calendar, self._cursor, (first, last, since), ended_ns)

    def _hour(self, wall_ns: int) -> int:
        if self._tz is UTC:
            return wall_ns // HOUR % 24
        return datetime.fromtimestamp(wall_ns // SECOND, self._tz).hour

    def _share(self, calendar: Calendar, cursor: Cursor, run: Run, ended_ns: int) -> None:
        """Record the gap's cycles and sleep to quiet hours where they belong there.

        A gap inside one window is recorded whole. One across a boundary is recorded whole if the
        disk wakes in quiet hours, and then each timer's sleep is corrected.
        """
        first, last, since = run
        quiet_end = cursor.at(ended_ns - 1)
        quiet = cursor.at(ended_ns).quiet
        if quiet:
            self._quiet.add(first, last, ended_ns - since)
        if quiet_end.since_wall_ns <= since and quiet_end.quiet == quiet:
            return
        for began, ended, in_quiet in split(calendar, since, ended_ns):
            if in_quiet == quiet:
                continue
            for index in range(first, last):
                asleep = max(0, ended - max(began, since + self._all.timers_ns[index]))
                self._quiet_asleep[index] += asleep if in_quiet else -asleep

    @property
    def timers_ns(self) -> Sequence[int]:
        """The timers tried, ascending."""
        return self._all.timers_ns

    def outcomes(self, observed_ns: int | None = None) -> list[Outcome]:
        """One a timer, ascending. `observed_ns` replaces the time from first to last."""
        if observed_ns is None:
            observed_ns = 0 if self._first is None else self._last - self._first
        hours = [tally.totals() for tally in self._hours]
        quiet = self._quiet.totals()
        outcomes = []
        for index, (cycles, asleep) in enumerate(self._all.totals()):
            waits = tuple(hour[index][0] for hour in hours)
            inside = Part(quiet[index][0], quiet[index][1] + self._quiet_asleep[index])
            outside = Part(cycles - inside.cycles, asleep - inside.asleep_ns)
            outcomes.append(
                Outcome(
                    standby_ns=self._all.timers_ns[index],
                    observed_ns=observed_ns,
                    cycles=cycles,
                    waits=sum(waits),
                    asleep_ns=asleep,
                    waits_by_hour=waits,
                    quiet=inside if self._calendar else None,
                    rest=outside if self._calendar else None,
                )
            )
        return outcomes


def worth(outcome: Outcome, terms: Terms) -> Worth:
    """Rates, energy and money of an outcome; a year is 365.25 days."""
    observed = outcome.observed_ns
    if not observed:
        return Worth(outcome, *[None] * 9)
    days = observed / DAY
    per_year = DAYS_PER_YEAR / days
    asleep_j = (terms.watts.idle - terms.watts.standby) * outcome.asleep_ns / SECOND
    spinup_j = terms.spinup_j * outcome.cycles
    net = (asleep_j - spinup_j) * per_year
    cycles_per_year = outcome.cycles * per_year
    return Worth(
        outcome=outcome,
        cycles_per_day=outcome.cycles / days,
        waits_per_day=outcome.waits / days,
        asleep_ratio=outcome.asleep_ns / observed,
        saved_kwh_per_year=asleep_j * per_year / JOULES_PER_KWH,
        spinup_kwh_per_year=spinup_j * per_year / JOULES_PER_KWH,
        net_kwh_per_year=net / JOULES_PER_KWH,
        money_per_year=None if terms.per_kwh is None else cost(net, terms.per_kwh),
        start_stop_used_per_year=_used(cycles_per_year, terms.rated_start_stop),
        load_used_per_year=_used(cycles_per_year, terms.rated_load),
    )


def _used(cycles: float, rated: int | None) -> float | None:
    return cycles / rated if rated else None


def choose(worths: Sequence[Worth], terms: Terms) -> Choice:
    """The timer to set, and why, in a sentence. Of equals, the longer timer."""
    judged = [w for w in worths if w.net_kwh_per_year is not None]
    if not judged:
        return Choice(0, None, "There is no observed time to judge by.")
    allowed = [w for w in judged if not _excess(w, terms)]
    paying = [w for w in judged if _net(w) > 0]
    fit = [w for w in allowed if _net(w) > 0]
    if not any(w.outcome.cycles for w in judged):
        shortest = min(w.outcome.standby_ns for w in judged)
        least = timer(shortest / SECOND)
        return Choice(0, None, f"No timer would let this disk sleep: no gap exceeds {least}.")
    if not paying:
        mildest = max((w for w in judged if w.outcome.cycles), key=_rank)
        return Choice(
            0,
            None,
            "Do not let this disk sleep: no timer tried saves energy; the mildest, "
            f"{_timer(mildest)}, costs {abs(_net(mildest)):.2f} kWh a year.",
        )
    greedy = max(paying, key=_rank)
    if not fit:
        return Choice(
            0,
            None,
            "Do not let this disk sleep: every timer that saves energy asks too much; "
            f"{_timer(greedy)}, which saves most ({_net(greedy):.1f} kWh "
            f"a year), needs {_excess(greedy, terms)}.",
        )
    best = max(fit, key=_rank)
    reason = (
        f"{_timer(best)}: asleep {percent(best.asleep_ratio or 0)} of the time with "
        f"{best.cycles_per_day or 0:.1f} spin-ups and {best.waits_per_day or 0:.1f} waits a day, "
        f"saving {_net(best):.1f} kWh a year"
    )
    if greedy is best:
        return Choice(best.outcome.standby_ns, best, reason + ", the most of all timers tried.")
    return Choice(
        best.outcome.standby_ns,
        best,
        f"{reason}; {_timer(greedy)} would save {_net(greedy):.1f} kWh "
        f"but needs {_excess(greedy, terms)}.",
    )


def _net(worth: Worth) -> float:
    if worth.net_kwh_per_year is None:
        raise Misuse("a worth without observed time has no net")
    return worth.net_kwh_per_year


def _rank(worth: Worth) -> tuple[float, int]:
    return _net(worth), worth.outcome.standby_ns


def _timer(worth: Worth) -> str:
    return timer(worth.outcome.standby_ns / SECOND)


def _excess(worth: Worth, terms: Terms) -> str:
    """What is too much of this outcome, in words; "" when nothing is."""
    excess = []
    if (worth.cycles_per_day or 0) > terms.budget_per_day:
        excess.append(
            f"{worth.cycles_per_day:.1f} spin-ups a day where the budget is "
            f"{terms.budget_per_day:g}"
        )
    if (worth.waits_per_day or 0) > terms.waits_per_day:
        excess.append(
            f"{worth.waits_per_day:.1f} waits a day where the limit is {terms.waits_per_day:g}"
        )
    return " and ".join(excess)
