"""When the drive's own counters are read, and the cycles that only they know of.

Source: that a log read may wake a drive or restart its timer is in Linux
Documentation/hwmon/drivetemp.rst; attribute 4 counts starts of the motor and attribute 12 power
cycles (names of the public drive database, version 7.5). Judged by the simulated drive's log.
"""

from __future__ import annotations

from itertools import pairwise

import pytest

from spinledger.model import DAY, MINUTE, SECOND, Cycle, Reading
from spinledger.sim.shelf import Plug
from tests.fakes.watching import Watched, kind, with_timer

TIMER_S = 1200.0
WEEK_S = 7 * DAY / SECOND


def busy(until_s: float) -> list[float]:
    """Some wakes a day, with use for an hour after each."""
    return [
        start + beat
        for start in range(1000, int(until_s) - 4000, 14_000)
        for beat in range(0, 3600, 20)
    ]


@pytest.mark.parametrize("name", ["plain", "wakes_on_log_read", "restarts_on_log_read", "sas"])
def test_a_week_of_readings_wakes_nobody_and_holds_nobody_awake(name: str) -> None:
    """No start of the motor by a log read; the time asleep is what it is without readings."""
    arrivals = busy(WEEK_S)
    read = Watched(kind(name, TIMER_S), arrivals, with_timer(TIMER_S)).run(WEEK_S)
    truth = read.rack.truth(read.clock.now())["sim-one"]
    assert truth.log_reads > 0
    assert not [cause for cause, _ in truth.wakes if cause == "log_read"]
    unread = Watched(kind(name, TIMER_S), arrivals, with_timer(TIMER_S, wear_ns=0)).run(WEEK_S)
    alone = unread.rack.truth(unread.clock.now())["sim-one"]
    assert alone.log_reads == 0
    assert alone.cycles == truth.cycles
    # A reading follows the last sector by one sample at most, so an awake time grows by no more.
    assert alone.stopped_ns - truth.stopped_ns <= truth.cycles * 5 * SECOND


def test_every_half_hour_of_use_and_soon_after_a_wake() -> None:
    """Readings are at least the interval apart unless a wake lies between."""
    watched = Watched(kind("plain", TIMER_S), busy(100_000), with_timer(TIMER_S)).run(100_000)
    readings = [entry for entry in watched.entries if isinstance(entry, Reading)]
    cycles = [entry.at_ns for entry in watched.entries if isinstance(entry, Cycle)]
    assert len(readings) >= len(cycles)
    for before, after in pairwise(readings):
        woke = any(before.at_ns < at <= after.at_ns for at in cycles)
        assert woke or after.at_ns - before.at_ns >= 30 * MINUTE
    for at in cycles[:-1]:
        assert any(0 <= reading.at_ns - at <= 60 * SECOND for reading in readings), at


def test_counters_are_exported_as_the_drive_tells_them() -> None:
    """Start/stops and power cycles of the drive's own word."""
    watched = Watched(kind("plain", TIMER_S), busy(100_000), with_timer(TIMER_S)).run(100_000)
    own = watched.rack.places[0].drive.odometer
    samples = watched.view.samples
    assert samples["start_stop_cycles"][()] == own.starts
    assert samples["power_cycles"][()] == own.power_cycles


def test_cycles_that_nobody_saw_are_known_from_the_drive() -> None:
    """Five wakes while nobody looked, then one that was seen: one witnessed, five not."""
    unseen = [20_000 + 4000 * n for n in range(5)]
    arrivals = [1000.0, 1020.0, *unseen, 50_000.0, 50_020.0]
    watched = Watched(kind("plain", TIMER_S), arrivals, with_timer(TIMER_S)).run(10_000)
    before = watched.rack.places[0].drive.odometer.starts
    watched.clock.jump(45_000 * SECOND)
    watched.loop.run(52_000 * SECOND)
    assert watched.rack.places[0].drive.odometer.starts - before == 6
    assert watched.view.samples["cycles"] == {("yes",): 1, ("no",): 5}


def test_a_pulled_plug_is_no_unwitnessed_cycle() -> None:
    """Power cycles bring starts that are taken off: delta start/stop less delta power cycles."""
    plugs = [Plug(5000 * SECOND, 0, False), Plug(6000 * SECOND, 0, True)]
    arrivals = [1000.0, 1020.0, 6500.0, 6520.0]
    watched = Watched(kind("plain", 7200), arrivals, with_timer(7200), plugs).run(7000)
    assert watched.view.samples["cycles"] == {("yes",): 0, ("no",): 0}
