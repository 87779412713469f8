"""The standby timer under Poisson arrivals, against closed forms.

The exponential-gap argument: with arrivals at rate l and timer T, a gap exceeds T with p = e^(-lT).
Instant spin-up: l p spin-downs per unit of time, asleep p of it. A spin-up of D that absorbs
arrivals: rate p / (1/l + p D), asleep (p / l) / (1/l + p D). The figures were computed from these
by another author, and confirmed there by a simulation of 400,000 gaps.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from math import exp, sqrt

import pytest

from spinledger.model import DAY, HOUR, SECOND
from spinledger.sim.drive import Burst, Drive, Op
from spinledger.sim.kinds import KINDS, retimed

GAPS = 40_000


def exponential(per_hour: float, seed: int) -> Iterator[Burst]:
    """Reads with exponential gaps."""
    draw = random.Random(seed)
    at = 0
    for _ in range(GAPS):
        at += round(draw.expovariate(per_hour) * HOUR)
        yield Burst(at, 1, 0, 8, Op.READ, "poisson")


@pytest.mark.parametrize(
    ("per_hour", "timer_s", "spinup_s", "per_day", "asleep"),
    [
        (1, 600, 0, 20.3156, 0.84648),
        (2, 1200, 0, 24.6440, 0.51342),
        (6, 600, 0, 52.9746, 0.36788),
        (12, 300, 0, 105.9493, 0.36788),
        (6, 600, 10, 52.6518, 0.365638),
        (6, 600, 20, 52.3329, 0.363423),
    ],
)
def test_spin_downs_and_sleep_of_a_drive_under_poisson_arrivals(
    per_hour: int, timer_s: int, spinup_s: int, per_day: float, asleep: float
) -> None:
    """A drive meets the table within four standard errors of so many gaps (delta method)."""
    kind = replace(retimed(KINDS["plain"], timer_s * SECOND), spinup_ns=spinup_s * SECOND)
    arrivals = list(exponential(per_hour, seed=20))
    last = arrivals[-1].began_ns
    tally = Drive(kind, iter(arrivals), 0).settle(last)
    share = exp(-per_hour * timer_s / 3600)
    busy = per_hour * timer_s / 3600
    # Relative variances of count/time and of asleep/time for independent exponential gaps.
    of_rate = sqrt(((1 - share) / share + 1 - 2 * busy) / GAPS)
    of_sleep = sqrt(((2 - share) / share + 1 - 2 * (1 + busy)) / GAPS)
    assert tally.cycles * DAY / last == pytest.approx(per_day, rel=4 * of_rate)
    assert tally.mode_ns["standby"] / last == pytest.approx(asleep, rel=4 * of_sleep)
    assert 4 * max(of_rate, of_sleep) < 0.03, "the test must be able to fail"
