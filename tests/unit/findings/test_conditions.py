"""Every finding about one disk appears when it should and vanishes when it should not.

Where behaviour over time matters, simulated drives are watched by the real loop; the rest is
judged on facts made by hand. What a finding's condition rests on is cited beside it in
`findings.conditions`; thresholds there are common practice unless a source is named.
"""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from spinledger.facts import DiskView, HeadParking, IdleBefore, ReadingEffect
from spinledger.findings.ageing import Gained, WaitTimes
from spinledger.findings.judge import findings
from spinledger.model import (
    DAY,
    HOUR,
    MINUTE,
    SECOND,
    Cadence,
    Explained,
    Policy,
    Reading,
    Watts,
    Worn,
)
from spinledger.sim.drive import Burst, Op
from spinledger.sim.shelf import Plug
from tests.fakes.found import HOUR_S, MINUTE_S, by_hand, codes, only, reads, watch
from tests.fakes.watching import kind, with_timer

# What we do to drives, and what we cannot know


@pytest.mark.parametrize(
    ("name", "held"), [("wakes_spins_first", True), ("wakes_answers_first", True), ("plain", False)]
)
def test_a_drive_that_a_probe_wakes(name: str, held: bool) -> None:
    """It sleeps, is probed and spins up; a sound drive sleeps on."""
    assert ("probes_disturb" in codes(watch(kind(name, 600), [1], 2 * HOUR_S).view)) == held


@pytest.mark.parametrize(("name", "held"), [("restarts_on_probe", True), ("plain", False)])
def test_a_drive_whose_timer_a_probe_restarts(name: str, held: bool) -> None:
    """Linux Documentation/hwmon/drivetemp.rst reports such drives; it is no lost timer."""
    found = codes(watch(kind(name, 20 * MINUTE_S), [1], 4 * HOUR_S).view)
    assert found == ({"probes_restart_timer"} if held else set())


@pytest.mark.parametrize(
    ("name", "held"), [("rejects", True), ("no_registers", True), ("plain", False)]
)
def test_a_drive_or_bridge_that_refuses(name: str, held: bool) -> None:
    """After three refusals of a lasting kind it is reported; a drive that answers has none."""
    seen = watch(kind(name, 600), [1], 2 * HOUR_S).view
    assert ("state_refused" in codes(seen)) == held


def test_a_disk_that_cannot_be_probed() -> None:
    """A controller's volume has no probe; any other disk has one."""
    why = "it looks like a logical volume of a RAID controller"
    seen = by_hand(probe_method=None, not_probed_because=why)
    assert only(seen, "state_not_available").evidence == why
    assert codes(by_hand()) == set()


def test_a_missing_capability() -> None:
    """One refusal by the kernel is enough, and none is none."""
    assert codes(by_hand({"probe_failures": {("permission",): 1}})) == {"capability_missing"}
    assert codes(by_hand({"probe_failures": {("permission",): 0}})) == set()


def test_uncounted_sectors() -> None:
    """Linux Documentation/ABI/stable/sysfs-block, queue/iostats: 0 stops the accounting."""
    assert codes(by_hand(iostats=False)) == {"sectors_not_counted"}
    assert codes(by_hand(iostats=True)) == set()


# Timers


def test_a_disk_that_never_slept() -> None:
    """A declared timer of 20 min that the drive does not have; found after 3.5 timers and 1 min."""
    watched = watch(kind("plain", None), [1], 70 * MINUTE_S)
    assert codes(watched.view) == set()
    assert codes(watched.run(73 * MINUTE_S).view) == {"never_slept"}
    assert codes(watch(kind("plain", 20 * MINUTE_S), [1], 3 * HOUR_S).view) == set()


def test_without_a_declared_timer_no_sleep_is_expected() -> None:
    """A disk that never sleeps is no finding where no timer is declared."""
    for policy in (with_timer(None), with_timer(0)):
        assert codes(watch(kind("plain", None), [1], 6 * HOUR_S, policy).view) == set()


TWICE = [1, 7200, 14_400]  # each followed by two hours of rest


@pytest.mark.parametrize(
    ("timer_s", "declared_s", "held"),
    [(600, 1200, True), (1200, 600, True), (600, 0, True), (1200, 1200, False), (600, None, False)],
)
def test_a_timer_that_is_not_the_declared_one(
    timer_s: int, declared_s: int | None, held: bool
) -> None:
    """Two spin-downs agree on another idle time than declared; undeclared there is no drift."""
    seen = watch(kind("plain", timer_s), TWICE, 5 * HOUR_S, with_timer(declared_s)).view
    assert ("timer_differs" in codes(seen)) == held
    if held:
        evidence = only(seen, "timer_differs").evidence
        assert "it sleeps when idle for" in evidence
        assert f"{timer_s // 60} min" in evidence
        assert ("declared: disabled" in evidence) == (declared_s == 0)


