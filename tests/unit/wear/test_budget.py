"""The limits of recent cycles against worked values and scipy's Poisson distribution."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import poisson

from spinledger.model import DAY, HOUR, Cycle, Policy, State, Stretch
from spinledger.wear.budget import WINDOWS, RecentCycles, cycle_limit


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


def test_no_budget_means_no_cycle() -> None:
    """With a budget of 0 a single cycle is a breach."""
    assert cycle_limit(0, DAY) == 1


def cycle(at_ns: int, observed: bool = True) -> Cycle:
    """A spin-up at a time of the boot clock."""
    return Cycle(1, "sim-1", at_ns, at_ns, observed)


def now(at_ns: int) -> list[Stretch]:
    """The open stretch, up to a time."""
    return [Stretch("sim-1", State.IDLE, False, 0, at_ns)]


@given(st.lists(st.integers(0, 40 * DAY), max_size=120), st.integers(0, 5 * DAY))
@settings(max_examples=100, deadline=None)
def test_counts_equal_counting_by_hand(times: list[int], later: int) -> None:
    """Each window holds the cycles of (now - window, now], counted one by one."""
    fold = RecentCycles(Policy(budget_per_day=10))
    for at in sorted(times):
        fold.step(cycle(at))
    end = max(times, default=0) + later
    counts = fold.totals(now(end))["recent_cycles"]
    for window, length in WINDOWS.items():
        assert counts[(window,)] == sum(end - length < at <= end for at in times)


def test_used_ratio_and_unobserved() -> None:
    """Six cycles in an hour use up a budget of 2 a day; unobserved ones are left out."""
    fold = RecentCycles(Policy(budget_per_day=2))
    for minute in range(6):
        fold.step(cycle(minute * HOUR // 60))
        fold.step(cycle(minute * HOUR // 60, observed=False))
    totals = fold.totals(now(HOUR // 2))
    assert totals["cycle_limit"][("1h",)] == 6
    assert totals["cycle_limit_used_ratio"][("1h",)] == 1


def test_rebased_after_a_reboot() -> None:
    """Kept times move to the new boot's clock: a cycle 2 h before now is in 3h and not in 1h."""
    before = RecentCycles(Policy())
    before.step(cycle(50 * DAY))
    after = RecentCycles(Policy())
    after.load(json.loads(json.dumps(before.dump())))
    after.rebase(-50 * DAY - 2 * HOUR + 60 * HOUR // 60)
    counts = after.totals(now(HOUR))["recent_cycles"]
    assert (counts[("1h",)], counts[("3h",)]) == (0, 1)


def test_a_runaway_is_bounded() -> None:
    """However many cycles come, no more than the cap are kept, and it is above every limit."""
    fold = RecentCycles(Policy(budget_per_day=2))
    for number in range(3 * fold.cap):
        fold.step(cycle(number))
    totals = fold.totals(now(3 * fold.cap))
    assert totals["recent_cycles"][("30d",)] == fold.cap
    assert fold.cap >= 2 * max(totals["cycle_limit"].values())
