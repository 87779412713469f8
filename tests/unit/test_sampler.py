"""When a probe is sent, and what its answer teaches: simulated drives through the real loop.

Source: no standard says how often to probe. That an E5h neither wakes a drive nor restarts its
timer is stated for one ATA device only (SDX-470V ATA manual, 6.1) and held as unproven for disks;
Linux Documentation/hwmon/drivetemp.rst reports a drive whose spin-down timer a read restarts.
Judged by the simulated drive's own log and counters, not by ours.
"""

from __future__ import annotations

from itertools import pairwise

import pytest

from spinledger.model import DAY, HOUR, MINUTE, SECOND, Cycle, State, Watch
from spinledger.sim.shelf import Plug
from tests.fakes.series import samples
from tests.fakes.watching import Watched, kind, with_timer

TIMER_S = 1200.0


def expected_probes(timer_s: float, fast_s: float, slow_s: float) -> int:
    """Probes from the last I/O to the spin-down: sparse, then dense from half a slow interval
    before the timer; the last one finds the drive asleep."""
    sparse = int((timer_s - slow_s / 2) // slow_s)
    dense = int(slow_s / 2 / fast_s) + 2
    return sparse + dense


def test_an_idle_disk_is_probed_some_thirty_times_before_a_20_minute_timer() -> None:
    """The number of probes is what the rules predict, within one."""
    watched = Watched(kind("plain", TIMER_S), [100], with_timer(TIMER_S)).run(100 + TIMER_S + 60)
    probes = [at for at in watched.log if at > 100]
    assert abs(len(probes) - expected_probes(TIMER_S, 5, 60)) <= 1
    assert watched.account.state is State.STANDBY


def test_spin_down_is_seen_within_one_fast_interval() -> None:
    """Around the timer probes are dense."""
    watched = Watched(kind("plain", TIMER_S), [100], with_timer(TIMER_S)).run(100 + TIMER_S + 60)
    slept = 100 + TIMER_S
    assert slept <= watched.account.since_ns / SECOND <= slept + 2 * 5 + 1


def test_a_sleeping_disk_is_probed_every_ten_minutes_and_sleeps_on() -> None:
    """Ten hours of standby are some sixty probes and no spin-up."""
    watched = Watched(kind("plain", TIMER_S), [100], with_timer(TIMER_S)).run(36_000 + 1300)
    asleep = [at for at in watched.log if at > 1400]
    assert abs(len(asleep) - 60) <= 1
    truth = watched.rack.truth(watched.clock.now())["sim-one"]
    assert truth.cycles == 0


def test_a_read_is_recorded_within_one_fast_interval() -> None:
    """Somebody's read of a sleeping disk is a cycle by the next sample."""
    watched = Watched(kind("plain", TIMER_S), [100, 5003], with_timer(TIMER_S)).run(5100)
    (cycle,) = [entry for entry in watched.entries if isinstance(entry, Cycle)]
    assert abs(cycle.at_ns / SECOND - 5003) <= 5


def test_an_undeclared_timer_is_learned_from_two_agreeing_spin_downs() -> None:
    """Two brackets that overlap are a timer; then probes are dense around it."""
    arrivals = [100 + 4000 * n for n in range(8)]
    watched = Watched(kind("plain", 900), arrivals, with_timer(None)).run(arrivals[-1] + 2000)
    learned = watched.account.probing.learned
    assert learned is not None
    assert learned[0] / SECOND <= 900 + 1 <= learned[1] / SECOND + 10
    assert (learned[1] - learned[0]) / SECOND <= 15


@pytest.mark.parametrize("name", ["rejects", "aborts", "no_registers"])
def test_drives_that_give_no_state_are_unknown_and_given_up(name: str) -> None:
    """Three refusals of a lasting kind end the probes; never standby."""
    watched = Watched(kind(name, TIMER_S), [100], with_timer(TIMER_S)).run(2 * 3600)
    assert watched.view.state is State.UNKNOWN
    assert len(watched.log) == 3
    assert ("state_refused",) in samples(watched.view)["finding"]
    standby = samples(watched.view)["state_seconds"][("standby",)]
    assert standby == 0


def test_a_drive_that_restarts_its_timer_is_found_and_then_sleeps() -> None:
    """Awake past twice its timer while probed, asleep in a silence: found; then probed less."""
    arrivals = [100.0, 20_000.0, 40_000.0]
    drive = kind("restarts_on_probe", TIMER_S)
    watched = Watched(drive, arrivals, with_timer(TIMER_S)).run(60_000)
    assert samples(watched.view)["finding"][("probes_restart_timer",)] == 1
    assert watched.account.probing.restarter == "confirmed"
    truth = watched.rack.truth(watched.clock.now())["sim-one"]
    last_sleep = 60_000 - 40_000 - TIMER_S
    slept_last = [at for at in watched.log if 40_000 < at < 40_000 + TIMER_S]
    assert slept_last == []
    assert truth.stopped_ns / SECOND > last_sleep


@pytest.mark.parametrize("timer_s", [900, 3000])
def test_the_timer_of_a_drive_that_restarts_it_is_learned(timer_s: int) -> None:
    """Not declared: the drive's timer is its own figure. To halve 3.5 h down to a minute takes
    nine probes; each may delay one sleep, and only one a day does. A known timer costs none."""
    arrivals = [100.0 + 30_000 * n for n in range(20)]
    drive = kind("restarts_on_probe", timer_s)
    watched = Watched(drive, arrivals, with_timer(None)).run(arrivals[3])
    assert samples(watched.view)["finding"][("probes_restart_timer",)] == 1
    found = len(restarting(watched))
    watched.run(arrivals[-2])
    learned = watched.account.probing.learned
    assert learned is not None
    assert learned[0] / SECOND <= timer_s + 10
    assert timer_s <= learned[1] / SECOND <= timer_s + 65
    delays = restarting(watched)[found:]
    assert len(delays) <= 9
    assert all(after - before >= DAY / SECOND for before, after in pairwise(delays))
    watched.run(arrivals[-1])
    assert restarting(watched)[found:] == delays
    truth = watched.rack.truth(watched.clock.now())["sim-one"]
    assert {cause for cause, _ in truth.wakes} == {"read"}  # no probe wakes it


def test_a_drive_on_trial_that_restarts_its_timer_sleeps() -> None:
    """The trial's probes keep to the silences, too, or they would keep it awake."""
    watched = Watched(kind("restarts_on_probe", 900), [100.0], with_timer(None)).run(200)
    watched.account.probing.on_trial = True
    watched.run(20_000)
    assert watched.rack.truth(watched.clock.now())["sim-one"].stopped_ns > HOUR


def test_a_long_timer_without_restarts_is_not_mistaken() -> None:
    """It sleeps in a silence too, but stays awake as long in the next gap."""
    arrivals = [100.0 + 20_000 * n for n in range(6)]
    watched = Watched(kind("plain", 3000), arrivals, with_timer(None)).run(arrivals[-1])
    learned = watched.account.probing.learned
    assert learned is not None
    assert learned[0] / SECOND <= 3001 <= learned[1] / SECOND + 10
    assert watched.account.probing.restarter == ""


def restarting(watched: Watched) -> list[float]:
    """When a probe restarted the timer: its motor was spinning, by the drive's own log."""
    sent = watched.rack.places[0].drive.settle(watched.clock.now()).sent
    return [one.at_ns / SECOND for one in sent if one.what == "probe" and one.level != "standby"]


def test_a_drive_that_sleeps_later_than_declared_is_no_restarter_for_long() -> None:
    """Not probed for one and a half timers it is still awake: acquitted."""
    arrivals = [100.0 + 15_000 * n for n in range(6)]
    watched = Watched(kind("plain", 3600), arrivals, with_timer(TIMER_S)).run(90_000)
    assert watched.account.probing.restarter == ""
    assert watched.account.probing.acquitted


@pytest.mark.parametrize("name", ["wakes_spins_first", "wakes_answers_first"])
def test_a_drive_that_wakes_on_a_probe_is_found_and_no_longer_probed(name: str) -> None:
    """After the limit of disturbances it gets no probe any more, whatever others do."""
    arrivals = [100.0 + 8000 * n for n in range(8)]
    watched = Watched(kind(name, TIMER_S), arrivals, with_timer(TIMER_S)).run(70_000)
    assert samples(watched.view)["finding"][("probes_disturb",)] == 1
    assert watched.view.facts.probing_ended
    assert [at for at in watched.log if at > 100 + 8000 * 4] == []


def test_a_disturbance_is_followed_by_silence_until_other_io() -> None:
    """One wake of ours, then not one probe until somebody reads."""
    watched = Watched(kind("wakes_spins_first", TIMER_S), [100], with_timer(TIMER_S))
    watched.run(DAY / SECOND)
    truth = watched.rack.truth(watched.clock.now())["sim-one"]
    assert truth.cycles == 1
    assert watched.view.state is State.UNKNOWN


def test_sleep_is_disturbed_once_and_then_no_longer_probed() -> None:
    """A probe ends PM3:Sleep by a link reset; its 00h with status 00h is never standby."""
    watched = Watched(kind("sleep", TIMER_S), [100], with_timer(TIMER_S))
    watched.run(DAY / SECOND)
    assert samples(watched.view)["state_seconds"][("standby",)] == 0
    assert sum(watched.account.probing.disturbed.values()) == 1


def test_a_hung_drive_gets_one_probe() -> None:
    """Past its deadline it is mute; nothing is sent until the old answer returns."""
    watched = Watched(kind("hung", TIMER_S), [100], with_timer(TIMER_S)).run(6 * 3600)
    assert len(watched.log) == 1
    assert "unanswered" in watched.view.facts.why


def test_a_drive_that_answers_00h_while_recovering_costs_no_false_standby() -> None:
    """The answer met movement: it says nothing."""
    arrivals = [100.0 + 4000 * n for n in range(10)]
    watched = Watched(kind("recovering_00h", TIMER_S), arrivals, with_timer(TIMER_S)).run(42_000)
    truth = watched.rack.truth(watched.clock.now())["sim-one"]
    cycles = samples(watched.view)["cycles"][("yes",)]
    assert cycles == truth.cycles


def test_counters_only_sends_nothing_and_does_not_guess() -> None:
    """Without probes a disk is known to spin while it is used, and then unknown."""
    policy = with_timer(TIMER_S, watch=Watch.COUNTERS)
    watched = Watched(kind("plain", TIMER_S), [100], policy).run(7200)
    assert watched.log == []
    assert watched.view.state is State.UNKNOWN
    assert samples(watched.view)["state_seconds"][("standby",)] == 0


def test_unplugged_and_plugged_in_again_is_the_same_disk() -> None:
    """Another kernel name, the same record; the absence is unobserved."""
    plugs = [Plug(3000 * SECOND, 0, False), Plug(9000 * SECOND, 0, True)]
    watched = Watched(kind("plain", TIMER_S), [100, 9500], with_timer(TIMER_S), plugs).run(12_000)
    unobserved = samples(watched.view)["state_seconds"][("unobserved",)]
    assert unobserved == pytest.approx(6000, abs=6)
    assert watched.account.state is State.STANDBY


@pytest.mark.parametrize("name", ["plain", "epc", "sas", "parking", "restarts_on_probe"])
def test_state_seconds_add_up_to_the_time_watched(name: str) -> None:
    """The record balances to the nanosecond, whatever the drive is like."""
    arrivals = [100.0 + 3011 * n for n in range(20)]
    watched = Watched(kind(name, TIMER_S), arrivals, with_timer(TIMER_S)).run(70_000)
    total = sum(samples(watched.view)["state_seconds"].values())
    assert total == pytest.approx(watched.account.at_ns / SECOND, abs=1e-6)
    assert watched.account.at_ns >= 70_000 * SECOND - 10 * SECOND


@pytest.mark.slow
def test_cycles_and_standby_agree_with_the_drive() -> None:
    """Over ten days the ledger has every spin-up, and the time asleep within the sampling."""
    arrivals = [1000.0 + 7919 * n for n in range(100)]
    watched = Watched(kind("plain", TIMER_S), arrivals, with_timer(TIMER_S)).run(800_000)
    truth = watched.rack.truth(watched.clock.now())["sim-one"]
    shown = samples(watched.view)
    assert shown["cycles"][("yes",)] == truth.cycles == 99
    asleep = shown["state_seconds"][("standby",)]
    bound = truth.cycles * 3 * 5
    assert truth.stopped_ns / SECOND - bound <= asleep <= truth.stopped_ns / SECOND + 1


def test_cadence_constants_are_the_documented_ones() -> None:
    """Five seconds, a minute, ten minutes: the defaults of the configuration."""
    cadence = with_timer(None).cadence
    assert (cadence.fast_ns, cadence.slow_ns, cadence.asleep_ns) == (
        5 * SECOND,
        MINUTE,
        10 * MINUTE,
    )
    assert HOUR == 60 * MINUTE
