"""When the drive's own counters are read, and the cycles that only they know of.

Source: that a log read may wake a drive or restart its timer is in Linux
Documentation/hwmon/drivetemp.rst; attribute 4 counts starts of the motor and attribute 12 power
cycles (names of the public drive database, version 7.5). Judged by the simulated drive's log.
"""

from __future__ import annotations

import json
import random
from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import groupby, pairwise

import pytest

from spinledger import sampler
from spinledger.ledger.dumps import dump, load
from spinledger.model import DAY, MILLISECOND, MINUTE, SECOND, Cadence, Cycle, Reading, Seen
from spinledger.sim.kinds import Kind
from spinledger.sim.rack import Truth
from spinledger.sim.shelf import Plug
from tests.fakes.series import samples
from tests.fakes.watching import Watched, kind, with_timer

pytestmark = pytest.mark.slow  # simulated weeks

TIMER_S = 1200.0
FAST_NS = Cadence().fast_ns
READING_NS = 50 * MILLISECOND  # five records of a few milliseconds each
WEEK_S = 7 * DAY / SECOND


def busy(until_s: float) -> list[float]:
    """Some wakes a day, with use for an hour after each."""
    return [
        start + beat
        for start in range(1000, int(until_s) - 4000, 14_000)
        for beat in range(0, 3600, 20)
    ]


def uses(until_s: float, seed: int = 1) -> list[float]:
    """Single requests and ten minutes of use in action, at odd times, with 25 to 60 min between.

    The reading after a wake falls into the idle gap of the former and is forgotten in the latter.
    """
    draw = random.Random(seed)
    arrivals = [100.0]
    while arrivals[-1] < until_s - 10_000:
        arrivals.append(arrivals[-1] + draw.uniform(1500, 3600))
        start = arrivals[-1] + draw.uniform(1500, 3600)
        arrivals += [start + beat for beat in range(0, 600, 20)]
    return arrivals


def minding(name: str) -> Kind:
    """A drive of that kind that spins up at a log read and restarts its timer at one."""
    return replace(kind(name, TIMER_S), wakes_on_log_read=True, restarts_on_log_read=True)


def true(watched: Watched) -> Truth:
    """What happened to the drive, by its own word."""
    return watched.rack.truth(watched.clock.now())["sim-one"]


def used(truth: Truth, arrivals: Sequence[float]) -> Callable[[int], int]:
    """Since when others' last request was served, at any boot time; nanoseconds."""
    starts = [one for one in truth.events if one.what == "start"]
    served = sorted(
        [round(at * SECOND) for at in arrivals] + [one.at_ns + one.wait_ns for one in starts]
    )
    return lambda at_ns: at_ns - served[bisect_right(served, at_ns) - 1]


def judge(watched: Watched, arrivals: Sequence[float]) -> None:
    """By the drive's own log: no reading but just after a request of others, none in standby, no
    start of the motor by one, and no spin-down later than timer and one sample interval.
    """
    truth = true(watched)
    since_served = used(truth, arrivals)
    readings = [one for one in truth.sent if one.what == "log_read"]
    assert readings
    assert {cause for cause, _ in truth.wakes} <= {"read"}
    for one in readings:
        assert one.level not in ("standby", "standby_z", "sleep"), one
        assert since_served(one.at_ns) <= FAST_NS + READING_NS, one
    stops = [one.at_ns for one in truth.events if one.what == "stop"]
    assert stops
    for at_ns in stops:
        assert since_served(at_ns) <= TIMER_S * SECOND + FAST_NS + READING_NS


DRIVES = {
    "plain": kind("plain", TIMER_S),
    "ata": minding("plain"),
    "epc": minding("epc"),
    "sas": minding("sas"),
}


@pytest.mark.parametrize("name", DRIVES)
def test_a_week_of_readings_wakes_nobody_and_holds_nobody_awake(name: str) -> None:
    """Drives that mind log reads and one that does not; and as many cycles as without readings."""
    arrivals = uses(WEEK_S)
    read = Watched(DRIVES[name], arrivals, with_timer(TIMER_S)).run(WEEK_S)
    judge(read, arrivals)
    truth = true(read)
    unread = Watched(DRIVES[name], arrivals, with_timer(TIMER_S, wear_ns=0)).run(WEEK_S)
    alone = true(unread)
    assert alone.log_reads == 0
    assert alone.cycles == truth.cycles > 100


GUARDS_OFF = {
    "at any time": lambda account: True,
    "in any sample while it spins": lambda account: account.state.spinning,
}


@pytest.mark.parametrize("name", ["ata", "epc", "sas"])
@pytest.mark.parametrize("off", GUARDS_OFF)
def test_without_the_guard_it_goes_red(
    monkeypatch: pytest.MonkeyPatch, name: str, off: str
) -> None:
    """The rule that others moved sectors in this sample, replaced by a laxer one."""
    monkeypatch.setattr(sampler, "others_move", GUARDS_OFF[off])
    arrivals = uses(WEEK_S / 7)
    watched = Watched(DRIVES[name], arrivals, with_timer(TIMER_S, wear_ns=5 * MINUTE))
    with pytest.raises(AssertionError):
        judge(watched.run(WEEK_S / 7), arrivals)


def test_a_slow_drive_is_not_read_on_and_on() -> None:
    """Two seconds an answer: what is still to be read half an interval after the sample is left."""
    arrivals = [1000.1 + 3600 * n for n in range(8)]
    slow = replace(minding("plain"), answer_ns=2 * SECOND)
    watched = Watched(slow, arrivals, with_timer(TIMER_S)).run(30_000)
    since_served = used(true(watched), arrivals)
    late = [since_served(one.at_ns) for one in true(watched).sent if one.what == "log_read"]
    assert FAST_NS < max(late) <= 1.5 * FAST_NS
    assert [entry for entry in watched.entries if isinstance(entry, Reading)]


