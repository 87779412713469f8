"""Random load through drive, keeper and ledger: record and what-if fold give closed forms.

Source of the forms: exponential gaps of rate r and a timer T give p = exp(-r T) spin-downs a gap;
with a spin-up time D that absorbs arrivals a period is 1 / r + p D, so spin-downs come at p /
period, and p / r / period is slept (arithmetic; at D = 0 these are r exp(-r T) and exp(-r T)).
Tolerances are four standard errors of the number of periods simulated. A sum of exponential sleeps,
of which a share p happens, has the relative error sqrt((2 - p) / (p n)).
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import takewhile
from math import exp, sqrt

import pytest

from spinledger.facts import Totals
from spinledger.ledger.recording import open_account, record_answered, record_counted
from spinledger.ledger.summary import lifetime
from spinledger.model import (
    DAY,
    SECOND,
    Answered,
    Cadence,
    Command,
    Disk,
    Mode,
    Policy,
    Probe,
    Reported,
    State,
)
from spinledger.sim.drive import Drive
from spinledger.sim.shelf import Bench, SimulatedShelf
from tests.fakes.facts import tick
from tests.fakes.watching import Watched, kind, with_timer

TIMERS_S = (300, 600, 1200)
PERIODS = 30_000
SAMPLES = 120_000  # of the loop, in one run


@dataclass(frozen=True, slots=True)
class Row:
    """A rate, a timer and a spin-up time, with the published values of the closed form."""

    per_hour: float
    timer_s: int
    spinup_s: int
    per_day: float
    asleep: float

    def form(self, timer_s: float) -> tuple[float, float, float]:
        """With that timer: the share of gaps slept in, spin-downs a day, share of time asleep."""
        p = exp(-self.per_hour * timer_s / 3600)
        period_h = 1 / self.per_hour + p * self.spinup_s / 3600
        return p, 24 * p / period_h, p / self.per_hour / period_h


TABLE = (
    Row(1, 600, 0, 20.3156, 0.84648),
    Row(2, 1200, 0, 24.6440, 0.51342),
    Row(6, 600, 0, 52.9746, 0.36788),
    Row(12, 300, 0, 105.9493, 0.36788),
    Row(6, 600, 10, 52.6518, 0.365638),
    Row(6, 600, 20, 52.3329, 0.363423),
)
rows = pytest.mark.parametrize("row", TABLE, ids=str)


def arrivals(row: Row, seed: int) -> Iterator[float]:
    """Times of a Poisson process, in seconds."""
    draw = random.Random(f"{seed} {row}")
    at = 0.0
    while True:
        at += draw.expovariate(row.per_hour / 3600)
        yield at


def policy_of(row: Row, plain: Policy) -> Policy:
    """With the timers that are tried, and the spin-up time."""
    timers = tuple(timer * SECOND for timer in TIMERS_S)
    return replace(plain, candidates_ns=timers, whatif_spinup_ns=row.spinup_s * SECOND)


def judge(row: Row, totals: Totals, periods: float, resolution_s: float = 0) -> None:
    """Ledger and what-if timers against the closed form; `resolution_s` is that of the gaps."""
    days = sum(totals.state_ns.values()) / DAY
    ours = totals.cycles, totals.state_ns[State.STANDBY] / DAY
    found = {
        timer: (tried.spin_ups, tried.asleep_ns / DAY)
        for timer in TIMERS_S
        for tried in [totals.whatif[timer * SECOND]]
    }
    slack = row.per_hour * resolution_s / 3600
    p_own = row.form(row.timer_s)[0]
    for timer, (cycles, asleep) in [(row.timer_s, ours), *found.items()]:
        p, per_day, share = row.form(timer)
        error = 4 * sqrt((2 - p) / (p * periods)) + slack
        assert cycles / days == pytest.approx(per_day, rel=error), timer
        assert asleep / days == pytest.approx(share, rel=error), timer
    # The two agree but for sleeps that ended before a probe came.
    few = 4 * sqrt(slack / (p_own * periods))
    assert found[row.timer_s] == pytest.approx(ours, rel=1e-9 + 2 * slack + few)


@rows
def test_the_table_is_the_form(row: Row) -> None:
    """The tabled values are those of the closed form, to their last digit."""
    _, per_day, asleep = row.form(row.timer_s)
    assert per_day == pytest.approx(row.per_day, abs=6e-5)
    assert asleep == pytest.approx(row.asleep, abs=6e-6)


@rows
def test_a_ledger_of_facts_in_time(row: Row) -> None:
    """The drive is sampled just before and at each arrival, and probed as its timer ends: nothing
    is lost to sampling, and the ledger equals the drive's truth and the form.
    """
    drive = replace(kind("plain", row.timer_s), spinup_ns=row.spinup_s * SECOND)
    times = arrivals(row, 1)
    requests = [0, *(round(next(times) * SECOND) for _ in range(PERIODS))]
    rack = SimulatedShelf.of([Bench(drive, requests)])
    place = rack.places[0]
    account = open_account(place.disk, policy_of(row, Policy()), tick(0))

    def sample(at_ns: int) -> None:
        counted = rack.counters.read(place.disk, at_ns)
        assert counted is not None
        record_counted(account, counted)

    for at, following in zip(requests, [*requests[1:], requests[-1]], strict=True):
        sample(max(0, at - 1))
        sample(at)
        served = max(at, place.drive.ready_ns)
        if at < served < following:
            sample(served)
        due = served + row.timer_s * SECOND + 1
        if due < following:
            sample(due)
            record_answered(account, answer(place.disk, place.drive, due))
    truth = place.drive.tally
    totals = lifetime(account)
    assert totals.cycles == truth.cycles
    slept = truth.mode_ns["standby"]  # a nanosecond is recorded late at either end
    assert totals.state_ns[State.STANDBY] == pytest.approx(slept, abs=3 * truth.cycles)
    judge(row, totals, PERIODS)


def answer(disk: Disk, drive: Drive, at_ns: int) -> Answered:
    """The drive's word at that moment."""
    drive.advance(at_ns)
    mode = Mode.STANDBY if drive.stopped else Mode.ACTIVE_OR_IDLE
    probe = Probe(1, disk.identity, Command.CHECK_POWER_MODE_16, at_ns, at_ns + SECOND)
    return Answered(probe, at_ns, Reported(mode, None, "test"), 0)


@rows
def test_the_ledger_of_the_real_loop(row: Row) -> None:
    """The loop samples every so often and probes as it does on a host: the ledger is as good as
    the samples are frequent. A hundredth of the timer is their interval, and so the resolution.
    """
    fast_s = row.timer_s / 100
    drive = replace(kind("plain", row.timer_s), spinup_ns=row.spinup_s * SECOND)
    until_s = SAMPLES * fast_s
    requests = [*takewhile(lambda at: at < until_s, arrivals(row, 2))]
    cadence = Cadence(round(fast_s * SECOND), 60 * SECOND, 600 * SECOND, 0)
    policy = policy_of(row, with_timer(row.timer_s, cadence=cadence))
    watched = Watched(drive, requests, policy)
    totals = watched.run(until_s).view.facts.totals
    truth = watched.rack.places[0].drive.settle(watched.clock.now())
    missed = truth.cycles - totals.cycles
    expected = truth.cycles * row.per_hour * 2 * fast_s / 3600  # sleeps shorter than two samples
    assert 0 <= missed <= expected + 4 * sqrt(expected) + 1
    judge(row, totals, row.per_hour * until_s / 3600, 2 * fast_s)
