"""A drive's counter that wraps, or begins anew at another value: how our count goes on.

Rules of this room: pure. An exported counter never falls to a value above zero, and the share of
life that was used stays used; so what the drive says is shifted, and the shift is kept with the
account. Two cases:

- A wrap of 16 bits: the fall is by 65,536 less a rise that the time allows and that is at most a
  sixteenth of the range. The count goes on at once.
- Any other new baseline (a first reading that was too high, firmware that counts anew): refused
  until `READINGS` readings in succession rise from it at a plausible pace, over a day at least. One
  wrong reply is usual, and a fault may last from one power-on to the next; five readings over a
  day that agree with each other and not with the old value are no accident (common practice, no
  source). Then the count goes on from its last accepted value, by what the drive counted since the
  first of them, and is reported once as `restarted`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from spinledger.model import Worn
from spinledger.wear.reading import (
    COUNTERS,
    FASTEST,
    FELL,
    RESTARTED,
    TOO_FAST,
    Judged,
    Objection,
    most_risen,
)

RANGE = 1 << 16
MOST_AT_A_WRAP = RANGE // 16
READINGS = 5
LASTING_S = 86_400

Waiting = dict[str, list[int]]  # counter -> readings, first and latest value, seconds from first


def shifted(worn: Worn, shifts: Mapping[str, int]) -> Worn:
    """A reading as our counts go on."""
    changes: dict[str, Any] = {
        name: value + shift
        for name, shift in shifts.items()
        if (value := getattr(worn, name)) is not None
    }
    return replace(worn, **changes) if changes else worn


def continued(
    worn: Worn,
    judged: Judged,
    before: Worn | None,
    elapsed_s: int,
    shifts: dict[str, int],
    waiting: Waiting,
) -> Judged:
    """The judgement, with counters that go on accepted. Keeps `shifts` and `waiting` up to date.

    `worn` is shifted already; `elapsed_s` are seconds since the last reading.
    """
    if before is None:
        return judged
    changes: dict[str, Any] = {}
    objections = []
    for objection in judged.objections:
        name, reason, _ = objection
        if reason not in (FELL, TOO_FAST):
            objections.append(objection)
            continue
        shift, last = shifts.get(name, 0), getattr(before, name)
        value = getattr(worn, name) - shift
        if name in FASTEST and _wrapped(last - shift, value, most_risen(name, elapsed_s)):
            shifts[name] = shift + RANGE
            waiting.pop(name, None)
        elif _settled(name, value, elapsed_s, waiting):
            first = waiting.pop(name)[1]
            shifts[name] = last - first
            objections.append(Objection(name, RESTARTED, f"{name} goes on from {first}"))
        else:
            objections.append(objection)
            continue
        changes[name] = value + shifts[name]
    refused = {objection.counter for objection in objections}
    for name in COUNTERS:
        if name in waiting and name not in refused and getattr(worn, name) is not None:
            del waiting[name]
    return Judged(replace(judged.worn, **changes), tuple(objections))


def _wrapped(last: int, value: int, most: float) -> bool:
    rise = value + RANGE - last
    return max(last, value) < RANGE and 0 <= rise <= min(most, MOST_AT_A_WRAP)


def _settled(name: str, value: int, elapsed_s: int, waiting: Waiting) -> bool:
    """Take one refused value; true once it may be accepted."""
    readings, first, latest, lasted_s = waiting.get(name, [0, value, value, 0])
    if readings and 0 <= value - latest <= most_risen(name, elapsed_s):
        waiting[name] = [readings + 1, first, value, lasted_s + elapsed_s]
    else:
        waiting[name] = [1, value, value, 0]
    return waiting[name][0] >= READINGS and waiting[name][3] >= LASTING_S
