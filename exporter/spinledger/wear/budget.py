"""A cycle budget as an error budget: how many spin-ups in a window are too many.

Rules of this room: pure. Counts are tiny, so a window's limit comes from chance, not from
proportion: a disk that keeps its budget and wakes at random (a Poisson process with the budget's
rate) may start to breach a window's limit at most once in a thousand disk-years. At the limit k
the count steps from k - 1 to k, at a rate no greater than budget x P(N >= k - 1); N is Poisson
with the budget's mean in that window.

Times are of the boot clock, so a wall clock that jumps moves no cycle into or out of a window.
After a reboot the boot clock begins anew: `rebase` is called with the shift between the
two boots' clocks, taken from wall time, the only clock both share.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right, insort
from collections.abc import Mapping
from functools import lru_cache
from math import exp, lgamma, log, sqrt
from typing import Any, NamedTuple, cast

from spinledger.errors import Misuse
from spinledger.facts import CycleWindow
from spinledger.model import DAY, HOUR, Cycle, Entry, Policy

WINDOWS: Mapping[str, int] = {
    "1h": HOUR,
    "3h": 3 * HOUR,
    "6h": 6 * HOUR,
    "1d": DAY,
    "7d": 7 * DAY,
    "30d": 30 * DAY,
}
LONGEST = 30 * DAY
KEPT = 2 * LONGEST
"""So that the longest window can be counted as of any moment of the last 30 days."""

HOLD_NS = 6 * HOUR
"""For so long after a spin-up brought a window to its limit the disk counts as over it."""

_LONG_AGO = -(1 << 63)
FALSE_ONSETS_PER_YEAR = 1e-3
EARLY: Mapping[str, int] = {"1d_early": DAY, "2d_early": 2 * DAY}
EARLY_ONSETS_PER_YEAR = 0.05
"""Windows with a second, lower limit: a ticket may come by chance once in twenty years of a disk,
so that a waker just below the page's limit is noticed within two days. Each has an equal share."""

DAYS_PER_YEAR = 365.25


def early_limit(budget_per_day: float, window_ns: int) -> int:
    """The lower limit of a window of `EARLY`."""
    return cycle_limit(budget_per_day, window_ns, EARLY_ONSETS_PER_YEAR / len(EARLY))


@lru_cache(maxsize=1024)
def cycle_limit(
    budget_per_day: float, window_ns: int, onsets_per_year: float = FALSE_ONSETS_PER_YEAR
) -> int:
    """Smallest k >= 1 with budget x 365.25 x P(N >= k - 1) <= `onsets_per_year`, N Poisson of the
    budget's mean in the window. Reaching k is a breach. A budget of 0 gives 1.
    """
    if budget_per_day < 0 or window_ns < 0:
        raise Misuse("a budget and a window are not negative")
    mean = budget_per_day * window_ns / DAY
    if mean <= 0:
        return 1
    allowed = onsets_per_year / (budget_per_day * DAYS_PER_YEAR)
    if allowed >= 1:
        return 1
    return _upper_tail_at_most(allowed, mean) + 1


def _upper_tail_at_most(allowed: float, mean: float) -> int:
    """Smallest j with P(N >= j) <= allowed, N Poisson.

    The tail is summed from far above the mean downwards, smallest terms first, each term from its
    logarithm. It starts where terms are below 1e-30 of `allowed` for any budget a day may hold.
    """
    j = int(mean + 20 * sqrt(mean)) + 100
    tail = 0.0
    while j >= 0:
        tail += exp(j * log(mean) - mean - lgamma(j + 1))
        if tail > allowed:
            return j + 1
        j -= 1
    return 0


class _Reached(NamedTuple):
    seen_ns: int  # the newest spin-up that was considered
    last_ns: int | None
    began_ns: int | None


class RecentCycles:
    """Fold: observed spin-ups of the last days, one by one, and how they compare with the budget.

    Unobserved spin-ups arrive in a lump and are left out. The times are no part of an account's
    dump: at a start they are filled again from the ledger's cycles.
    """

    eats: tuple[type, ...] = (Cycle,)

    def __init__(self) -> None:
        self._at: list[int] = []  # nanoseconds of the boot clock, ascending
        self._reached: dict[tuple[int, int], _Reached] = {}

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one cycle."""
        cycle = cast(Cycle, entry)
        if cycle.observed:
            if self._at and cycle.at_ns < self._at[-1]:
                self._reached.clear()
            insort(self._at, cycle.at_ns)
            del self._at[: bisect_right(self._at, cycle.at_ns - KEPT)]

    def totals(self, now_ns: int, offset_ns: int, policy: Policy) -> Mapping[str, CycleWindow]:
        """Windows that end now, by name. `offset_ns` is wall minus boot time."""
        return {
            name: self._window(
                now_ns, offset_ns, length, cycle_limit(policy.budget_per_day, length)
            )
            for name, length in WINDOWS.items()
        }

    def early(self, now_ns: int, offset_ns: int, policy: Policy) -> Mapping[str, CycleWindow]:
        """Likewise those with a lower limit (`EARLY`)."""
        return {
            name: self._window(
                now_ns, offset_ns, length, early_limit(policy.budget_per_day, length)
            )
            for name, length in EARLY.items()
        }

    def _window(self, now_ns: int, offset_ns: int, length: int, limit: int) -> CycleWindow:
        count = len(self._at) - bisect_right(self._at, now_ns - length)
        last, began = self._last_reached(length, limit)
        if last is None or began is None or now_ns - last > LONGEST:
            return CycleWindow(count, limit, None)
        return CycleWindow(count, limit, last + offset_ns, began + offset_ns)

    def _last_reached(self, length: int, limit: int) -> tuple[int | None, int | None]:
        """When a spin-up last brought a window to its limit, and since when that has not paused
        for `HOLD_NS`; only new spin-ups are considered.
        """
        seen, last, began = self._reached.get((length, limit), _Reached(_LONG_AGO, None, None))
        for place in range(max(limit - 1, bisect_left(self._at, seen)), len(self._at)):
            at = self._at[place]
            if self._at[place - limit + 1] > at - length:
                if last is None or at - last >= HOLD_NS:
                    began = at
                last = at
        if self._at:
            self._reached[(length, limit)] = _Reached(self._at[-1], last, began)
        return last, began

    def rebase(self, offset_ns: int) -> None:
        """Move the kept times to another boot's clock: new time = old time + offset."""
        self.load([at + offset_ns for at in self._at])

    def dump(self) -> object:
        """The kept times, for tests; the ledger has them."""
        return list(self._at)

    def load(self, dumped: Any) -> None:
        """Replace the kept times."""
        self._at = sorted(dumped)
        self._reached.clear()
