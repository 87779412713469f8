"""Energy against worked examples and the break-even rule."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spinledger.model import SECOND, Cycle, Policy, State, Stretch, Watts
from spinledger.whatif.energy import JOULES_PER_KWH, Energy, a_year, break_even_s, cost, net_joules

# Pipeline HD.2 product manual, p12: 3.834 W idle, 0.699 W standby (two disks). The 120 J of a
# spin-up are assumed: makers do not publish it.
WATTS = Watts(idle=3.834, standby=0.699)
POLICY = Policy(watts=WATTS, spinup_j=120.0)


def stretch(state: State, began_s: float, ended_s: float) -> Stretch:
    """Time in a state, in seconds."""
    return Stretch("sim-1", state, False, round(began_s * SECOND), round(ended_s * SECOND))


def test_break_even_gap() -> None:
    """T* = 120 J / (3.834 - 0.699) W = 38.28 s (ski rental: Albers, CACM May 2010, p91)."""
    assert break_even_s(WATTS, 120) == pytest.approx(38.28, abs=0.005)
    assert net_joules(WATTS, 120, 120 / (3.834 - 0.699), 1) == pytest.approx(0)


def test_no_break_even_where_standby_saves_nothing() -> None:
    """Equal watts never pay back a spin-up."""
    assert break_even_s(Watts(idle=1, standby=1), 120) is None


def test_a_night_asleep() -> None:
    """By hand: 8 h asleep save (3.834 - 0.699) x 28800 - 120 = 90168 J; 10 s idle use 38.34."""
    fold = Energy()
    fold.step(stretch(State.STANDBY, 0, 28800), POLICY)
    fold.step(Cycle(1, "sim-1", 28800 * SECOND, 0, True), POLICY)
    fold.step(stretch(State.IDLE, 28800, 28810), POLICY)
    used = fold.totals(stretch(State.IDLE, 28810, 28810), POLICY)
    assert used.saved == pytest.approx(90168)
    assert used.lost == 0
    assert used.by_state == {
        "active": 0,
        "idle": pytest.approx(38.34),
        "standby": pytest.approx(0.699 * 28800),
        "spinup": 120,
    }


def test_a_short_sleep_loses() -> None:
    """Worked by hand: 10 s asleep net 31.35 - 120 = -88.65 J, recorded when the disk spins."""
    fold = Energy()
    fold.step(stretch(State.STANDBY, 0, 10), POLICY)
    assert fold.totals(stretch(State.STANDBY, 10, 10), POLICY).lost == 0
    lost = fold.totals(stretch(State.ACTIVE, 10, 10), POLICY).lost
    assert lost == pytest.approx(88.65)


def test_watts_that_change_in_a_sleep() -> None:
    """What is saved never falls: 1000 s at 3.135 W net 3015 J; then a spin-up costs 9,000 J.

    By hand: the sleep nets 3.135 x 1000 - 9000 = -5865 J in all; 3015 J of it stand as saved, so
    8880 J are lost.
    """
    fold = Energy()
    fold.step(stretch(State.STANDBY, 0, 1000), POLICY)
    dear = Policy(watts=WATTS, spinup_j=9000.0)
    asleep = fold.totals(stretch(State.STANDBY, 1000, 1000), dear)
    awake = fold.totals(stretch(State.IDLE, 1000, 1000), dear)
    assert asleep.saved == awake.saved == pytest.approx(3015)
    assert asleep.lost == 0
    assert awake.lost == pytest.approx(8880)


def test_unseen_time_is_neither_slept_nor_a_wake() -> None:
    """A sleep goes on over unobserved time, which itself saves nothing."""
    fold = Energy()
    fold.step(stretch(State.STANDBY, 0, 100), POLICY)
    fold.step(stretch(State.UNOBSERVED, 100, 5000), POLICY)
    fold.step(stretch(State.STANDBY, 5000, 5100), POLICY)
    fold.step(stretch(State.IDLE, 5100, 5110), POLICY)
    saved = fold.totals(stretch(State.IDLE, 5110, 5110), POLICY).saved
    assert saved == pytest.approx(3.135 * 200 - 120)


def test_cost_of_a_kilowatt_hour() -> None:
    """3.6 MJ are one kilowatt hour (SI Brochure, 9th edition, table 8: 1 h = 3600 s)."""
    assert cost(3_600_000, 0.30) == pytest.approx(0.30)


def test_a_year_at_the_pace_of_a_few_days() -> None:
    """5 W through three days are 43.83 kWh a year; less than a whole day says nothing of one.

    NIST SP 811 (2008), B.8: 1 kW h = 3.6 MJ. A Julian year has 365.25 d = 8766 h (IAU style manual,
    1989), so 5 W x 8766 h.
    """
    result = a_year(5.0 * 3 * 86_400, 3 * 86_400.0)
    assert result is not None
    assert result / JOULES_PER_KWH == pytest.approx(43.83)
    assert a_year(5.0 * 86_399, 86_399.0) is None


STATES = st.sampled_from(list(State))


@given(st.lists(st.tuples(STATES, st.integers(0, 300)), max_size=30))
@settings(max_examples=200, deadline=None)
def test_no_counter_falls_and_the_sum_is_the_net(steps: list[tuple[State, int]]) -> None:
    """Live values only rise; saved less lost is the net of the sleeps; a dump changes nothing."""
    fold = Energy()
    at = 0
    seen: dict[str, float] = {}
    sleeps: list[int] = []
    open_sleep: int | None = None
    for state, length in steps:
        for part in (length // 3, length):
            used = fold.totals(stretch(state, at, at + part), POLICY)
            now = {**used.by_state, "saved": used.saved, "lost": used.lost}
            assert all(now[name] >= value for name, value in seen.items())
            seen = now
        fold.step(stretch(state, at, at + length), POLICY)
        again = Energy()
        again.load(json.loads(json.dumps(fold.dump())))
        fold = again
        at += length
        if state is State.STANDBY:
            open_sleep = (open_sleep or 0) + length
        elif state.spinning and open_sleep is not None:
            sleeps.append(open_sleep)
            open_sleep = None
    used = fold.totals(stretch(State.IDLE, at, at), POLICY)
    if open_sleep is not None:
        sleeps.append(open_sleep)
    assert used.saved - used.lost == pytest.approx(sum(3.135 * slept - 120 for slept in sleeps))


@given(
    st.lists(
        st.tuples(st.integers(1, 900), st.booleans(), st.integers(0, 3), st.booleans()),
        min_size=1,
        max_size=12,
    )
)
@settings(max_examples=200, deadline=None)
def test_spin_ups_are_charged_once_over_unobserved_time(
    scenes: list[tuple[int, bool, int, bool]],
) -> None:
    """Each scene is a sleep whose end is observed or not, some unobserved starts, and
    perhaps a reading of the drive's counters. Reference: the count of true starts, by hand; and
    what sleeps saved less what they lost is the watts saved in standby less all spin-ups."""
    fold, at, starts, reported, slept = Energy(), 0, 0, 0, 0
    number = 0

    def cycle(observed: bool) -> None:
        nonlocal number
        number += 1
        fold.step(Cycle(number, "sim-1", at * SECOND, 0, observed), POLICY)

    for length, observed, unseen, reading in [*scenes, (60, True, 0, True)]:
        fold.step(stretch(State.STANDBY, at, at + length), POLICY)
        at, slept, starts = at + length, slept + length, starts + 1 + unseen
        if observed:
            cycle(observed=True)
        if not observed or unseen:
            fold.step(stretch(State.UNOBSERVED, at, at + 50), POLICY)
            at += 50
        reported += unseen + (not observed)
        fold.step(stretch(State.IDLE, at, at + 30), POLICY)
        at += 30
        for _ in range(reported if reading else 0):
            cycle(observed=False)
        reported = 0 if reading else reported
    used = fold.totals(stretch(State.IDLE, at, at), POLICY)
    assert used.by_state["spinup"] == pytest.approx(120 * starts)
    net = 3.135 * slept - used.by_state["spinup"]
    assert used.saved - used.lost == pytest.approx(net)


def test_two_figures_of_spin_ups_agree() -> None:
    """46 observed spin-ups and 24 sleeps with unobserved ends are 70 of 120 J, in both figures."""
    fold = Energy()
    for number in range(70):
        began = number * 1000.0
        fold.step(stretch(State.STANDBY, began, began + 600), POLICY)
        if number < 46:
            fold.step(Cycle(number, "sim-1", 0, 0, True), POLICY)
        else:
            fold.step(stretch(State.UNOBSERVED, began + 600, began + 700), POLICY)
        fold.step(stretch(State.IDLE, began + 700, began + 1000), POLICY)
    used = fold.totals(stretch(State.IDLE, 70_000, 70_000), POLICY)
    assert used.by_state["spinup"] == pytest.approx(70 * 120)
    assert used.saved - used.lost == pytest.approx(3.135 * 600 * 70 - 70 * 120)