@pytest.mark.parametrize(("name", "given"), [("sas", True), ("epc", True), ("plain", False)])
def test_a_timer_that_the_drives_own_setting_denies(name: str, given: bool) -> None:
    """Mode page 1Ah or the Power Conditions log say 3 h; a legacy timer cannot be read."""
    seen = watch(kind(name, 3 * HOUR_S), [1], HOUR_S).view
    assert ("timer_differs" in codes(seen)) == given
    if given:
        assert (
            only(seen, "timer_differs").evidence == "declared: 20 min; the drive's own setting: 3 h"
        )


def test_a_record_without_its_feature_set_denies_nothing() -> None:
    """Timers of the Power Conditions log run only while EPC is enabled (ACS-3, from memory)."""
    for enabled, held in ((True, {"timer_differs"}), (False, set())):
        seen = by_hand(facts={"drive_timers_s": {"standby_z": 10_800}, "epc_enabled": enabled})
        assert codes(seen) == held


def test_a_timer_that_a_reading_restarts() -> None:
    """It is reported where the difference is no chance; its figures are the evidence."""

    def slept(restarts: bool) -> DiskView:
        read, unread = IdleBefore(12, 602.5, 0.3), IdleBefore(30, 600.0, 0.4)
        return by_hand(facts={"reading_effect": ReadingEffect(read, unread, 2.5, 0.5, restarts)})

    assert codes(slept(False)) == set()
    evidence = only(slept(True), "wear_reads_restart_timer").evidence
    assert evidence == (
        "2.5 s later after a reading than without, give or take 1.0 s; 12 spin-downs with a "
        "reading and 30 without"
    )


def test_a_timer_lost_at_a_replug() -> None:
    """It slept by itself, was re-plugged and idles on; a drive that keeps its timer does not."""
    plugs = (Plug(2 * HOUR, 0, False), Plug(2 * HOUR + 60 * SECOND, 0, True))
    arrivals = [1, 2 * HOUR_S + 300]
    lost = watch(kind("loses_timer", 20 * MINUTE_S), arrivals, 4 * HOUR_S, plugs=plugs)
    assert "timer_not_holding" in codes(lost.view)
    assert "it came back 1 h 59 min ago" in only(lost.view, "timer_not_holding").evidence
    kept = watch(kind("plain", 20 * MINUTE_S), arrivals, 4 * HOUR_S, plugs=plugs)
    assert "timer_not_holding" not in codes(kept.view)


def test_a_timer_that_holds_again() -> None:
    """The finding stays while the disk works, and goes with the next sleep."""
    watched = watch(kind("plain", 20 * MINUTE_S), [1, 2 * HOUR_S, 5 * HOUR_S], 90 * MINUTE_S)
    drive = watched.rack.places[0].drive
    drive.set_timer(watched.clock.now(), lost=True)
    assert codes(watched.run(4 * HOUR_S).view) == {"timer_not_holding"}
    assert codes(watched.run(5 * HOUR_S + 60).view) == {"timer_not_holding"}
    drive.set_timer(watched.clock.now(), lost=False)
    assert codes(watched.run(6 * HOUR_S).view) == set()


def test_a_learned_timer_that_no_longer_holds() -> None:
    """Two spin-downs that agree teach a timer where none is declared."""
    policy = with_timer(None)
    arrivals = [1, 2 * HOUR_S, 4 * HOUR_S]
    watched = watch(kind("plain", 20 * MINUTE_S), arrivals, 4 * HOUR_S, policy)
    assert codes(watched.view) == set()
    watched.rack.places[0].drive.set_timer(watched.clock.now(), lost=True)
    assert codes(watched.run(7 * HOUR_S).view) == {"timer_not_holding"}


def test_commands_that_keep_a_disk_awake() -> None:
    """Pass-through requests each ten minutes restart the timer, and are no lost timer; rare ones do
    nothing.
    """
    often = reads(610, 3 * HOUR_S, op=Op.PASS_THROUGH)
    assert codes(watch(kind("plain", 20 * MINUTE_S), often, 3 * HOUR_S).view) == {
        "commands_keep_awake"
    }
    rare = reads(2 * HOUR_S, 8 * HOUR_S, op=Op.PASS_THROUGH)
    assert codes(watch(kind("plain", 20 * MINUTE_S), rare, 8 * HOUR_S).view) == set()


