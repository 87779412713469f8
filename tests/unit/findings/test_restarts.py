"""Spin-downs with and without a reading of the drive's own counters, compared.

Sources: the means, the standard error of a mean and of a difference of two are textbook
statistics, computed here by the standard library; a value known to lie anywhere in an interval of
width w scatters by w / sqrt(12) (variance of the uniform distribution). That drives differ: Linux
Documentation/hwmon/drivetemp.rst. Real loops: tests/unit/test_reading.py.
"""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from math import sqrt
from statistics import fmean, pvariance

import pytest

from spinledger.findings.restarts import LEAST, Bracket, Kept, compared, noted
from spinledger.model import MINUTE, SECOND

STEP = 5 * SECOND
Slept = Sequence[tuple[bool, Bracket]]


def sums(slept: Slept) -> Kept:
    """What is kept of these spin-downs, a restart between any two of them."""
    kept: Kept = {}
    for read, bracket in slept:
        kept = noted(json.loads(json.dumps(kept)), read, bracket, MINUTE)
    return kept


def drawn(count: int, timer_s: float, delay_s: float, seed: int) -> Slept:
    """Spin-downs at a timer, seen by a question every 5 s; every other one after a reading."""
    draw = random.Random(seed)
    found = []
    for number in range(count):
        read = number % 2 == 1
        lag = 0.0 if read and delay_s else draw.uniform(0, 5)
        steps = round((timer_s - lag) * SECOND) // STEP
        found.append((read, (steps * STEP, (steps + 1) * STEP)))
    return found


@pytest.mark.parametrize("seed", range(20))
def test_means_and_errors_are_those_of_the_standard_library(seed: int) -> None:
    """Running sums give what statistics.fmean and pvariance give of the whole list."""
    slept = drawn(60, 1201.7, 0, seed)
    both = compared(sums(slept))
    assert both is not None
    for given, read in ((both.read, True), (both.unread, False)):
        middles = [(low + high) / 2 / SECOND for at, (low, high) in slept[1:] if at == read]
        scatter = max(pvariance(middles), 5 * 5 / 12)
        assert given.spin_downs == len(middles)
        assert given.seconds == pytest.approx(fmean(middles))
        assert given.error == pytest.approx(sqrt(scatter / len(middles)))
    assert both.later_s == pytest.approx(both.read.seconds - both.unread.seconds)
    assert both.error_s == pytest.approx(sqrt(both.read.error**2 + both.unread.error**2))


@pytest.mark.parametrize("timer_s", [300.0, 601.3, 1202.0, 3604.0])
def test_a_drive_that_restarts_is_told_from_one_that_does_not(timer_s: float) -> None:
    """The lag of the sample is taken off by a reading: 0 to 5 s, whatever the brackets hide."""
    restarts = compared(sums(drawn(200, timer_s, 5, 1)))
    plain = compared(sums(drawn(200, timer_s, 0, 1)))
    assert restarts is not None
    assert plain is not None
    assert restarts.restarts
    assert 0 < restarts.later_s <= 5
    assert not plain.restarts


def test_chance_is_rarely_taken_for_a_restart() -> None:
    """Beyond three standard errors on one side: one in 740 by the normal tail, so none of 100."""
    verdicts = [compared(sums(drawn(40, 1203.1, 0, seed))) for seed in range(100)]
    assert not [one for one in verdicts if one is None or one.restarts]


def test_nothing_is_said_of_a_few() -> None:
    """Below eight spin-downs of either sort there is no comparison."""
    few = drawn(2 * LEAST + 1, 1200.4, 5, 3)
    assert compared(sums(few[:-2])) is None
    assert compared(sums(few)) is not None
    assert compared(sums([(True, bracket) for _, bracket in drawn(99, 1200, 5, 3)])) is None
    assert compared({}) is None


def test_a_commands_spin_down_does_not_count() -> None:
    """STANDBY IMMEDIATE at odd ages, now and then, leaves the figures of the timer alone."""
    slept = list(drawn(80, 1200.4, 0, 5))
    whole = compared(sums(slept))
    for at in (60, 41, 20):  # the first one of the timer after it is lost to it, too
        slept.insert(at, (True, (at * 4 * SECOND, at * 4 * SECOND + STEP)))
    given = compared(sums(slept))
    assert whole is not None
    assert given is not None
    assert given.read.spin_downs + given.unread.spin_downs == 79 - 3
    assert given.read.seconds == pytest.approx(whole.read.seconds, abs=0.5)


def test_another_timer_begins_anew() -> None:
    """20 min until it was set to 10: the figures are those of the new timer alone."""
    both = compared(sums([*drawn(50, 1200.4, 0, 6), *drawn(41, 600.4, 0, 7)]))
    assert both is not None
    assert both.unread.spin_downs + both.read.spin_downs == 40
    assert 590 < both.read.seconds < 605
