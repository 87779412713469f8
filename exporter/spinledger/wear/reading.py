"""Wear: records of the drive become one reading, judged, with ratings and what they leave.

Rules of this room: pure. No value is guessed: a counter that the drive does not report, or that
cannot be true, is absent from the reading. Each counter comes from one kind of record for good,
since two records of one drive may count differently: a change of source would be taken for a jump.

- The standard's statistics are preferred to vendor attributes, where a disk has both.
- Implausible: a counter that fell, one that rose faster than it can (`FASTEST`), one higher than
  the drive's own age allows. The counter is refused, not the rest of the reading; what follows is
  in `wear.continuing`.
- SCSI drives count a start-stop cycle when it is complete, so that of a spinning drive is not yet
  in it (MAX3073 manual, 4-66). Between two readings taken spinning this cancels out; against a
  ledger it may lag by one. They count no power cycles: over a loss of power, or a boot that may
  have been one, transitions to standby_z count instead (log page 1Ah; SCSI Commands Reference
  Manual, p351).

Cautions for whoever shows these figures: a rating is a design figure and predicts no failure; load
and start-stop cycles are separate budgets; published fleet data does not show load cycles as a
predictor of failure; the maker's document goes before all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, NamedTuple

from spinledger.codec import packings
from spinledger.errors import Misuse
from spinledger.model import Command, Condition, Disk, Policy, Record, Worn

ACCEPTED = "accepted"
FELL, TOO_FAST, TOO_HIGH, DISAGREES = "fell", "too_fast", "too_high", "disagrees"
RESTARTED = "restarted"
REASONS = (FELL, TOO_FAST, TOO_HIGH, DISAGREES, RESTARTED)
"""Why a counter is refused, doubted where two readers disagree, or accepted from another value on;
label values."""

FASTEST: Mapping[str, float] = {
    "start_stops": 5.0,
    "loads": 1.0,
    "retracts": 1.0,
    "power_cycles": 5.0,
    "to_standby_z": 5.0,
}
"""Seconds that one count takes at least: more than one load cycle a second of life is no load
cycle. A motor takes seconds to start. Common practice, no source."""

_CLOCKS = ("power_on_s", "spindle_s")
_CLOCK_GRAIN_S = 3600  # drives count whole hours
_SLACK = 2  # counts that may have come together, whatever the time

COUNTERS = (*_CLOCKS, *FASTEST)  # the age first: it judges the others
_SETTINGS = ("apm", "epc", "timer_ms", "timers")
CROSS_CHECK = "cross_check"
_PREFERENCE = (
    Command.DEVICE_STATISTICS_ROTATING.value,
    Command.DEVICE_STATISTICS_GENERAL.value,
    Command.START_STOP_LOG.value,
    Command.TRANSITIONS_LOG.value,
    Command.SMART_READ_DATA.value,
    CROSS_CHECK,
)


def merge(
    disk: str,
    at_ns: int,
    records: Sequence[Record],
    before: Worn | None = None,
    elapsed_s: int = 0,
    second: Mapping[str, int] = MappingProxyType({}),
    anchor_raw: int | None = None,
) -> Worn:
    """One reading out of the records of one round; not yet judged.

    `before` is the disk's last baseline: it fixes each counter's source, and with `elapsed_s`, the
    seconds since it if the drive had power throughout (else 0), the packing of attribute 9. Where
    there is an earlier value of that power-on, `anchor_raw`, `elapsed_s` counts from there.
    `second` are the values of the cross-check, which count where no record has them; its hours only
    show the packing where there is a raw value.
    """
    given = {record.command.value: record.values for record in records}
    given[CROSS_CHECK] = second
    fixed = origins(before) if before else {}
    values: dict[str, int] = {}
    sources: dict[str, str] = {}
    for name in COUNTERS:
        for source in _PREFERENCE:
            if fixed.get(name, source) == source and name in given.get(source, {}):
                values[name] = given[source][name]
                sources[name] = source
                break
    own = Command.SMART_READ_DATA.value
    raw = given.get(own, {}).get("power_on_raw")
    if raw is not None and sources.get("power_on_s") == CROSS_CHECK:
        del values["power_on_s"], sources["power_on_s"]  # it only says how to read our own
    known_s = values.get("power_on_s", second.get("power_on_s"))
    packing = "" if raw is None else _packing(raw, known_s, before, elapsed_s, anchor_raw)
    ours = "power_on_s" not in values and fixed.get("power_on_s", own) == own
    if raw is not None and packing and ours:
        values["power_on_s"] = packings.clock_s(packing, raw)
        sources["power_on_s"] = own
    every = dict(second)
    for record in records:
        every.update(record.values)
    identified = Command.IDENTIFY_DEVICE.value in given
    epc = every.get("epc_enabled") if every.get("epc_supported") else None
    return Worn(
        disk=disk,
        at_ns=at_ns,
        start_stops=values.get("start_stops"),
        loads=values.get("loads"),
        power_cycles=values.get("power_cycles"),
        power_on_s=values.get("power_on_s"),
        rated_load=every.get("rated_load"),
        rated_start_stop=every.get("rated_start_stop"),
        apm=every.get("apm_level", 0) if identified else None,
        origin=", ".join(f"{name}: {source}" for name, source in sources.items()),
        retracts=values.get("retracts"),
        spindle_s=values.get("spindle_s"),
        timer_ms=None if epc == 0 else every.get("standby_z_ms"),
        power_on_raw=raw,
        packing=packing,
        to_standby_z=values.get("to_standby_z"),
        epc=epc,
        timers=", ".join(
            f"{name}: {every[f'{name}_ms']}" for name in Condition if f"{name}_ms" in every
        ),
    )


def origins(worn: Worn) -> Mapping[str, str]:
    """Which record each counter came from."""
    return _pairs(worn.origin)


def power_timers(worn: Worn) -> Mapping[str, int]:
    """The timer of each power condition that the drive reports, in milliseconds; 0: off.

    Of an ATA drive they run only while `worn.epc` is 1 (from memory).
    """
    return {name: int(timer) for name, timer in _pairs(worn.timers).items()}


def _pairs(text: str) -> Mapping[str, str]:
    pairs = (part.partition(": ") for part in text.split(", ") if part)
    return {name: given for name, _, given in pairs}


def _packing(
    raw: int, known_s: int | None, before: Worn | None, elapsed_s: int, anchor_raw: int | None
) -> str:
    """How to read attribute 9: as the standard's log says, as the pace says, as before."""
    if known_s is not None:
        return packings.by_hours(raw, known_s)
    if before is not None and before.power_on_raw is not None:
        anchor = before.power_on_raw if anchor_raw is None else anchor_raw
        return packings.by_pace(anchor, raw, elapsed_s) or before.packing
    return ""


