"""One simulated drive: the kernel's counters, its levels, its odometer, the sum of times."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spinledger.model import HOUR, MILLISECOND, MINUTE, SECOND
from spinledger.sim import answers
from spinledger.sim.drive import Burst, Drive, Kernel, Op
from spinledger.sim.kinds import KINDS, Kind, parked, retimed, standby

PLAIN = KINDS["plain"]
TIMER = 20 * MINUTE
ASLEEP = TIMER + SECOND


def drive(kind: Kind, *arrivals: int | Burst, log: int = 1000) -> Drive:
    """A drive that spins at time 0, with these arrivals; a bare time is one read."""
    made = [one if isinstance(one, Burst) else read(one) for one in arrivals]
    return Drive(kind, iter(sorted(made)), 0, log=log)


def read(at_ns: int, ticks: int = 1, step_ns: int = 0, op: Op = Op.READ) -> Burst:
    """Reads of eight sectors."""
    return Burst(at_ns, ticks, step_ns, 8, op, "reader")


def test_a_gap_as_long_as_the_timer_does_not_stop_it_and_a_longer_one_does() -> None:
    """A spin-down happens in a gap strictly longer than the timer (our definition of a cycle)."""
    exact = drive(PLAIN, TIMER, 2 * TIMER)
    assert exact.settle(2 * TIMER).cycles == 0
    longer = drive(PLAIN, TIMER + 1)
    tally = longer.settle(TIMER + 1 + PLAIN.spinup_ns)
    assert (tally.cycles, tally.mode_ns["standby"]) == (1, 1)


def test_sectors_move_at_completion_and_waiting_requests_are_in_flight() -> None:
    """Counters of /sys/block/X/stat move at completion (Linux Documentation/block/stat.rst)."""
    one = drive(PLAIN, ASLEEP, read(ASLEEP + 3 * SECOND))
    assert one.kernel(ASLEEP - 1) == Kernel(0, 0, 0, 0, 0)
    assert one.kernel(ASLEEP) == Kernel(0, 0, 0, 1, 1)
    assert one.kernel(ASLEEP + 3 * SECOND) == Kernel(0, 0, 0, 2, 2, 3 * SECOND)
    assert one.kernel(ASLEEP + PLAIN.spinup_ns - 1).in_flight == 2
    spinup = PLAIN.spinup_ns
    assert one.kernel(ASLEEP + spinup) == Kernel(16, 0, 0, 0, 2, spinup, 2 * spinup - 3 * SECOND)


def test_a_burst_moves_request_by_request() -> None:
    """Twenty writes a second apart are counted one by one, the waiting ones all at once."""
    burst = Burst(ASLEEP, 20, SECOND, 100, Op.WRITE, "writer", flushes=1)
    one = drive(PLAIN, burst)
    seen = [one.kernel(ASLEEP + k * SECOND) for k in (0, 9, 10, 15, 19, 40)]
    assert [k.in_flight for k in seen] == [1, 10, 0, 0, 0, 0]
    assert [k.sectors_written for k in seen] == [0, 0, 1100, 1600, 2000, 2000]
    assert [k.flushes for k in seen] == [0, 0, 11, 16, 20, 20]
    assert [k.requests for k in seen] == [1, 10, 11, 16, 20, 20]
    assert [k.busy_ns // SECOND for k in seen] == [0, 9, 10, 10, 10, 10]
    assert [k.waited_ns // SECOND for k in seen] == [0, 0, 55, 55, 55, 55]  # 10 + 9 + ... + 1


def test_a_flush_with_nothing_dirty_starts_no_motor() -> None:
    """An fsync moved stat and the drive slept on: seen on Linux 6.1 in a virtual machine."""
    one = drive(PLAIN, read(ASLEEP, op=Op.FLUSH))
    assert one.kernel(2 * HOUR) == Kernel(0, 0, 1, 0, 1)
    assert one.stopped
    assert one.settle(2 * HOUR).cycles == 0


def test_a_pass_through_request_starts_the_motor_and_moves_only_the_request_count() -> None:
    """A pass-through READ(10) left stat alone and raised iorequest_cnt: seen on Linux 6.1."""
    one = drive(PLAIN, read(ASLEEP, op=Op.PASS_THROUGH))
    assert one.kernel(ASLEEP + MINUTE) == Kernel(0, 0, 0, 0, 1)
    tally = one.settle(ASLEEP + MINUTE)
    assert tally.wakes == {("pass_through", "reader"): 1}


def test_parked_heads_cost_loads_and_no_starts() -> None:
    """Parking by APM costs a load at the next access, no spin-down (HC580 specification, p280)."""
    kind = replace(PLAIN, ladder=(parked(8 * SECOND), standby(TIMER)))
    one = drive(kind, *(minute * MINUTE for minute in range(1, 11)))
    tally = one.settle(10 * MINUTE)
    assert (tally.cycles, tally.parks, one.odometer.loads) == (0, 10, 1 + 10)


def test_slow_requests_park_the_heads_each_time() -> None:
    """A burst whose requests lie further apart than a timer is taken apart, in order."""
    kind = replace(PLAIN, ladder=(parked(8 * SECOND),))
    slow = Burst(MINUTE, 60, 10 * SECOND, 8, Op.WRITE, "journal")
    one = drive(kind, slow, MINUTE + 5 * SECOND)
    # Before the first request, in 58 of 59 gaps (one holds the read at 5 s), and after the last.
    assert one.settle(HOUR).parks == 1 + 58 + 1


def test_the_ladder_of_power_conditions() -> None:
    """Idle_a to standby_z in their order, and back at once (HC580 specification, table 86)."""
    kind = KINDS["epc"]
    one = drive(kind, HOUR)
    names = []
    for at_ns in (SECOND, 3 * SECOND, 3 * MINUTE, 11 * MINUTE, 16 * MINUTE, 21 * MINUTE):
        one.advance(at_ns)
        names.append(one.level.name if one.level else "ready")
    assert names == ["ready", "idle_a", "idle_b", "idle_c", "standby_y", "standby_z"]
    tally = one.settle(HOUR + 20 * SECOND)
    assert tally.cycles == 1
    assert tally.mode_ns["idle_b"] == 8 * MINUTE
    assert tally.mode_ns["standby_z"] == 40 * MINUTE


def test_leaving_idle_c_takes_seconds_and_is_no_cycle() -> None:
    """Idle_c recovers in 3 to 15 s (Ultrastar 7K2 specification, p14); the motor runs on."""
    one = drive(KINDS["epc"], 12 * MINUTE)
    assert one.kernel(12 * MINUTE + SECOND).in_flight == 1
    assert one.kernel(12 * MINUTE + 4 * SECOND).in_flight == 0
    assert one.settle(13 * MINUTE).cycles == 0
    assert one.odometer.starts == 1


def test_start_stop_count_equals_cycles_and_loads_follow() -> None:
    """Attribute 4 counts starts, 193 loads, 12 power-ons (public drive database names)."""
    one = drive(PLAIN, *(k * HOUR for k in range(1, 6)))
    before = answers.smart(one, 0)
    after = answers.smart(one, 6 * HOUR)
    cycles = one.settle(6 * HOUR).cycles
    assert cycles == 5
    assert after[4] - before[4] == cycles
    assert after[193] - before[193] == cycles
    assert after[12] == before[12]
    assert after[9] == 6
    assert after[3] == PLAIN.spinup_ns // MILLISECOND


def test_device_statistics_agree() -> None:
    """Page 03h: spindle hours and head load events; page 01h: power-on hours (from memory)."""
    one = drive(retimed(PLAIN, 30 * MINUTE), *(k * HOUR for k in range(1, 11)))
    pages = answers.statistics(one, 10 * HOUR + MINUTE)
    standing = one.settle(10 * HOUR + MINUTE).mode_ns["standby"]
    assert pages[0x01, 0x010] == 10
    assert pages[0x03, 0x008] == (10 * HOUR + MINUTE - standing) // HOUR
    assert pages[0x03, 0x018] == answers.smart(one, 10 * HOUR + MINUTE)[193]


def test_a_sas_drive_counts_a_cycle_when_it_is_complete() -> None:
    """A spinning drive's current cycle is not yet included (MAX3073 manual, 4-66)."""
    one = drive(KINDS["sas"], HOUR, 2 * HOUR)
    seen = []
    for at_ns in (MINUTE, 30 * MINUTE, HOUR + MINUTE, HOUR + 30 * MINUTE, 2 * HOUR + MINUTE):
        one.advance(at_ns)
        seen.append(answers.start_stops(one))
    assert seen == [0, 1, 1, 2, 2]


