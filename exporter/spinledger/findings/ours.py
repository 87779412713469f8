"""Whether a drive wakes because of our probes, or only at the same time: the test.

Rules: a wake is near a probe where it falls within `window_ns` after one. Probes of a drive on
trial (ledger.trial) come at random distances, `sample.asleep` in the mean, so wakes that have
nothing to do with them, at whatever pace, are spread evenly between two probes, and each is near
with the chance `share`. As many near wakes as were seen, or more, then have the probability of the
upper tail of the binomial distribution (the one-sided exact binomial test of any handbook of
statistics). At `LEVEL` or below the probes are the cause.

15 s is common practice, no source: drives state 4 to 20 s from standby to ready, and report that
they spin from the beginning of that time on.
"""

from __future__ import annotations

from functools import lru_cache
from math import comb

from spinledger.model import SECOND, Cadence

WINDOW_NS = 15 * SECOND
PART_OF_DISTANCE = 40  # 15 s of 10 min: two near wakes in two are beyond chance then
LEVEL = 0.001


def window_ns(cadence: Cadence) -> int:
    """How long after a probe a wake is near it, in nanoseconds: shorter where probes are dense."""
    return max(min(WINDOW_NS, cadence.asleep_ns // PART_OF_DISTANCE), cadence.fast_ns)


def share(cadence: Cadence) -> float:
    """The part of the time that is near a probe."""
    return min(1.0, window_ns(cadence) / cadence.asleep_ns)


@lru_cache(maxsize=256)
def chance(near: int, wakes: int, share: float) -> float:
    """The probability of `near` or more near wakes among `wakes` that are spread evenly."""
    return sum(
        comb(wakes, count) * share**count * (1 - share) ** (wakes - count)
        for count in range(near, wakes + 1)
    )


def convicted(near: int, wakes: int, share: float) -> bool:
    """The wakes cluster at our probes, at `LEVEL`."""
    return near > 0 and chance(near, wakes, share) <= LEVEL