def disagreements(worn: Worn, second: Mapping[str, int], apart_s: int = 0) -> tuple[Objection, ...]:
    """Where the cross-check's values differ from our own reading, `apart_s` seconds before.

    Counters may have moved by one between the two, and by what they can in that time; clocks by one
    hour. Values of ours that come from another record than the drive's attributes are not compared:
    that record may count apart.
    """
    found = []
    comparable = (Command.SMART_READ_DATA.value, Command.START_STOP_LOG.value)
    for name, source in origins(worn).items():
        ours, theirs = getattr(worn, name), second.get(name)
        if ours is None or theirs is None or source not in comparable:
            continue
        grain = _CLOCK_GRAIN_S if name in _CLOCKS else 1
        moved = apart_s / FASTEST.get(name, 1.0)
        if not ours - grain <= theirs <= ours + grain + moved:
            found.append(Objection(name, DISAGREES, f"{name} is {ours}, by the other {theirs}"))
    theirs, raw = second.get("power_on_s"), worn.power_on_raw
    unread = raw is not None and worn.power_on_s is None
    if raw is not None and unread and theirs is not None and not packings.by_hours(raw, theirs):
        hours = f"attribute 9 is {raw}, in no packing {theirs} s"
        found.append(Objection("power_on_s", DISAGREES, hours))
    return tuple(found)


class Objection(NamedTuple):
    """One counter refused."""

    counter: str
    reason: str  # of REASONS
    detail: str  # for a person


class Judged(NamedTuple):
    """A reading without the counters that cannot be true, and why."""

    worn: Worn
    objections: tuple[Objection, ...]

    @property
    def verdict(self) -> str:
        """`accepted`, else the first reason."""
        return self.objections[0].reason if self.objections else ACCEPTED