def test_unplugging_a_spinning_drive_is_an_emergency_retract() -> None:
    """Attribute 192 counts power lost with the heads loaded; a sleeping drive has them parked."""
    one = drive(PLAIN, HOUR)
    one.unplug(MINUTE)
    one.plug(2 * MINUTE)
    assert answers.smart(one, 2 * MINUTE)[192] == 1
    one.unplug(50 * MINUTE)
    one.plug(51 * MINUTE)
    smart = answers.smart(one, 51 * MINUTE)
    assert (smart[192], smart[12], smart[4]) == (1, 3, 3)
    assert one.settle(51 * MINUTE).cycles == 0, "a power-on is no cycle"


def test_what_arrives_while_it_is_unplugged_is_lost() -> None:
    """A disk that is not there serves nothing, and the kernel counts a new one from zero."""
    one = drive(PLAIN, MINUTE, 3 * MINUTE, 5 * MINUTE)
    one.unplug(2 * MINUTE)
    one.plug(4 * MINUTE)
    assert one.kernel(6 * MINUTE) == Kernel(8, 0, 0, 0, 1)
    assert one.settle(6 * MINUTE).mode_ns["off"] == 2 * MINUTE


def test_failed_starts_cost_time_and_are_counted() -> None:
    """Attribute 10 counts spin-up retries; every attempt takes the time of one."""
    kind = KINDS["weak_motor"]
    one = drive(kind, *(k * HOUR for k in range(1, 201)))
    tally = one.settle(201 * HOUR)
    retries = answers.smart(one, 201 * HOUR)[10]
    assert retries == sum(event.what == "failed_start" for event in tally.events) > 0
    assert tally.wait_ns == (200 + retries) * kind.spinup_ns
    # Attempts are independent: 200 p / (1 - p) failures are expected, variance 200 p / (1 - p)^2.
    assert abs(retries - 200 * 0.3 / 0.7) < 4 * (200 * 0.3 / 0.7**2) ** 0.5


