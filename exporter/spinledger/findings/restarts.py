"""Whether reading a drive's own counters restarts its standby timer, from its own spin-downs.

Rules of this room: pure. Some drives restart the timer at a log read (Linux
Documentation/hwmon/drivetemp.rst describes one). A reading comes in the very sample in which others
moved sectors, so it lies at the beginning of an idle gap, or more use follows it. Spin-downs of
both sorts are compared: idle time with a reading in the gap, and without.

Idle time runs from the sample that saw the last sector move, which lies up to one sample interval
behind that sector. So a drive that restarts its timer sleeps later by half an interval on average
and never by more than one: that is all our readings can cost, and all there is to be seen.

Only running sums are kept, of idle times less a reference, in seconds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import hypot, sqrt

from spinledger.facts import IdleBefore, ReadingEffect
from spinledger.model import SECOND

LEAST = 8
"""Spin-downs of either sort before anything is said; common practice, no source."""

ERRORS = 3.0
"""Standard errors beyond which the difference is no chance: one in 740 by the normal tail."""

Bracket = tuple[int, int]
"""A spin-down lay between these idle times, nanoseconds."""

Kept = Mapping[str, Sequence[float]]
"""`last`: the last spin-down, [seconds, seconds]; `reference`: [seconds]; `read` and `unread`:
[count, sum, sum of squares, sum of widths squared] of idle times less the reference. JSON types;
empty at first."""

_NOTHING: Kept = {"reference": [], "read": [0, 0, 0, 0], "unread": [0, 0, 0, 0]}


def noted(kept: Kept, read: bool, slept: Bracket, near_ns: int) -> Kept:
    """The sums with one more spin-down; `read`: with a reading in its gap.

    It counts where it lies within `near_ns` of the one before: one that does not was a command's
    doing, not the timer's. A timer that moved by more begins new sums.
    """
    low, high = (at / SECOND for at in slept)
    near, last = near_ns / SECOND, kept.get("last")
    kept = {**_NOTHING, **kept, "last": [low, high]}
    if last is None or low > last[1] + near or high < last[0] - near:
        return kept
    middle = (low + high) / 2
    if not kept["reference"] or abs(middle - kept["reference"][0]) > near:
        kept = {**kept, **_NOTHING, "reference": [middle]}
    sort = "read" if read else "unread"
    apart = middle - kept["reference"][0]
    more = (1, apart, apart * apart, (high - low) ** 2)
    return {**kept, sort: [was + one for was, one in zip(kept[sort], more, strict=True)]}


def compared(kept: Kept) -> ReadingEffect | None:
    """Spin-downs of both sorts; None until there are enough of each."""
    if not kept or min(kept["read"][0], kept["unread"][0]) < LEAST:
        return None
    read, unread = (_idle_before(kept[sort], kept["reference"][0]) for sort in ("read", "unread"))
    later_s, error_s = read.seconds - unread.seconds, hypot(read.error, unread.error)
    return ReadingEffect(read, unread, later_s, error_s, later_s > ERRORS * error_s)


def _idle_before(sums: Sequence[float], reference: float) -> IdleBefore:
    """A scatter below that of the brackets' own width is not believed: w / sqrt(12) if uniform."""
    count, total, squares, widths = sums
    mean = total / count
    variance = max(squares / count - mean * mean, widths / count / 12)
    return IdleBefore(int(count), reference + mean, sqrt(variance / count))
