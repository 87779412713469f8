"""A cycle budget as an error budget: how many spin-ups in a window are too many.

Rules of this room: pure. Counts are tiny, so a window's limit comes from chance, not from
proportion: a disk that keeps its budget and wakes at random (a Poisson process with the budget's
rate) may start to breach a window's limit at most once in a thousand disk-years. At the limit k
the count steps from k - 1 to k, at a rate no greater than budget x P(N >= k - 1); N is Poisson
with the budget's mean in that window.

Times are of the boot clock, so a wall clock that jumps moves no cycle into or out of a window.
After a reboot the boot clock begins anew: the keeper calls `rebase` with the shift between the
two boots' clocks, taken from wall time, the only clock both share.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections.abc import Mapping, Sequence
from functools import lru_cache
from math import exp, lgamma, log, sqrt

from spinledger.errors import Misuse
from spinledger.model import DAY, HOUR, Cycle, Entry, Gap, Labels, Number, Policy, Stretch

WINDOWS: Mapping[str, int] = {
    "1h": HOUR,
    "3h": 3 * HOUR,
    "6h": 6 * HOUR,
    "1d": DAY,
    "7d": 7 * DAY,
    "30d": 30 * DAY,
}
LONGEST = 30 * DAY
FALSE_ONSETS_PER_YEAR = 1e-3
DAYS_PER_YEAR = 365.25


@lru_cache(maxsize=1024)
def cycle_limit(budget_per_day: float, window_ns: int) -> int:
    """Smallest k >= 1 with budget x 365.25 x P(N >= k - 1) <= 1e-3, N Poisson of the budget's
    mean in the window. Reaching k is a breach. A budget of 0 gives 1.
    """
    if budget_per_day < 0 or window_ns < 0:
        raise Misuse("a budget and a window are not negative")
    mean = budget_per_day * window_ns / DAY
    if mean <= 0:
        return 1
    allowed = FALSE_ONSETS_PER_YEAR / (budget_per_day * DAYS_PER_YEAR)
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


class RecentCycles:
    """Fold: keys `recent_cycles`, `cycle_limit` and `cycle_limit_used_ratio` by `window`.

    Counts observed cycles in the window that ends now, exactly; now is the end of the open
    stretch or gap. Unobserved cycles arrive in a lump and are left out. At most `cap` cycles are
    kept, twice the longest window's limit: beyond it the count stands at the cap.
    """

    name = "recent_cycles"
    eats: tuple[type, ...] = (Cycle,)
    gauges: frozenset[str] = frozenset({"recent_cycles", "cycle_limit", "cycle_limit_used_ratio"})

    def __init__(self, policy: Policy) -> None:
        self._limits = {
            window: cycle_limit(policy.budget_per_day, length) for window, length in WINDOWS.items()
        }
        self.cap = max(256, 2 * self._limits["30d"])
        self._packed = ""
        self._at: list[int] = []  # nanoseconds of the boot clock, ascending

    def step(self, entry: Entry) -> None:
        """Take one cycle."""
        if isinstance(entry, Cycle) and entry.observed:
            self._packed = ""
            insort(self._at, entry.at_ns)
            stale = bisect_right(self._at, entry.at_ns - LONGEST)
            del self._at[: max(stale, len(self._at) - self.cap)]

    def totals(self, pending: Sequence[Entry]) -> Mapping[str, Mapping[Labels, Number]]:
        """Counts, limits and their ratios."""
        now = self._at[-1] if self._at else 0
        for entry in pending:
            if isinstance(entry, Stretch | Gap):
                now = max(now, entry.ended_ns)
        recent: dict[Labels, Number] = {}
        limits: dict[Labels, Number] = {}
        ratios: dict[Labels, Number] = {}
        for window, length in WINDOWS.items():
            count = len(self._at) - bisect_right(self._at, now - length)
            recent[(window,)] = count
            limits[(window,)] = self._limits[window]
            ratios[(window,)] = count / self._limits[window]
        return {"recent_cycles": recent, "cycle_limit": limits, "cycle_limit_used_ratio": ratios}

    def rebase(self, offset_ns: int) -> None:
        """Move the kept times to another boot's clock: new time = old time + offset."""
        self._at = [at + offset_ns for at in self._at]
        self._packed = ""

    def dump(self) -> object:
        """The kept times, ascending, as one text: made once a cycle, dumped far more often."""
        if not self._packed:
            self._packed = " ".join(map(str, self._at))
        return self._packed

    def load(self, dumped: object) -> None:
        """Replace the kept times; those beyond the cap are dropped, oldest first."""
        if not isinstance(dumped, str):
            raise Misuse("a dump of recent cycles is a text")
        self._at = sorted(int(at) for at in dumped.split())[-self.cap :]
        self._packed = ""