def test_commands_are_seen_where_samples_are_as_rare_as_probes() -> None:
    """A guest's commands each half minute, and a sample a minute: every second one is without a
    probe, and shows that the requests are not ours."""
    often = reads(30, 12 * HOUR_S, op=Op.PASS_THROUGH)
    policy = replace(with_timer(20 * MINUTE_S), cadence=Cadence(fast_ns=MINUTE, slow_ns=MINUTE))
    seen = watch(kind("plain", 20 * MINUTE_S), often, 12 * HOUR_S, policy).view
    assert codes(seen) == {"commands_keep_awake"}


# Fixed intervals


def test_accesses_each_half_minute() -> None:
    """30 s: the documented default of a btrfs commit (Linux 6.12 fs/btrfs/fs.h)."""
    seen = watch(kind("plain", 20 * MINUTE_S), reads(30, 2 * HOUR_S), HOUR_S).view
    assert codes(seen) == {"regular_access"}
    evidence = only(seen, "regular_access").evidence
    assert evidence.startswith("accessed every 30 s, 24 of the last 24 times")
    assert "btrfs commit" in evidence


def test_accesses_that_stop() -> None:
    """Two intervals after the last access it is over."""
    watched = watch(kind("plain", 20 * MINUTE_S), reads(30, HOUR_S), HOUR_S)
    assert codes(watched.view) == {"regular_access"}
    assert codes(watched.run(HOUR_S + 120).view) == set()


@pytest.mark.slow
def test_random_accesses_have_no_interval() -> None:
    """Poisson arrivals of one a minute for a day: never an interval, judged each ten minutes."""
    draw = random.Random(6)
    at, arrivals = 0.0, []
    while at < 24 * HOUR_S:
        at += draw.expovariate(1 / 60)
        arrivals.append(at)
    watched = watch(kind("plain", 20 * MINUTE_S), arrivals, 600)
    for until in range(1200, 24 * HOUR_S, 600):
        assert codes(watched.run(until).view) == set()


def test_a_journal_that_commits_each_5_s() -> None:
    """5 s: the ext4 default (Linux 6.12 include/linux/jbd2.h); it leaves no still sample."""
    journal = reads(5, 2 * HOUR_S, sectors=16, op=Op.WRITE)
    watched = watch(kind("plain", 20 * MINUTE_S), journal, 55 * MINUTE_S)
    assert codes(watched.view) == set()
    seen = watched.run(90 * MINUTE_S).view
    assert codes(seen) == {"regular_access"}
    assert "ext4 journal" in only(seen, "regular_access").evidence


def test_a_journal_is_found_beneath_other_use() -> None:
    """A picture of 20 MB each ten minutes does not drown the commits between them."""
    journal = reads(5, 2 * HOUR_S, sectors=16, op=Op.WRITE)
    pictures = [
        Burst(at * SECOND, 20, SECOND, 2000, Op.WRITE, "mira") for at in range(7, 7200, 600)
    ]
    seen = watch(kind("plain", 20 * MINUTE_S), [*journal, *pictures], 90 * MINUTE_S).view
    assert codes(seen) == {"regular_access"}


def test_a_scrub_has_no_interval() -> None:
    """40,000 sectors each 2 s for hours, as a scrub reads: no sample is still, and nothing is
    wrong.
    """
    scrub = reads(2, 3 * HOUR_S, sectors=40_000)
    assert codes(watch(kind("plain", 20 * MINUTE_S), scrub, 2 * HOUR_S).view) == set()


def test_a_disk_that_shall_not_sleep_may_be_accessed() -> None:
    """A timer declared as disabled: accesses keep nothing awake."""
    seen = watch(kind("plain", None), reads(30, HOUR_S), HOUR_S, with_timer(0)).view
    assert codes(seen) == set()


def test_a_new_file_system() -> None:
    """1 MiB written each second, no reads, on a disk known for hours (Linux 6.12
    fs/ext4/ext4.h: lazy initialisation waits ten times each group's time).
    """
    writes = reads(1, 3 * HOUR_S, sectors=2048, op=Op.WRITE)
    seen = watch(kind("plain", 20 * MINUTE_S), writes, 2 * HOUR_S).view
    assert codes(seen) == {"file_system_initialising"}
    assert seen.facts.awake is not None
    known = seen.facts.awake._replace(watched_ns=15 * DAY)
    assert findings(replace(seen.facts, awake=known)) == ()


def test_reading_is_no_initialising() -> None:
    """The same pace read is a copy or a film."""
    seen = watch(kind("plain", 20 * MINUTE_S), reads(1, 3 * HOUR_S, sectors=2048), 2 * HOUR_S).view
    assert codes(seen) == set()


# Sleeps that do no good


