"""Whether the parts of a file fit together.

Rules of this room: only for a file whose values are each good; what does not fit is reported at the
later of the lines concerned, or where something is missing.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

from spinledger.config.document import Found, Place
from spinledger.config.near import nearest, shown
from spinledger.config.schema import LEAVES
from spinledger.config.values import NONE, duration_text

MOST_TIMERS = 6  # each is two series a disk

Misfit = tuple[int, str, str]
"""Line from 1, what is wrong, and the fix."""


def misfits(found: Found) -> Iterator[Misfit]:
    """Everything that does not fit, in no order."""
    yield from _cadence(found)
    yield from _schedules(found)
    yield from _timers(found)
    yield from _tariff(found)
    yield from _matches(found)
    yield from _aliases(found)
    yield from _quiet_and_watts(found, found.tree.get("defaults", {}), ("defaults",))
    for number, entry in _disks(found):
        yield from _quiet_and_watts(found, entry, ("disks", number))


def _disks(found: Found) -> Iterator[tuple[int, dict[str, Any]]]:
    yield from enumerate(found.tree.get("disks", ()))


def _cadence(found: Found) -> Iterator[Misfit]:
    section = found.tree.get("sample", {})
    for short, long in pairwise(("fast", "slow", "asleep")):
        less, more = (section.get(k, LEAVES["sample", k].initial) for k in (short, long))
        if less > more:
            what = (
                f"sample.{short} ({duration_text(less)}) is longer than "
                f"sample.{long} ({duration_text(more)})"
            )
            line = max(found.lines.get(("sample", key), 0) for key in (short, long))
            yield line, what, f"choose {long} at least as long as {short}"


def _schedules(found: Found) -> Iterator[Misfit]:
    for name, schedule in found.tree.get("schedules", {}).items():
        if not schedule.get("windows"):
            fix = 'write windows: ["Mon-Fri 22:00-06:30"] or such'
            yield found.lines["schedules", name], f"schedules.{name} has no windows", fix


def _timers(found: Found) -> Iterator[Misfit]:
    place: Place = ("what_if", "timers")
    timers = found.get(*place)
    if timers is None:
        return
    if not timers:
        yield found.lines[place], "what_if.timers is empty", "write one to six timers"
    if len(timers) > MOST_TIMERS:
        what = f"what_if.timers holds {len(timers)} timers"
        yield found.lines[*place, MOST_TIMERS], what, f"keep at most {MOST_TIMERS}"
    for index, timer in enumerate(timers):
        if timer in timers[:index]:
            what = f"what_if.timers holds {duration_text(timer)} twice"
            yield found.lines[*place, index], what, "keep one of the two"


def _tariff(found: Found) -> Iterator[Misfit]:
    section = found.tree.get("tariff", {})
    if len(section) == 1:
        (key,) = section
        other, example = ("per_kwh", "0.30") if key == "currency" else ("currency", "EUR")
        what = f"tariff has {key} and no {other}"
        yield found.lines["tariff", key], what, f"add it, such as {other}: {example}"


def _matches(found: Found) -> Iterator[Misfit]:
    first: dict[tuple[str, Any], tuple[int, int]] = {}  # the match -> its entry and line
    for number, entry in _disks(found):
        match = entry.get("match", {})
        if len(match) != 1:
            what = f"an entry of disks has {len(match) or 'no'} keys in match"
            fix = "give it one of: identity, by_id, model, all"
            yield found.lines["disks", number], what, fix
            continue
        ((by, pattern),) = match.items()
        line = found.lines["disks", number, "match", by]
        kind = "one disk" if by in ("identity", "by_id") else by
        earlier = first.setdefault((kind, pattern), (number, line))
        sweeping = first.get(("all", True), (number, line))
        if earlier[0] != number:
            word = by if by == "all" else f"{by} {shown(pattern)}"
            what = f"disks.match.{word} is set twice, first in line {earlier[1]}"
            yield line, what, "keep one of the two, as only the first would hold"
        elif sweeping[0] != number:
            what = f"this entry of disks is never reached, as line {sweeping[1]} matches every disk"
            yield line, what, "move it above that line"


def _aliases(found: Found) -> Iterator[Misfit]:
    owners: dict[str, int] = {}
    for number, entry in _disks(found):
        if "identity" in entry.get("match", {}):
            owners[entry["match"]["identity"]] = found.lines["disks", number, "match", "identity"]
    for number, entry in _disks(found):
        place: Place = ("disks", number, "also_known_as")
        names = entry.get("also_known_as", ())
        if names and "identity" not in entry.get("match", {}):
            what = "disks.also_known_as needs the disk's present identity"
            yield found.lines[place], what, "match this disk by identity"
        for index, name in enumerate(names):
            line = found.lines[*place, index]
            if name in owners:
                what = f"disks.also_known_as {shown(name)} is taken in line {owners[name]}"
                yield line, what, "let one disk have it"
            owners.setdefault(name, line)


def _quiet_and_watts(found: Found, entry: dict[str, Any], place: Place) -> Iterator[Misfit]:
    schedules = found.tree.get("schedules", {})
    quiet = entry.get("quiet", NONE)
    if quiet != NONE and quiet not in schedules:
        best = nearest(quiet, schedules)
        what = f"{place[0]}.quiet {shown(quiet)} is not a schedule of this file"
        fix = f"write {best}" if best else "define it under schedules"
        yield found.lines[*place, "quiet"], what, fix
    watts = entry.get("watts", {})
    if "idle" in watts and watts.get("standby", 0) > watts["idle"]:
        line = max(found.lines[*place, "watts", key] for key in ("idle", "standby"))
        what = f"{place[0]}.watts.standby ({watts['standby']:g}) is above idle ({watts['idle']:g})"
        yield line, what, "check that they are not swapped"