def test_a_reading_that_was_cut_off_goes_on_in_the_next_sample_of_use() -> None:
    """Two seconds an answer, and use without an end: every record is read, once in half an hour."""
    arrivals = [1000.1 + 3 * n for n in range(1200)]
    slow = replace(minding("plain"), answer_ns=2 * SECOND)
    watched = Watched(slow, arrivals, with_timer(TIMER_S)).run(4000)
    at_once = Watched(minding("plain"), arrivals, with_timer(TIMER_S)).run(4000)
    reads = [one for one in true(watched).sent if one.what == "log_read"]
    assert len(reads) == true(at_once).log_reads > 4
    assert samples(watched.view)["start_stop_cycles"] == samples(at_once.view)["start_stop_cycles"]
    gaps = [(two.at_ns - one.at_ns) / SECOND for one, two in pairwise(reads)]
    assert sum(gap > 60 for gap in gaps) == 1  # from the first reading to the second
    assert all(gap < 6 for gap in gaps if gap <= 60)


def test_a_disk_that_changes_while_it_is_read_does_not_hold_the_others_up() -> None:
    """It joins a pool between a command and its answer; then the next disk is read."""
    arrivals = [1000.1 + 3 * n for n in range(100)]
    slow = replace(minding("plain"), answer_ns=2 * SECOND)
    watched = Watched(slow, arrivals, with_timer(TIMER_S), brothers=1)
    watched.run(1006)
    loop = watched.loop
    assert loop.reading
    changed = replace(loop.accounts[loop.reading].disk, pool="archive")
    loop.record_seen(Seen(changed, watched.clock.now()))
    watched.run(1300)
    read = {entry.disk for entry in watched.entries if isinstance(entry, Reading)}
    assert read == set(loop.accounts)


@pytest.mark.parametrize(("name", "restarts"), [("plain", False), ("ata", True), ("sas", True)])
def test_a_timer_restarted_by_a_reading_is_told(name: str, restarts: bool) -> None:
    """Idle time before spin-downs with and without a reading in it; the truth is the drive's kind.

    A restart delays sleep by the sample's lag behind the last request, uniform in 0 to 5 s: 2.5 s
    on average, and brackets of 5 s move it by 2.5 s at most either way.
    """
    arrivals = uses(WEEK_S / 2)
    watched = Watched(DRIVES[name], arrivals, with_timer(TIMER_S)).run(WEEK_S / 2)
    effect = watched.view.facts.reading_effect
    assert effect is not None
    assert min(effect.read.spin_downs, effect.unread.spin_downs) > 20
    assert effect.restarts == restarts
    delay = effect.later_s
    assert 0 < delay <= 5 if restarts else delay == pytest.approx(0, abs=1)
    held = "wear_reads_restart_timer" in {one.code for one in watched.view.findings}
    assert held == restarts
    again = load(json.loads(json.dumps(dump(watched.account))))
    assert again.probing.spin_downs == watched.account.probing.spin_downs


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


def test_disks_that_are_used_together_are_all_read() -> None:
    """Six of a pool, a request each at the same time: one reading after the other, none starves."""
    arrivals = [1000.1 + 7200 * n for n in range(4)]
    watched = Watched(minding("plain"), arrivals, with_timer(TIMER_S), brothers=5).run(30_000)
    readings = [entry for entry in watched.entries if isinstance(entry, Reading)]
    each = Counter(reading.disk for reading in readings)
    assert len(each) == 6
    assert set(each.values()) == {len(arrivals)}
    sent = sorted(
        (one.at_ns, place.disk.identity)
        for place in watched.rack.places
        for one in place.drive.tally.sent
        if one.what == "log_read"
    )
    actions = [disk for disk, _ in groupby(disk for _, disk in sent)]
    assert len(actions) == len(readings)
    for place in watched.rack.places:
        assert {cause for cause, _ in place.drive.tally.wakes} == {"read"}


def test_counters_are_exported_as_the_drive_tells_them() -> None:
    """Start/stops and power cycles of the drive's own word."""
    watched = Watched(kind("plain", TIMER_S), busy(100_000), with_timer(TIMER_S)).run(100_000)
    own = watched.rack.places[0].drive.odometer
    shown = samples(watched.view)
    assert shown["start_stop_cycles"][()] == own.starts
    assert shown["power_cycles"][()] == own.power_cycles


def test_cycles_that_nobody_saw_are_known_from_the_drive() -> None:
    """Five unobserved spin-ups, then an observed one: one observed, five not."""
    unseen = [20_000 + 4000 * n for n in range(5)]
    arrivals = [1000.0, 1020.0, *unseen, 50_000.0, 50_020.0]
    watched = Watched(kind("plain", TIMER_S), arrivals, with_timer(TIMER_S)).run(10_000)
    before = watched.rack.places[0].drive.odometer.starts
    watched.clock.jump(45_000 * SECOND)
    watched.loop.run(52_000 * SECOND)
    assert watched.rack.places[0].drive.odometer.starts - before == 6
    assert samples(watched.view)["cycles"] == {("yes",): 1, ("no",): 5}


def test_a_pulled_plug_is_no_unobserved_cycle() -> None:
    """Power cycles bring starts that are taken off: delta start/stop less delta power cycles."""
    plugs = [Plug(5000 * SECOND, 0, False), Plug(6000 * SECOND, 0, True)]
    arrivals = [1000.0, 1020.0, 6500.0, 6520.0]
    watched = Watched(kind("plain", 7200), arrivals, with_timer(7200), plugs).run(7000)
    assert samples(watched.view)["cycles"] == {("yes",): 0, ("no",): 0}
