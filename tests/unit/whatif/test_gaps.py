"""What-if timers against independent simulations, worked cases and closed forms."""

from __future__ import annotations

import json
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spinledger.facts import Tried
from spinledger.model import DAY, HOUR, SECOND, Gap, Policy
from spinledger.whatif.gaps import Candidates, Tally, WhatIf
from spinledger.whatif.replay import Replay
from tests.unit.whatif.simulators import by_events, by_the_second


def gaps_of(times: Sequence[int]) -> list[Gap]:
    """Gaps between times in nanoseconds."""
    return [Gap("sim-1", began, ended, began, False) for began, ended in pairwise(times)]


def replayed(times: Sequence[int], timers: Sequence[int], spinup: int = 0) -> list[tuple[int, int]]:
    """(cycles, nanoseconds asleep) of each timer."""
    replay = Replay(timers, spinup)
    replay.arrivals(times)
    return [(outcome.cycles, outcome.asleep_ns) for outcome in replay.outcomes()]


TIMES = st.lists(st.integers(0, 60), min_size=1, max_size=40).map(
    lambda steps: [sum(steps[: n + 1]) for n in range(len(steps))]
)
TIMERS = st.lists(st.integers(1, 50), min_size=1, max_size=6, unique=True).map(sorted)


@given(TIMES, TIMERS, st.integers(0, 30))
@settings(max_examples=200, deadline=None)
def test_equals_walking_through_every_second(
    times: list[int], timers: list[int], spinup: int
) -> None:
    """Cycles and sleep equal a second-by-second simulation, with and without a spin-up time."""
    found = replayed(
        [time * SECOND for time in times], [timer * SECOND for timer in timers], spinup * SECOND
    )
    by_second = [by_the_second(times, timer, spinup) for timer in timers]
    assert found == [(cycles, asleep * SECOND) for cycles, asleep in by_second]


@given(TIMES, TIMERS, st.integers(0, 30))
@settings(max_examples=100, deadline=None)
def test_equals_an_event_simulation(times: list[int], timers: list[int], spinup: int) -> None:
    """Cycles and sleep equal a simpy process to the nanosecond."""
    assert replayed(times, timers, spinup) == [by_events(times, t, spinup) for t in timers]


@given(TIMES, TIMERS, st.integers(0, 30))
@settings(max_examples=100, deadline=None)
def test_live_counters_end_where_replay_ends_and_never_fall(
    times: list[int], timers: list[int], spinup: int
) -> None:
    """The fold, read with the open gap at every step, only rises and ends at the replay's sums."""
    policy = Policy(candidates_ns=tuple(timers), whatif_spinup_ns=spinup)
    fold = WhatIf()
    seen: dict[int, Tried] = {}
    for gap in gaps_of(times):
        for end in range(gap.began_ns, gap.ended_ns + 1, 7):
            now = fold.totals(Gap("sim-1", gap.began_ns, end, 0, True), policy)
            for timer, tried in seen.items():
                assert now[timer].spin_ups >= tried.spin_ups
                assert now[timer].asleep_ns >= tried.asleep_ns
            seen = dict(now)
        fold.step(gap, policy)
        fold_again = WhatIf()
        fold_again.load(json.loads(json.dumps(fold.dump())))
        fold = fold_again
    ended = fold.totals(nothing(times[-1]), policy)
    assert [tuple(ended[timer]) for timer in timers] == replayed(times, timers, spinup)


@pytest.mark.parametrize(
    ("per_hour", "timer", "spinup", "per_day", "asleep"),
    [
        (1, 600, 0, 20.3156, 0.84648),
        (2, 1200, 0, 24.6440, 0.51342),
        (6, 600, 0, 52.9746, 0.36788),
        (12, 300, 0, 105.9493, 0.36788),
        (6, 600, 10, 52.6518, 0.365638),
        (6, 600, 20, 52.3329, 0.363423),
    ],
)
def test_poisson_arrivals(
    per_hour: float, timer: int, spinup: int, per_day: float, asleep: float
) -> None:
    """Random arrivals give the closed forms of exponential gaps, within 4 standard errors.

    Source: p = exp(-rate x timer), period = 1/rate + p x spin-up, spin-downs = p / period, asleep
    = (p / rate) / period (derived; the tabled values are checked here against those forms too).
    """
    count = 400_000
    p = np.exp(-per_hour * timer / 3600)
    period = 1 / per_hour + p * spinup / 3600
    assert p / period * 24 == pytest.approx(per_day, abs=6e-5)
    assert p / per_hour / period == pytest.approx(asleep, abs=6e-6)
    lengths = np.random.default_rng(9).exponential(HOUR / per_hour, count)
    times = [0, *np.cumsum(np.round(lengths).astype(np.int64)).tolist()]
    ((cycles, slept),) = replayed(times, [timer * SECOND], spinup * SECOND)
    sleep_error = np.sqrt((2 - p) / (p * count))  # of a sum of count x p exponential sleeps
    assert cycles / (times[-1] / DAY) == pytest.approx(per_day, rel=4 * sleep_error)
    assert slept / times[-1] == pytest.approx(asleep, rel=4 * sleep_error)


