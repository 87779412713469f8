"""The limits of recent cycles against worked values and scipy's Poisson distribution."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import poisson

from spinledger.model import DAY, HOUR, Cycle, Policy
from spinledger.wear.budget import EARLY, WINDOWS, RecentCycles, cycle_limit, early_limit


@pytest.mark.parametrize(
    ("budget", "limits"),
    [(2, [6, 7, 8, 13, 37, 102]), (10, [9, 12, 16, 31, 118, 393])],
)
def test_worked_limits(budget: float, limits: list[int]) -> None:
    """Limits for 1h, 3h, 6h, 1d, 7d, 30d (derived: a false onset in 1000 disk-years)."""
    assert [cycle_limit(budget, window) for window in WINDOWS.values()] == limits


@given(st.floats(1e-4, 20_000), st.sampled_from(list(WINDOWS.values())))
@settings(max_examples=300, deadline=None)
def test_limit_is_the_smallest_by_scipy(budget: float, window: int) -> None:
    """The limit meets the bound by scipy.stats.poisson.sf, and one less does not."""
    limit = cycle_limit(budget, window)
    mean = budget * window / DAY

    def onsets(k: int) -> float:  # P(N >= k - 1) = sf(k - 2)
        return float(budget * 365.25 * poisson.sf(k - 2, mean))

    assert onsets(limit) <= 1e-3 * (1 + 1e-6)
    assert limit == 1 or onsets(limit - 1) > 1e-3 * (1 - 1e-6)


@given(st.floats(1e-2, 5_000))
@settings(max_examples=200, deadline=None)
def test_early_limits_together_are_reached_by_chance_once_in_twenty_years(budget: float) -> None:
    """By scipy.stats.poisson.sf the onsets of all lower limits add up to 0.05 a year at most, and
    with any of them one less, that window's onsets exceed its share."""

    def onsets(k: int, window: int) -> float:  # P(N >= k - 1) = sf(k - 2)
        return float(budget * 365.25 * poisson.sf(k - 2, budget * window / DAY))

    limits = {length: early_limit(budget, length) for length in EARLY.values()}
    assert sum(onsets(limit, length) for length, limit in limits.items()) <= 0.05 * (1 + 1e-6)
    for length, limit in limits.items():
        assert limit == 1 or onsets(limit - 1, length) > 0.05 / len(EARLY) * (1 - 1e-6)


def test_no_budget_means_no_cycle() -> None:
    """With a budget of 0 a single cycle is a breach."""
    assert cycle_limit(0, DAY) == 1


def cycle(at_ns: int, observed: bool = True) -> Cycle:
    """A spin-up at a time of the boot clock."""
    return Cycle(1, "sim-1", at_ns, at_ns, observed)


def counts(fold: RecentCycles, now_ns: int, policy: Policy) -> dict[str, int]:
    """Spin-ups by window at a time."""
    return {name: one.count for name, one in fold.totals(now_ns, 0, policy).items()}


TEN, TWO = Policy(budget_per_day=10), Policy(budget_per_day=2)


@given(st.lists(st.integers(0, 40 * DAY), max_size=120), st.integers(0, 5 * DAY))
@settings(max_examples=100, deadline=None)
def test_counts_equal_counting_by_hand(times: list[int], later: int) -> None:
    """Each window holds the cycles of (now - window, now], counted one by one."""
    fold = RecentCycles()
    for at in sorted(times):
        fold.step(cycle(at), TEN)
    end = max(times, default=0) + later
    found = counts(fold, end, TEN)
    for window, length in WINDOWS.items():
        assert found[window] == sum(end - length < at <= end for at in times)


@given(st.lists(st.integers(0, 4 * DAY), max_size=80), st.integers(0, 2 * DAY))
@settings(max_examples=100, deadline=None)
def test_the_last_time_at_the_limit_equals_a_search_by_hand(times: list[int], later: int) -> None:
    """The last spin-up with which (t - window, t] held as many as the limit, tried one by one.

    The policy changes on the way: what was reached under another budget does not count.
    """
    fold = RecentCycles()
    for at in sorted(times):
        fold.step(cycle(at), TEN)
        fold.totals(at, 0, TEN)
    end = max(times, default=0) + later
    for policy in (TWO, TEN):
        windows = fold.totals(end, 7, policy)
        for name, length in WINDOWS.items():
            limit = cycle_limit(policy.budget_per_day, length)
            reached = [t for t in times if sum(t - length < at <= t for at in times) >= limit]
            # Equal times: the later of two brings the window to its limit.
            assert windows[name].limit == limit
            assert windows[name].reached_wall_ns == (max(reached) + 7 if reached else None)


def test_used_ratio_and_unobserved() -> None:
    """Six cycles in an hour use up a budget of 2 a day; unobserved ones are left out."""
    fold = RecentCycles()
    for minute in range(6):
        fold.step(cycle(minute * HOUR // 60), TWO)
        fold.step(cycle(minute * HOUR // 60, observed=False), TWO)
    hour = fold.totals(HOUR // 2, 0, TWO)["1h"]
    assert (hour.count, hour.limit, hour.used_ratio) == (6, 6, 1)


def test_rebased_after_a_reboot() -> None:
    """Kept times move to the new boot's clock: a cycle 2 h before now is in 3h and not in 1h."""
    before = RecentCycles()
    before.step(cycle(50 * DAY), TEN)
    after = RecentCycles()
    after.load(json.loads(json.dumps(before.dump())))
    after.rebase(-50 * DAY - 2 * HOUR + 60 * HOUR // 60)
    found = counts(after, HOUR, TEN)
    assert (found["1h"], found["3h"]) == (0, 1)


def test_any_rate_is_counted_exactly() -> None:
    """A spin-up every half hour for a month is 1,440, whatever the budget."""
    fold = RecentCycles()
    for number in range(1, 31 * 48 + 1):
        fold.step(cycle(number * HOUR // 2), TWO)
    assert counts(fold, 31 * DAY, TWO)["30d"] == 1440
    assert counts(fold, 31 * DAY, Policy(budget_per_day=100))["30d"] == 1440