def judge(worn: Worn, before: Worn | None, elapsed_s: float) -> Judged:
    """Refuse what cannot be true. `before` is the baseline, `elapsed_s` the seconds since it.

    A change of the packing of attribute 9 excuses that clock's jump.
    """
    if elapsed_s < 0:
        raise Misuse("a reading is not older than the one before it")
    objections: list[Objection] = []
    age_s = worn.power_on_s
    for name in COUNTERS:
        value: int | None = getattr(worn, name)
        last: int | None = getattr(before, name) if before else None
        if name == "power_on_s" and before and before.packing != worn.packing:
            last = None
        if value is None:
            continue
        objection = _object(name, value, last, elapsed_s) or _age(name, value, age_s)
        if objection:
            objections.append(Objection(name, *objection))
            age_s = last if name == "power_on_s" else age_s
    refused: dict[str, Any] = {one.counter: None for one in objections}
    return Judged(replace(worn, **refused), tuple(objections))


def _object(name: str, value: int, last: int | None, elapsed_s: float) -> tuple[str, str] | None:
    """Against the reading before."""
    if last is None:
        return None
    if value < last:
        return FELL, f"{name} fell from {last} to {value}"
    if value - last > most_risen(name, elapsed_s):
        return TOO_FAST, f"{name} rose by {value - last} in {elapsed_s:.0f} s"
    return None


def most_risen(name: str, elapsed_s: float) -> float:
    """How much a counter can rise in a time."""
    if name in _CLOCKS:
        return elapsed_s * 1.02 + 2 * _CLOCK_GRAIN_S
    return elapsed_s / FASTEST[name] + _SLACK


def _age(name: str, value: int, power_on_s: int | None) -> tuple[str, str] | None:
    """Against the drive's own age. Zero hours are not an age: some drives begin late to count."""
    if name == "power_on_s":
        late = value > packings.LONGEST_LIFE_S
        return (TOO_HIGH, f"{value // 3600} hours powered on") if late else None
    if not power_on_s:
        return None
    age_s = power_on_s + _CLOCK_GRAIN_S
    most = age_s if name in _CLOCKS else age_s / FASTEST[name]
    if value > most:
        return TOO_HIGH, f"{name} is {value} in {power_on_s // 3600} hours powered on"
    return None


def baseline(before: Worn | None, judged: Judged) -> Worn:
    """What the next reading is judged against: this one, with refused or missing counters kept."""
    worn = judged.worn
    if before is None:
        return worn
    kept = {
        name: getattr(before, name)
        for name in (*COUNTERS, "rated_load", "rated_start_stop", *_SETTINGS)
        if getattr(worn, name) in (None, "")
    }
    sources = {**origins(before), **origins(worn)}
    given = ", ".join(f"{name}: {source}" for name, source in sources.items())
    return replace(worn, origin=given, **kept)


@dataclass(frozen=True, slots=True)
class Rating:
    """How many cycles a drive is made for, and who says so."""

    cycles: int
    source: str  # configured, drive


def ratings(policy: Policy, worn: Worn | None) -> Mapping[str, Rating]:
    """Ratings by kind (`load`, `start_stop`): the owner's, else the drive's, else absent."""
    found = {}
    for kind in ("load", "start_stop"):
        name = f"rated_{kind}"
        configured: int | None = getattr(policy, name)
        own: int | None = getattr(worn, name) if worn else None
        if configured:
            found[kind] = Rating(configured, "configured")
        elif own:
            found[kind] = Rating(own, "drive")
    return found


def used_ratio(count: int | None, rating: Rating | None) -> float | None:
    """Share of the rating used up; above 1 once it is exceeded."""
    return None if count is None or rating is None else count / rating.cycles


def unobserved(
    before: Worn, after: Worn, observed: int, *, powered_throughout: bool = False
) -> int | None:
    """Cycles between two readings, both taken spinning, that no sample observed; 0 at least.

    Starts of the drive's own count, less those that power brought, less those in the ledger. Where
    the drive may have lost power and counts no power cycles: its transitions to standby_z instead.
    Each was followed by a start, since it spins again; a start that power brought is among them.
    None where the drive reports neither.
    """
    starts = _risen(after.start_stops, before.start_stops)
    powered = 0 if powered_throughout else _risen(after.power_cycles, before.power_cycles)
    stops = _risen(after.to_standby_z, before.to_standby_z)
    if starts is not None and powered is not None:
        return max(0, starts - powered - observed)
    return None if stops is None else max(0, stops - observed)


def _risen(after: int | None, before: int | None) -> int | None:
    return None if after is None or before is None else after - before


def one_per_spindle(disks: Sequence[Disk]) -> frozenset[str]:
    """One identity for each spindle: logical units that share it show the same counters."""
    first: dict[str, str] = {}
    for disk in disks:
        first[disk.device] = min(first.get(disk.device, disk.identity), disk.identity)
    return frozenset(first.values())
