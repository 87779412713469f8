"""Counts of vendor attributes that may be packed: which reading of the bits holds, by evidence.

Rules of this room: pure. A raw value up to 65,535 has one reading. Above that it may be one count,
or a count of 16 bits with another value above it, and the drive says nowhere which. Until one is
shown the count is doubtful: shown as such, and not counted. What decides, first found first:

- The standard's log, or a pair whose halves agree: then there is nothing to decide here.
- The count before: it went past 65,535 while we watched, or its low half went on.
- The cross-check, where it agrees with one reading and not with the other.
- A carry: the low half fell and the next bit rose, as in one count; or the upper half moved by
  itself, as in a packed value.
- The drive's age: a count that no real drive can reach (`SOONEST`) is none.
- The pace: over `PACED_S` powered on with at least `PACED` counts, the mean pace of one reading
  over the drive's life is within a factor of `NEAR` of what was observed, and that of the other is
  not.

The limits are common practice, no source, but for loads: 14 a minute over years are on record.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from spinledger.codec.packings import HALF, RAW
from spinledger.model import Command, Record
from spinledger.wear.reading import most_risen

SOONEST: Mapping[str, float] = {
    "start_stops": 30.0,
    "loads": 2.0,
    "retracts": 30.0,
    "power_cycles": 30.0,
}
"""Seconds of powered-on life that one count takes at least in a real drive."""
PACED_S = 7 * 86_400
PACED = 20
NEAR = 3.0
WHOLE, LOW = 0, 1

Kept = dict[str, list[int]]
"""By counter: the reading shown (WHOLE, LOW) or -1, the first raw value and the age then, the
latest raw value."""


def readings_of(raw: int) -> tuple[int, int]:
    """The value as one count, and as a count of 16 bits."""
    return raw, raw & HALF


def decided(
    records: Sequence[Record],
    kept: Kept,
    *,
    before: Mapping[str, int],
    second: Mapping[str, int],
    age_s: int | None,
    elapsed_s: int,
) -> tuple[list[Record], dict[str, list[int]]]:
    """The records with the counts that are shown, and both readings of each that is doubtful.

    `before` are the drive's values at the last reading, `second` those of the cross-check; `age_s`
    is its power-on time, None while that is not known.
    """
    doubtful: dict[str, list[int]] = {}
    logged = {
        name for one in records if one.command is not Command.SMART_READ_DATA for name in one.values
    }
    found = []
    for record in records:
        if record.command is not Command.SMART_READ_DATA:
            found.append(record)
            continue
        values = {name: value for name, value in record.values.items() if not name.endswith(RAW)}
        for name, raw in record.values.items():
            if not name.endswith(RAW) or name == "power_on" + RAW:
                continue
            counter = name.removesuffix(RAW)
            if counter in logged:
                continue
            known = kept.setdefault(counter, [-1, raw, age_s or 0, raw])
            if known[0] < 0:
                last = before.get(counter)
                known[0] = _shown(counter, raw, known, last, second, age_s, elapsed_s)
            known[3] = raw
            if not known[2] and age_s:
                known[1:3] = [raw, age_s]
            if known[0] < 0:
                doubtful[counter] = list(readings_of(raw))
            else:
                values[counter] = readings_of(raw)[known[0]]
        if "power_on" + RAW in record.values:
            values["power_on" + RAW] = record.values["power_on" + RAW]
        found.append(replace(record, values=values))
    return found, doubtful


def _shown(
    name: str,
    raw: int,
    known: Sequence[int],
    before: int | None,
    second: Mapping[str, int],
    age_s: int | None,
    elapsed_s: int,
) -> int:
    """Which reading is shown; -1: none."""
    both, most = readings_of(raw), most_risen(name, elapsed_s)
    if before is not None:
        went_on = _only([0 <= one - before <= most for one in both])
        if went_on >= 0:
            return went_on
    if name in second:
        agrees = _only([abs(one - second[name]) <= 1 for one in both])
        if agrees >= 0:
            return agrees
    last = readings_of(known[3])
    if raw & ~HALF != known[3] & ~HALF:
        carried = _only([0 <= one - old <= most for one, old in zip(both, last, strict=True)])
        if carried >= 0:
            return carried
    if not age_s:
        return -1
    possible = _only([one <= age_s / SOONEST[name] for one in both])
    if possible >= 0:
        return possible
    _, first, first_age_s, _ = known
    lasted, risen = age_s - first_age_s, raw - first
    if not first_age_s or lasted < PACED_S or risen < PACED:
        return -1
    pace = risen / lasted
    return _only([pace / NEAR <= one / age_s <= pace * NEAR for one in both])


def _only(holds: Sequence[bool]) -> int:
    """The reading that alone holds; -1: neither or both."""
    return holds.index(True) if sum(holds) == 1 else -1
