"""Replay: what other timers would have made of a recorded load, and which one to choose.

Rules of this room: pure; integer nanoseconds; times of I/O are wall time. A gap is the time between
two requests in succession; a spin-down happens in a gap strictly longer than the timer. The first
gap runs from the beginning of the observation, the last one to its end: what lies beyond was not
observed, so the sleep there is cut off at that side. A cycle is a spin-up, and one wait of whoever
wakes the disk, unless the gap's end was not observed; a sleep that is still open at the end is no
cycle yet. Cycles and waits are recorded where the disk wakes, time asleep where it passes.

The choice: of the timers within the budget of cycles and the limit of waits, the one that saves
most energy, spin-ups paid. None below a day of observation, and none that saves less than
`LEAST_KWH` a year. That a disk should not sleep is said only once the longest timers were tried.
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
from spinledger.words import duration, percent, timer

DAYS_PER_YEAR = 365.25
# Values that the ATA standby timer can express, from 1 min to 5.5 h (ACS-3, STANDBY, COUNT field).
DEFAULT_TIMERS_NS = tuple(
    minutes * MINUTE for minutes in (1, 2, 3, 5, 10, 15, 20, 30, 60, 90, 120, 180, 240, 330)
)
LEAST_OBSERVED_NS = DAY
"""Less would take a busy or a still half of the day for all of it."""
LEAST_KWH = 1.0
"""A year; what saves less is not worth a wait and a spin-up. Common practice, no source."""
CAUTION = (
    "Before you set a timer, read the maker's document of this very drive: it says which settings "
    "it takes, and how many start-stop and load cycles it is rated for. Set none behind a RAID "
    "controller, nor in a pool whose time-outs you do not know. Make sure that backups are good."
)
"""Stands beside every recommended timer."""
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
    cycles: int  # spin-ups
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
        self._open: Sequence[Run] = ()  # candidates asleep when the observation ends

    def arrivals(self, times_ns: Iterable[int]) -> None:
        """Take times of I/O, ascending; ties allowed. May be called again with later ones.

        The first one may be the beginning of the observation instead.
        """
        shortest = self._candidates.shortest_ns
        last = self._last
        for at in times_ns:
            if at - last > shortest and self._first is not None:
                self.gap(last, at)
            elif self._first is None:
                self._first = at
            last = at
        self._last = last

    def end(self, ended_ns: int, began_ns: int | None = None) -> None:
        """The observation ends: the time since the last I/O, or `began_ns`, is an open gap."""
        began_ns = self._last if began_ns is None else began_ns
        self._open = self._candidates.would_sleep(began_ns, ended_ns)
        self.gap(began_ns, ended_ns, censored=True)

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
        asleep_yet = {index for first, last, _ in self._open for index in range(first, last)}
        ends_quiet = self._cursor is not None and self._cursor.at(self._last).quiet
        outcomes = []
        for index, (sleeps, asleep) in enumerate(self._all.totals()):
            waits = tuple(hour[index][0] for hour in hours)
            cycles = sleeps - (index in asleep_yet)
            inside_cycles = quiet[index][0] - (ends_quiet and index in asleep_yet)
            inside = Part(inside_cycles, quiet[index][1] + self._quiet_asleep[index])
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
        return _none("There is no observed time to judge by.")
    observed_ns = max(w.outcome.observed_ns for w in judged)
    if observed_ns < LEAST_OBSERVED_NS:
        return _none(
            f"no timer yet: {duration(observed_ns / SECOND)} were observed, and a recommendation "
            "needs a day."
        )
    longest = max(w.outcome.standby_ns for w in judged)
    tried = "" if longest >= DEFAULT_TIMERS_NS[-1] else f" up to {timer(longest / SECOND)}"
    paying = [w for w in judged if _net(w) > 0]
    fit = [w for w in paying if not _excess(w, terms)]
    if not any(w.outcome.asleep_ns for w in judged):
        shortest = min(w.outcome.standby_ns for w in judged)
        least = timer(shortest / SECOND)
        return _none(f"No timer would let this disk sleep: no gap exceeds {least}.")
    if not paying:
        mildest = max((w for w in judged if w.outcome.asleep_ns), key=_rank)
        costs = (
            f"no timer{tried} saves energy; {_timer(mildest)}, the mildest, costs "
            f"{abs(_net(mildest)):.2f} kWh a year."
        )
        return _none(
            f"try longer timers: {costs}" if tried else f"Do not let this disk sleep: {costs}"
        )
    greedy = max(paying, key=_rank)
    if not fit:
        needs = (
            f"{_timer(greedy)}, which saves most ({_net(greedy):.1f} kWh a year), needs "
            f"{_excess(greedy, terms)}."
        )
        if tried:
            return _none(f"try longer timers: of those{tried} none is within the limits; {needs}")
        what = "every timer that saves energy is over a limit"
        return _none(f"Do not let this disk sleep: {what}; {needs}")
    best = max(fit, key=_rank)
    if _net(best) < LEAST_KWH:
        return _none(
            f"not worth it: {_timer(best)}, the best within the limits, saves {_net(best):.2f} kWh "
            f"a year; below {LEAST_KWH:g} kWh no timer is recommended."
        )
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


def choose_of(runs: Sequence[Sequence[Worth]], terms: Terms) -> Choice:
    """The choice over several runs of chance: a timer that every run recommends, with ranges.

    Where the runs recommend different timers, the longest of them that is within the limits and
    worth it in every run; where there is none, none.
    """
    choices = [choose(worths, terms) for worths in runs]
    if len(choices) == 1 or any(choice.worth is None for choice in choices):
        return min(choices, key=lambda choice: choice.worth is not None)
    found = sorted({choice.standby_ns for choice in choices})
    for standby_ns in reversed(found):
        each = [w for worths in runs for w in worths if w.outcome.standby_ns == standby_ns]
        if all(_net(w) >= LEAST_KWH and not _excess(w, terms) for w in each):
            break
    else:
        return _none("the runs differ: no timer is within the limits and worth it in all of them.")
    asleep, cycles, waits, net = (
        _range([value(w) for w in each], form)
        for value, form in (
            (lambda w: 100 * (w.asleep_ratio or 0), ".0f"),
            (lambda w: w.cycles_per_day or 0, ".1f"),
            (lambda w: w.waits_per_day or 0, ".1f"),
            (_net, ".1f"),
        )
    )
    alone = [timer(one / SECOND) for one in found]
    differ = "" if len(found) == 1 else f"; alone, the runs recommend {alone[0]} to {alone[-1]}"
    return Choice(
        standby_ns,
        each[0],
        f"{timer(standby_ns / SECOND)}, by {len(runs)} runs of chance: asleep {asleep} % of the "
        f"time with {cycles} spin-ups and {waits} waits a day, saving {net} kWh a year{differ}.",
    )


def _range(values: Sequence[float], form: str) -> str:
    low, high = format(min(values), form), format(max(values), form)
    return low if low == high else f"{low} to {high}"


def _none(reason: str) -> Choice:
    return Choice(0, None, reason)


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