def test_a_gap_as_long_as_the_timer_is_no_cycle() -> None:
    """A spin-down needs a gap strictly longer than the timer (the trace contract)."""
    assert replayed([0, 10, 21], [10]) == [(1, 1)]


def test_io_during_a_spin_up_is_served_at_its_end() -> None:
    """Worked case: asleep 10-20, spinning up until 25, I/O at 22 waits, asleep again from 35."""
    assert replayed([0, 20, 22, 40], [10], 5) == [(2, 15)]


def test_candidates_that_slept_and_others_differ_in_idle_time() -> None:
    """Worked case: after the wake at 20 the 10 timer idles from 25, the 25 timer from 20."""
    candidates = Candidates([10, 25], 5)
    assert candidates.slept(0, 20) == [(0, 1, 0)]
    assert candidates.slept(20, 50) == [(0, 1, 25), (1, 2, 20)]


def test_a_reboot_ends_a_spin_up() -> None:
    """A gap that begins before the last one ended is on another boot's clock: it counts whole."""
    candidates = Candidates([10], 100)
    candidates.slept(1000, 1020)
    assert candidates.slept(0, 30) == [(0, 1, 0)]


def test_a_spin_up_moves_with_the_clock() -> None:
    """After a rebase by -1000 the spin-up that was to end at 1120 ends at 120."""
    candidates = Candidates([10], 100)
    candidates.slept(1000, 1020)
    candidates.rebase(-1000)
    assert candidates.slept(20, 150) == [(0, 1, 120)]


def test_a_range_of_candidates_counts_alone() -> None:
    """A gap of candidates 1 to 2 of 4 leaves the others at zero."""
    tally = Tally([10, 20, 30, 40])
    tally.add(1, 3, 35)
    assert tally.totals() == [(0, 0), (1, 15), (1, 5), (0, 0)]


def test_censored_gaps_count_by_what_was_observed() -> None:
    """A gap whose end was unobserved keeps the sleep that the open gap had shown; its spin-up
    counts once the gap has ended."""
    policy = Policy(candidates_ns=(10 * SECOND,))
    fold = WhatIf()
    open_gap = Gap("sim-1", 0, 25 * SECOND, 0, True)
    before = fold.totals(open_gap, policy)
    fold.step(open_gap, policy)
    assert before == {10 * SECOND: Tried(0, 15 * SECOND)}
    assert fold.totals(nothing(25 * SECOND), policy) == {10 * SECOND: Tried(1, 15 * SECOND)}


def test_a_kept_candidate_keeps_its_totals() -> None:
    """After a change of candidates a timer that stays goes on, a new one begins at zero."""
    fold = WhatIf()
    fold.step(Gap("sim-1", 0, 25 * SECOND, 0, False), candidates(10, 20))
    changed = candidates(20, 30)
    assert fold.totals(nothing(25 * SECOND), changed) == {
        20 * SECOND: Tried(1, 5 * SECOND),
        30 * SECOND: Tried(0, 0),
    }
    fold.step(Gap("sim-1", 25 * SECOND, 60 * SECOND, 0, False), changed)
    assert fold.totals(nothing(60 * SECOND), changed) == {
        20 * SECOND: Tried(2, 20 * SECOND),
        30 * SECOND: Tried(1, 5 * SECOND),
    }


def candidates(*timers_s: int) -> Policy:
    """A policy with these timers."""
    return Policy(candidates_ns=tuple(timer * SECOND for timer in timers_s))


def nothing(at_ns: int) -> Gap:
    """An open gap that has just begun."""
    return Gap("sim-1", at_ns, at_ns, at_ns, True)