def test_sleeping_that_does_not_pay() -> None:
    """5 W saved and 120 J a spin-up: T* = 24 s (Albers, CACM May 2010, p. 91). Sleeps of some 20 s
    lose, sleeps of four minutes do not.
    """
    short = watch(kind("plain", 60), reads(90, HOUR_S), HOUR_S, with_timer(60)).view
    assert "sleep_does_not_pay" in codes(short)
    assert "a sleep pays after 24 s" in only(short, "sleep_does_not_pay").evidence
    longer = watch(kind("plain", 60), reads(300, 2 * HOUR_S), 2 * HOUR_S, with_timer(60)).view
    assert "sleep_does_not_pay" not in codes(longer)


def test_standby_that_saves_nothing_cannot_pay() -> None:
    """A disk that draws in standby what it draws idle loses each spin-up."""
    policy = with_timer(60, watts=Watts(idle=5.0, standby=5.0))
    seen = watch(kind("plain", 60), reads(300, 2 * HOUR_S), 2 * HOUR_S, policy).view
    assert "no sleep pays" in only(seen, "sleep_does_not_pay").evidence


def test_a_disk_that_sleeps_too_eagerly() -> None:
    """Reads each 15 min on a timer of 10: each sleep is shorter than the timer, 96 waits a day;
    reads each three hours are well slept through.
    """
    eager = watch(kind("plain", 600), reads(900, 8 * HOUR_S), 8 * HOUR_S, with_timer(600)).view
    assert "sleeps_too_eagerly" in codes(eager)
    calm = reads(3 * HOUR_S, 48 * HOUR_S)
    assert codes(watch(kind("plain", 600), calm, 48 * HOUR_S, with_timer(600)).view) == set()


# Slow changes


def waits(*seconds: float) -> DiskView:
    """A disk whose spin-ups took so long, in order."""
    fold = WaitTimes()
    for number, wait in enumerate(seconds):
        fold.step(Explained(number, "d", 0, "read", "", "", round(wait * SECOND)), Policy())
    return by_hand(facts={"wait_medians": fold.totals()})


def test_waits_that_lengthen() -> None:
    """From 8 s to 14 s in the median of twenty; slow now and then, or too few, is no trend."""
    assert codes(waits(*[8.0] * 20, *[14.0] * 20)) == {"spin_up_wait_lengthening"}
    assert codes(waits(*[8.0] * 20, *[8.0] * 15, *[20.0] * 5)) == set()
    assert codes(waits(*[8.0] * 20, *[14.0] * 19)) == set()
    assert codes(waits(*[0.5] * 20, *[1.0] * 20)) == set()


@pytest.mark.slow
def test_a_motor_that_tires() -> None:
    """Watched for days: 24 spin-ups of 8 s, then 26 of 14 s; a motor that stays has no finding."""
    for later_s, held in ((14, True), (8, False)):
        drive = replace(kind("plain", 600), spinup_ns=8 * SECOND)
        watched = watch(drive, reads(HOUR_S, 51 * HOUR_S), 25 * HOUR_S, with_timer(600))
        one = watched.rack.places[0].drive
        one.kind = replace(one.kind, spinup_ns=later_s * SECOND)
        seen = watched.run(51 * HOUR_S).view
        assert ("spin_up_wait_lengthening" in codes(seen)) == held
        waits = seen.facts.totals.waits
        assert waits.count == seen.facts.totals.cycles == 50
        assert waits.sum == 24 * 8 + 26 * later_s


def parked(loads_a_day: int, starts_a_day: int, days: int = 7, **policy: object) -> DiskView:
    """A disk whose own counters were read each day."""
    fold = Gained("loads", "start_stops")
    for day in range(days + 1):
        loads, starts = 100_000 + day * loads_a_day, 900 + day * starts_a_day
        worn = Worn("d", 0, starts, loads, 9, None, None, None, None, "test")
        fold.step(Reading("d", 0, day * DAY, worn, "accepted"), Policy())
    changed = replace(Policy(), **policy)  # type: ignore[arg-type]
    gained = fold.totals()
    parking = None if gained is None else HeadParking(*gained)
    return by_hand(facts={"parking": parking, "apm_level": 128, "policy": changed})


def test_heads_that_park_without_a_spin_down() -> None:
    """600,000 over five years is 328.5 a day (arithmetic); 300,000 is 164.3."""
    seen = parked(329, 2, rated_load=600_000)
    assert codes(seen) == {"parks_heads_often"}
    assert (
        "600000 rated, 329 a day over five years; APM level 128"
        in only(seen, "parks_heads_often").evidence
    )
    assert codes(parked(328, 2, rated_load=600_000)) == set()
    assert codes(parked(329, 33, rated_load=600_000)) == set()
    assert codes(parked(165, 2, rated_load=300_000)) == {"parks_heads_often"}


def test_one_day_of_readings_at_least() -> None:
    """A burst between two readings of one day is no pace."""
    assert codes(parked(5000, 0, days=0)) == set()
