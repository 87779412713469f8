"""Replay: quiet and other time apart, waits by hour, worth, and the choice."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spinledger.codec.timers import encode_timer
from spinledger.model import DAY, HOUR, MINUTE, SECOND, Watts
from spinledger.quiet.hours import Calendar, quiet_ns
from spinledger.schedule import Schedule, Window
from spinledger.whatif.replay import (
    DEFAULT_TIMERS_NS,
    Outcome,
    Replay,
    Terms,
    Worth,
    choose,
    choose_of,
    worth,
)
from tests.unit.whatif.simulators import bounded_by_the_second

PRAGUE = ZoneInfo("Europe/Prague")
NIGHTS = Calendar(
    Schedule("nights", "Europe/Prague", tuple(Window(d, 1320, 1, 360) for d in range(7))), PRAGUE
)
SPRING = 1_743_200_000 * SECOND  # 2025-03-28 22:13:20 UTC, two nights before clocks go forward


@given(
    st.lists(st.integers(0, 900), min_size=2, max_size=30),
    st.lists(st.integers(1, 600), min_size=1, max_size=4, unique=True).map(sorted),
    st.integers(0, 20),
)
@settings(max_examples=150, deadline=None)
def test_quiet_and_rest_by_hand(steps: list[int], minutes: list[int], spinup: int) -> None:
    """Each sleep, found one gap at a time, falls into quiet hours as the calendar says."""
    times = [SPRING + sum(steps[:n]) * MINUTE for n in range(len(steps))]
    timers = [minute * MINUTE for minute in minutes]
    replay = Replay(timers, spinup * MINUTE, NIGHTS, PRAGUE)
    replay.arrivals(times)
    for outcome in replay.outcomes():
        idle_since = times[0]
        cycles = asleep = quiet_cycles = 0
        for time in times[1:]:
            if time - idle_since > outcome.standby_ns:
                asleep += quiet_ns(NIGHTS, idle_since + outcome.standby_ns, time)
                cycles += 1
                quiet_cycles += quiet_ns(NIGHTS, time, time + 1)
                idle_since = time + spinup * MINUTE
            else:
                idle_since = max(idle_since, time)
        assert outcome.quiet is not None
        assert outcome.rest is not None
        assert (outcome.quiet.cycles, outcome.quiet.asleep_ns) == (quiet_cycles, asleep)
        assert outcome.rest.cycles + quiet_cycles == cycles == outcome.cycles
        assert outcome.rest.asleep_ns + asleep == outcome.asleep_ns


def test_waits_fall_in_local_hours() -> None:
    """2025-03-29 and -30 07:30 UTC are 08:30 and, after the change, 09:30 in Prague."""
    morning = 1_743_233_400 * SECOND  # 2025-03-29 07:30 UTC
    for zone, hours in ((PRAGUE, {8: 1, 9: 1}), (UTC, {7: 2})):
        replay = Replay([HOUR], tz=zone)
        replay.arrivals([morning - 5 * HOUR, morning, morning + DAY])
        waits = replay.outcomes()[0].waits_by_hour
        assert {hour: count for hour, count in enumerate(waits) if count} == hours


def test_nobody_waits_at_the_end_of_a_censored_gap() -> None:
    """A gap whose end was not seen has a spin-down and no wait."""
    replay = Replay([HOUR])
    replay.gap(0, 2 * HOUR)
    replay.gap(3 * HOUR, 6 * HOUR, censored=True)
    (outcome,) = replay.outcomes()
    assert (outcome.cycles, outcome.waits, outcome.asleep_ns) == (2, 1, 3 * HOUR)
    assert outcome.observed_ns == 6 * HOUR


def outcome(standby_ns: int, cycles: int, asleep_ns: int, days: int = 10) -> Outcome:
    """An outcome over some days."""
    hours = (cycles,) + (0,) * 23
    return Outcome(standby_ns, days * DAY, cycles, cycles, asleep_ns, hours, None, None)


def test_worth_by_hand() -> None:
    """20 cycles and 100 h asleep in 10 days at 5 W and 120 J: worked by hand."""
    terms = Terms(watts=Watts(5.7, 0.7), spinup_j=120, per_kwh=0.30, rated_start_stop=50_000)
    found = worth(outcome(HOUR, 20, 100 * HOUR), terms)
    assert found.cycles_per_day == 2
    assert found.asleep_ratio == pytest.approx(100 / 240)
    assert found.saved_kwh_per_year == pytest.approx(0.5 * 36.525)  # 5 W x 100 h, 36.525 a year
    assert found.spinup_kwh_per_year == pytest.approx(2400 / 3.6e6 * 36.525)
    assert found.money_per_year == pytest.approx((0.5 - 2400 / 3.6e6) * 36.525 * 0.30)
    assert found.start_stop_used_per_year == pytest.approx(730.5 / 50_000)
    assert found.load_used_per_year is None


def test_no_observed_time_has_no_rates() -> None:
    """Nothing to nothing is absent."""
    found = worth(outcome(HOUR, 0, 0, days=0), Terms())
    assert found.cycles_per_day is None
    assert choose([found], Terms()).standby_ns == 0


def judged(*outcomes: Outcome) -> list[Worth]:
    """Worths under default terms."""
    return [worth(one, Terms()) for one in outcomes]


def test_the_choice_saves_most_within_the_terms() -> None:
    """The eager timer saves more but breaks the budget, and the reason says so."""
    worths = judged(outcome(5 * MINUTE, 90, 150 * HOUR), outcome(HOUR, 15, 100 * HOUR))
    terms = Terms(budget_per_day=2)
    choice = choose(worths, terms)
    assert choice.standby_ns == HOUR
    assert "5 min would save" in choice.reason
    assert "9.0 spin-ups a day where the budget is 2" in choice.reason
    assert choose(worths, Terms(waits_per_day=9)).standby_ns == 5 * MINUTE


LONGEST = DEFAULT_TIMERS_NS[-1]


def test_the_choice_is_not_to_sleep() -> None:
    """Not to sleep where it loses, where it is over a limit, and where no gap is long enough."""
    loses = choose(judged(outcome(LONGEST, 30, MINUTE)), Terms())
    too_much = choose(judged(outcome(LONGEST, 300, 200 * HOUR)), Terms())
    never = choose(judged(outcome(MINUTE, 0, 0)), Terms())
    assert [choice.standby_ns for choice in (loses, too_much, never)] == [0, 0, 0]
    assert loses.reason.startswith("Do not let this disk sleep: no timer saves energy")
    assert "every timer that saves energy is over a limit" in too_much.reason
    assert "no gap exceeds 1 min" in never.reason
    longer = choose(judged(outcome(MINUTE, 30, MINUTE), outcome(LONGEST, 0, 0)), Terms())
    assert "1 min, the mildest, costs" in longer.reason  # a timer that never acts costs nothing


def test_longer_timers_come_before_no_sleep() -> None:
    """Where only short timers were tried, the advice is to try longer ones."""
    for one in (outcome(MINUTE, 30, MINUTE), outcome(MINUTE, 300, 200 * HOUR)):
        choice = choose(judged(one), Terms())
        assert choice.reason.startswith("try longer timers: ")
        assert "Do not" not in choice.reason


def test_no_timer_from_less_than_a_day() -> None:
    """23 h of sleep recommend nothing, 24 h do; the figures are the same a day."""
    asleep = Outcome(HOUR, DAY - HOUR, 1, 1, 20 * HOUR, (0,) * 24, None, None)
    assert choose(judged(asleep), Terms()).reason.startswith("no timer yet: 23 h were observed")
    assert choose(judged(replace(asleep, observed_ns=DAY)), Terms()).standby_ns == HOUR


def test_a_small_saving_is_not_worth_it() -> None:
    """An hour asleep in ten days saves 5 W x 36.5 h = 0.18 kWh a year less one spin-up: by hand."""
    choice = choose(judged(outcome(LONGEST, 1, HOUR)), Terms())
    assert choice.standby_ns == 0
    assert choice.reason.startswith(
        "not worth it: 5 h 30 min, the best within the limits, saves 0.18"
    )


def test_several_runs_recommend_what_holds_in_all() -> None:
    """With ranges; the longer timer where they differ; none where one run has none."""
    calm = judged(outcome(5 * MINUTE, 10, 150 * HOUR), outcome(HOUR, 8, 100 * HOUR))
    busy = judged(outcome(5 * MINUTE, 400, 150 * HOUR), outcome(HOUR, 12, 90 * HOUR))
    same = choose_of([calm, calm], Terms())
    assert same.standby_ns == 5 * MINUTE
    differ = choose_of([calm, busy], Terms())
    assert differ.standby_ns == HOUR
    assert "asleep 38 to 42 % of the time with 0.8 to 1.2 spin-ups" in differ.reason
    assert "alone, the runs recommend 5 min to 1 h" in differ.reason
    none = choose_of([calm, judged(outcome(LONGEST, 0, 0))], Terms())
    assert none.worth is None


@given(
    st.lists(st.integers(0, 60), max_size=12),
    st.lists(st.integers(1, 50), min_size=1, max_size=4, unique=True).map(sorted),
    st.integers(0, 80),
    st.integers(0, 80),
)
@settings(max_examples=150, deadline=None)
def test_ends_count_as_a_walk_through_every_second_counts_them(
    steps: list[int], timers: list[int], before: int, after: int
) -> None:
    """Spin-ups, waits and sleep of a bounded observation equal those of a second-by-second walk."""
    times = [before + sum(steps[: n + 1]) for n in range(len(steps))]
    ended = (times[-1] if times else before) + after
    replay = Replay([timer * SECOND for timer in timers])
    replay.arrivals([0, *(time * SECOND for time in times)])
    replay.end(ended * SECOND)
    for timer, found in zip(timers, replay.outcomes(), strict=True):
        wakes, slept = bounded_by_the_second(times, timer, ended)
        assert (found.cycles, found.waits, found.asleep_ns) == (wakes, wakes, slept * SECOND)
        assert found.observed_ns == ended * SECOND


def test_default_timers_can_be_set() -> None:
    """Each default is a period of the ATA standby timer (ACS-3), from 1 min to 5.5 h."""
    counts = [encode_timer(timer // SECOND) for timer in DEFAULT_TIMERS_NS]
    assert (counts[0], counts[-1]) == (0x0C, 0xFB)
    assert all(0 < count <= 0xFF for count in counts)
