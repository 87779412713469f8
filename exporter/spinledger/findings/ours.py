"""Whether a drive wakes because of our probes, or only at the same time: the test.

Rules: a wake is near a probe where it falls within `WINDOW_NS` after one. Probes of a drive on
trial (ledger.trial) come at random distances, `TRIAL_NS` in the mean, so wakes that have nothing to
do with them, at whatever pace, are spread evenly between two probes, and each is near with the
chance WINDOW_NS / TRIAL_NS. As many near wakes as were seen, or more, then have the probability of
the upper tail of the binomial distribution (the one-sided exact binomial test of any handbook of
statistics). At `LEVEL` or below the probes are the cause.

15 s is common practice, no source: drives state 4 to 20 s from standby to ready, and report that
they spin from the beginning of that time on.
"""

from __future__ import annotations

from functools import lru_cache
from math import comb

from spinledger.model import MINUTE, SECOND

WINDOW_NS = 15 * SECOND
TRIAL_NS = 10 * MINUTE
LEVEL = 0.001


@lru_cache(maxsize=256)
def chance(near: int, wakes: int) -> float:
    """The probability of `near` or more near wakes among `wakes` that are spread evenly."""
    share = WINDOW_NS / TRIAL_NS
    return sum(
        comb(wakes, count) * share**count * (1 - share) ** (wakes - count)
        for count in range(near, wakes + 1)
    )


def convicted(near: int, wakes: int) -> bool:
    """The wakes cluster at our probes, at `LEVEL`."""
    return near > 0 and chance(near, wakes) <= LEVEL
