"""What the raw values of a few SMART attributes mean: one table of packings, a source per row.

Rules: attributes are vendor specific and say nowhere which packing they use. A value is therefore
believed only in a form that its bits allow, and never beyond what they prove:

- Counts (4, 12, 192, 193, on older drives 225) fill the value from its lowest bit; some drives keep
  another value above the lowest 16. Up to 65,535 both are the same; above, the value goes on as it
  stands (its name ends in `RAW`), and `wear.packed` decides by evidence.
- Load cycles may be a pair: loads above, unloads below. Loads exceed unloads by the emergency
  unloads, so the two halves of a pair show that it is one.
- Power-on time (9) may count hours, minutes, half minutes or seconds. One value does not show
  which. The standard's own log of hours (`by_hours`), or the pace between two readings (`by_pace`),
  decides; until then the time is not known.

Sources name the public drive database: smartmontools drivedb.h, 7.3, with its name of the format.
"""

from __future__ import annotations

from dataclasses import dataclass

MOST = (1 << 32) - 1
HALF = (1 << 16) - 1
RAW = "_raw"  # ends the name of a value as it stands
LONGEST_LIFE_S = 25 * 8766 * 3600
"""Twenty-five years powered on; hardly a drive has had more. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Clock:
    """One way to count power-on time in attribute 9: `bits` from the lowest, in `unit_s`."""

    name: str
    bits: int
    unit_s: int  # seconds
    source: str


CLOCKS = (
    Clock("hours", 24, 3600, "drivedb.h default for 9: raw24(raw8); the bits above vary"),
    Clock("hours_ms", 32, 3600, "drivedb.h msec24hour32: milliseconds from bit 32 on, left out"),
    Clock("minutes", 32, 60, "drivedb.h minutes: 41 families; another value from bit 32 on"),
    Clock("half_minutes", 48, 30, "drivedb.h halfminutes: 14 families"),
    Clock("seconds", 48, 1, "drivedb.h seconds: 15 families; sec2hour: 2"),
)

_CLOCK = {row.name: row for row in CLOCKS}


@dataclass(frozen=True, slots=True)
class Meaning:
    """One attribute that we read."""

    number: int
    name: str  # as in codec.counters.NAMES
    source: str


# Names: smartmontools drivedb.h, DEFAULT entry; Travelstar 5K320 specification, p151.
MEANINGS = (
    Meaning(4, "start_stops", "drivedb.h default: raw48"),
    Meaning(9, "power_on_raw", "see CLOCKS"),
    Meaning(12, "power_cycles", "drivedb.h default: raw48"),
    Meaning(192, "retracts", "drivedb.h default: raw48"),
    Meaning(225, "loads", "drivedb.h default, older drives: raw48"),
    Meaning(193, "loads", "drivedb.h default: raw48; loadunload: raw24/raw24, smartctl(8)"),
)
"""A later row wins over an earlier one of the same name."""


def meaning(name: str, raw: int) -> tuple[str, int]:
    """The name and value of an attribute by the name of its count: decoded, or as it stands."""
    if name.endswith(RAW) or raw <= HALF:
        return name, raw
    paired = pair(raw) if name == "loads" else None
    return (name + RAW, raw) if paired is None else (name, paired)


def pair(raw: int) -> int | None:
    """Head loads in the upper half of a pair; None: it is none.

    "The first value is the number of load cycles. The second value is the number of unload
    cycles", and their difference counts emergency unloads: smartctl(8), -v 193,loadunload. A pair
    that differs by more than a tenth is not believed (common practice, no source).
    """
    upper, lower = raw >> 24, raw & 0xFFFFFF
    return upper if upper and lower <= upper <= lower + max(100, lower // 10) else None


def clock_s(name: str, raw: int) -> int:
    """Power-on time in seconds under the packing of that name."""
    row = _CLOCK[name]
    return (raw & (1 << row.bits) - 1) * row.unit_s


def by_hours(raw: int, power_on_s: int) -> str:
    """The packing under which the value agrees with a power-on time from elsewhere; "": none.

    Agreement is within two hours and one part in a hundred: the two counters of one drive may
    have begun apart (common practice, no source).
    """
    for row in CLOCKS:
        if abs(clock_s(row.name, raw) - power_on_s) <= 7200 + power_on_s // 100:
            return row.name
    return ""


def by_pace(before: int, after: int, elapsed_s: int) -> str:
    """The packing under which the value advanced as time did; "": none, or too early.

    `elapsed_s` are seconds between the two readings, powered on throughout. Below ten hours too
    little has passed: an hour count may not have moved.
    """
    if elapsed_s < 36_000:
        return ""
    for row in CLOCKS:
        advanced = clock_s(row.name, after) - clock_s(row.name, before)
        if abs(advanced - elapsed_s) <= row.unit_s + elapsed_s // 50:
            return row.name
    return ""