def test_a_lost_timer_keeps_it_awake_until_it_is_back() -> None:
    """Without its timer a drive never stops; given back, the timer counts from then."""
    one = drive(PLAIN)
    one.set_timer(MINUTE, lost=True)
    assert not one.settle(5 * HOUR).mode_ns.get("standby")
    one.set_timer(5 * HOUR, lost=False)
    assert one.settle(6 * HOUR).mode_ns["standby"] == 40 * MINUTE


ARRIVALS = st.lists(
    st.tuples(
        st.integers(0, 40_000),
        st.integers(1, 30),
        st.integers(1, 40),
        st.sampled_from(list(Op)),
    ),
    max_size=25,
)
KIND_NAMES = st.sampled_from(["plain", "parking", "epc", "sas", "untimed", "weak_motor", "sleep"])


def bursts(raw: list[tuple[int, int, int, Op]]) -> list[Burst]:
    """Bursts in seconds made of drawn numbers."""
    return [
        Burst(at * SECOND, ticks, step * SECOND if ticks > 1 else 0, 8, op, "any", 1)
        for at, ticks, step, op in raw
    ]


@given(ARRIVALS, KIND_NAMES, st.lists(st.integers(0, 50_000), max_size=30))
@settings(max_examples=150, deadline=None)
def test_sampling_changes_nothing(
    raw: list[tuple[int, int, int, Op]], name: str, samples: list[int]
) -> None:
    """Read often or once at the end: the same counters, modes and odometer; time adds up."""
    end = 60_000 * SECOND
    often, once = drive(KINDS[name], *bursts(raw)), drive(KINDS[name], *bursts(raw))
    last = Kernel(0, 0, 0, 0, 0)
    for at_s in sorted(samples):
        seen = often.kernel(at_s * SECOND)
        assert seen.sectors_read >= last.sectors_read
        assert seen.sectors_written >= last.sectors_written
        assert seen.requests >= last.requests
        often.settle(at_s * SECOND)
        last = seen
    assert often.kernel(end) == once.kernel(end)
    assert often.settle(end) == once.settle(end)
    assert often.odometer == once.odometer
    tally = once.tally
    assert sum(tally.mode_ns.values()) == end
    assert once.odometer.starts == 1 + tally.cycles
    assert once.odometer.powered_ns == end
    stopped = sum(tally.mode_ns.get(level.name, 0) for level in KINDS[name].ladder if level.stopped)
    assert once.odometer.spinning_ns == end - stopped
    ticks = sum(burst.ticks for burst in bursts(raw))
    assert once.kernel(end).requests == ticks
    assert sum(tally.wakes.values()) == tally.cycles


@given(ARRIVALS, KIND_NAMES)
@settings(max_examples=100, deadline=None)
def test_a_burst_is_nothing_but_its_requests(
    raw: list[tuple[int, int, int, Op]], name: str
) -> None:
    """A shelf fed bursts ends like one fed every request by itself."""
    singles = [
        one._replace(began_ns=one.began_ns + k * one.step_ns, ticks=1, step_ns=0)
        for one in bursts(raw)
        for k in range(one.ticks)
    ]
    end = 60_000 * SECOND
    whole, apart = drive(KINDS[name], *bursts(raw)), drive(KINDS[name], *singles)
    assert whole.kernel(end) == apart.kernel(end)
    assert whole.settle(end).mode_ns == apart.settle(end).mode_ns
    assert whole.odometer == apart.odometer


def brute_force(times: list[int], timer: int, spinup: int, end: int) -> tuple[int, int]:
    """Cycles and standing time by walking from access to access; the textbook way."""
    cycles = stood = busy = 0
    for at in times:
        if at - busy > timer:
            cycles += 1
            stood += at - busy - timer
            busy = at + spinup
        else:
            busy = max(busy, at)
    return cycles, stood + max(0, end - busy - timer)


@pytest.mark.parametrize("seed", range(5))
def test_cycles_equal_a_brute_force_walk(seed: int) -> None:
    """Cycles and standing time equal an independent walk over the same arrivals, to the ns."""
    draw = random.Random(seed)
    times = sorted(draw.randrange(30 * 24 * HOUR) for _ in range(3000))
    tally = drive(PLAIN, *times).settle(30 * 24 * HOUR)
    expected = brute_force(times, TIMER, PLAIN.spinup_ns, 30 * 24 * HOUR)
    assert (tally.cycles, tally.mode_ns["standby"]) == expected
