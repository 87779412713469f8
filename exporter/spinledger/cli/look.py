"""`spinledger look`: the disks of one host, on a terminal.

Rules: the snapshot and the history of the last day or week come from the running exporter; the
ledger file is never opened here, since it may lie on a sleeping disk. Everything shown fits the
terminal's width where names allow it.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo
from zoneinfo import ZoneInfo

from spinledger import strip
from spinledger.app.examining import observe
from spinledger.app.pages import zone_of
from spinledger.cli import screen, strips, weekly, who
from spinledger.cli.arguments import add_config, configuration
from spinledger.cli.exporter import (
    DAY_S,
    Exporter,
    NoExporter,
    add_exporter,
    histories,
    listening,
    observed_s,
    value,
    wall_ns,
)
from spinledger.cli.screen import Cell, Column, Screen, Tone, clean, paragraph, table
from spinledger.config.settings import Config
from spinledger.model import Severity
from spinledger.strip import NO_HISTORY, DiskHistory
from spinledger.web.snapshot_json import Json, snapshot_json
from spinledger.words import STATES, local, lower_first, short_duration, since, why

WATCH_EVERY_S = 2.0
HISTORY_EVERY_S = 60.0
LAST_DAY = "LAST 24 HOURS"
LEAST = ">"
NAMES = 6  # disks named in one finding
EVIDENCES = 3  # shown of one finding
PROPOSE_AFTER_S = 14 * DAY_S
CAUTION = "A rating is a design figure; it does not forecast a failure."

COLUMNS = (
    Column("DISK", 32, elastic=True),
    Column("STATE", 11),
    Column("FOR", 7, right=True),
    Column("SPIN-UPS/DAY", 14, rank=1, right=True),
    Column(LAST_DAY, 24, rank=2),
    Column("ASLEEP", 6, rank=3, right=True),
    Column("POOL", 14, rank=4, elastic=True),
    Column("LIFE USED", 9, rank=5, right=True),
)
COUNTED = ("standby", "active", "idle", "unknown")

_RANKS = [severity.value for severity in Severity]

Histories = Mapping[str, DiskHistory]  # by identity


@dataclass(frozen=True, slots=True)
class Picture:
    """What is shown: a snapshot as JSON types, and recent history."""

    snapshot: Json
    histories: Histories | None  # None: the exporter has none
    tz: tzinfo
    no_exporter: str = ""  # why the snapshot is not an exporter's; ""

    @property
    def now(self) -> int:
        """Nanoseconds since the Unix epoch."""
        return wall_ns(self.snapshot["at_wall"])


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    add_config(parser)
    add_exporter(parser)
    parser.add_argument("--week", action="store_true", help="the last seven days, one line a disk")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument("--watch", action="store_true", help="update every 2 s, until Ctrl-C")


def run(arguments: argparse.Namespace) -> int:
    """Print the disks; 1 when there are findings."""
    config = configuration(arguments)
    source = Source(config, arguments.exporter)
    found = False
    try:
        while True:
            found = _show(arguments, source.read())
            if not arguments.watch:
                break
            time.sleep(WATCH_EVERY_S)
    except KeyboardInterrupt:
        if not arguments.watch:
            raise
    return int(found)


def _show(arguments: argparse.Namespace, picture: Picture) -> bool:
    """Print once; True when there are findings."""
    if arguments.json:
        shown: Json = {**picture.snapshot, "from_exporter": not picture.no_exporter}
        sys.stdout.write(json.dumps(shown, indent=1) + "\n")
    else:
        page = screen.of_terminal(os.environ)
        lines = render(page, picture, arguments.week, arguments.watch)
        if arguments.watch and sys.stdout.isatty():
            screen.animate(page, lines, sys.stdout.write)
        else:
            sys.stdout.write("\n".join(lines) + "\n")
    sys.stdout.flush()
    return any(disk["findings"] for disk in _judged(picture.snapshot))


class Source:
    """The snapshot, and the history of the day before it, read once a minute at most.

    An exporter that was named must answer; where none answers at the configured address, this
    machine's disks are sampled once.
    """

    def __init__(self, config: Config, exporter: Exporter | None) -> None:
        self._config = config
        self._named = exporter
        self._exporter = exporter or listening(config.listen, config.tls_and_users)
        self._history: Json | None = None
        self._due_s = -math.inf
        self._tz = zone(zone_of(config))

    def read(self) -> Picture:
        """What there is now. Raises Unavailable when the named exporter does not answer."""
        try:
            snapshot = self._exporter.snapshot()
        except NoExporter as absent:
            if self._named is not None:
                raise absent.with_fix() from None
            snapshot = json.loads(json.dumps(snapshot_json(observe(self._config))))
            return Picture(snapshot, None, self._tz, str(absent))
        if time.monotonic() >= self._due_s:
            self._history = self._exporter.history(snapshot["at_wall"] - DAY_S)
            self._due_s = time.monotonic() + HISTORY_EVERY_S
        recent = None if self._history is None else histories(self._history, snapshot["at_wall"])
        return Picture(snapshot, recent, zone(snapshot["zone"]) if "zone" in snapshot else self._tz)


def zone(name: str) -> tzinfo:
    """A time zone by its name; UTC where this host does not know it."""
    try:
        return ZoneInfo(name)
    except (OSError, ValueError):
        return UTC


def render(page: Screen, picture: Picture, week: bool = False, brief: bool = False) -> list[str]:
    """Lines to print; `brief` leaves out a finding's other explanations and whom to ask first."""
    snapshot = picture.snapshot
    disks = snapshot["disks"]
    lines = [page.paint(one, Tone.TITLE) for one in paragraph(page, "", _head(picture))]
    lines += _nights(page, snapshot)
    lines.append("")
    shown: list[str] = []
    notes: list[str] = []
    if week and snapshot.get("week"):
        shown = weekly.lines(page, snapshot)
        notes = weekly.legend(snapshot, shown)
    elif disks:
        shown = [line for line in table(page, COLUMNS, _rows(picture)) if line]
        notes = _legend(picture, shown)
    lines += [*shown, *([] if brief else who.lines(page, snapshot))]
    notes += _notes(picture, week)
    if notes:
        lines.append("")
    for note in notes:
        lines += paragraph(page, "", note)
    for finding in _grouped(_judged(snapshot)):
        lines += ["", *_finding(page, finding, brief or week, picture)]
    return lines


def _head(picture: Picture) -> str:
    disks = picture.snapshot["disks"]
    moment = f"{local(picture.now, picture.tz):%a %d %b %H:%M}"
    if not disks:
        return f"{moment}  No rotating disk found."
    counts = {state: sum(disk["state"] == state for disk in disks) for state in COUNTED}
    each = ", ".join(f"{count} {STATES[state]}" for state, count in counts.items() if count)
    number = len(_grouped(_judged(picture.snapshot)))
    found = {0: "no findings", 1: "1 finding below"}.get(number, f"{number} findings below")
    plural = "disk" if len(disks) == 1 else "disks"
    return f"{moment}  {len(disks)} {plural}: {each}; {found}"


def _nights(page: Screen, snapshot: Json) -> list[str]:
    """A sentence a night, and the disks that slept too little, worst first."""
    names = {disk["disk"]: disk["kernel_name"] for disk in snapshot["disks"]}
    lines = []
    for night in snapshot.get("nights", ()):
        lines += paragraph(page, "", night["sentence"])
        for one in night["short"][:NAMES]:
            words = f"{names[one['disk']]} {one['share']}: {lower_first(one['cause'])}."
            lines += paragraph(page, "  ", words, Tone.BAD)
            lines += paragraph(page, "    ", f"First: {lower_first(one['remedy'])}.")
        if len(night["short"]) > NAMES:
            lines.append(f"  {len(night['short']) - NAMES} more")
        if night["hint"]:
            lines += paragraph(page, "", night["hint"])
    return lines


def _rows(picture: Picture) -> list[tuple[Cell, ...]]:
    rows = [_row(disk, picture) for disk in picture.snapshot["disks"]]
    if picture.histories is None:
        return rows
    hours = Cell(strips.ruler(picture.now, picture.tz))  # left out where strips have no room
    return [tuple(hours if one.title == LAST_DAY else Cell("") for one in COLUMNS), *rows]


def _row(disk: Json, picture: Picture) -> tuple[Cell, ...]:
    now_s = picture.snapshot["at_wall"]
    week = _week(disk, picture.snapshot)
    drawn = asleep = ""
    if picture.histories is not None:
        counted = _strip(disk, picture.histories, picture.now)
        drawn = strips.signs(counted)
        asleep = "-" if counted.asleep_ratio is None else f"{counted.asleep_ratio:.0%}"
    return (
        Cell(clean(f"{disk['kernel_name']} {disk['model']}")),
        _state(disk),
        Cell(_lasting(disk, now_s)),
        _today(disk, week),
        Cell(drawn),
        Cell(asleep),
        Cell(clean(disk["pool"])),
        _life(week),
    )


def _strip(disk: Json, recent: Histories, now: int) -> strip.Strip:
    return strip.strip(recent.get(disk["disk"], NO_HISTORY), strips.LAST_DAY, now)


def _state(disk: Json) -> Cell:
    state = str(disk["state"])
    word = STATES.get(state, state)
    if disk["condition"] and state == "idle":
        word = str(disk["condition"])
    tones = {"standby": Tone.ASLEEP, "unknown": Tone.UNKNOWN}
    return Cell(word, tones.get(state, Tone.PLAIN))


def _lasting(disk: Json, now_s: float) -> str:
    """Age of the state: idle since the last I/O; `>` where it began while unobserved."""
    since_s = disk["since_timestamp_seconds"]
    untouched_s = disk.get("untouched_since_timestamp_seconds")
    if disk["state"] == "idle" and untouched_s is not None and untouched_s >= since_s:
        return short_duration(now_s - untouched_s)
    least = "" if disk.get("since_seen", True) else LEAST
    return least + short_duration(now_s - since_s)


def _week(disk: Json, snapshot: Json) -> Json:
    """The exporter's summary of a disk; empty where no exporter answers."""
    weeks = snapshot.get("week", ())
    return next((week for week in weeks if week["disk"] == disk["disk"]), {})


def _today(disk: Json, week: Json) -> Cell:
    """Spin-ups of the last 24 hours, and the daily budget; marked when over a limit."""
    count = round(value(disk, "recent_cycles", window="1d") or 0)
    text = f"{count} of {disk['policy']['budget_per_day']:g}"
    return Cell(f"{text} !", Tone.BAD) if week.get("over_limit") else Cell(f"{text}  ")


def _life(week: Json) -> Cell:
    """Share used of the rated cycles that will be used up first."""
    used = week.get("life_used_ratio")
    return Cell(
        "" if used is None else f"{used:.0%}", Tone.BAD if used and used >= 1 else Tone.PLAIN
    )


def _legend(picture: Picture, shown: Sequence[str]) -> list[str]:
    """What the signs of the table mean, those that occur."""
    disks = picture.snapshot["disks"]
    words = []
    if LAST_DAY in shown[0] and picture.histories is not None:
        drawn = [strips.signs(_strip(disk, picture.histories, picture.now)) for disk in disks]
        words.append(strips.legend(drawn))
    if any(f" {LEAST}" in line for line in shown[1:]):
        words.append(f"{LEAST} at least: the state began while the disk was unobserved")
    return [*words, *weekly.over_limits(picture.snapshot)]


def _notes(picture: Picture, week: bool) -> list[str]:
    snapshot, live = picture.snapshot, not picture.no_exporter
    disks = snapshot["disks"]
    notes = []
    if live and disks and picture.histories is None and not week:
        notes.append("This exporter keeps no history, so the last 24 hours cannot be shown.")
    unknown: dict[str, list[str]] = {}
    for disk in disks:
        if disk["state"] == "unknown" and live:
            unknown.setdefault(disk["why"], []).append(disk["kernel_name"])
    notes += [
        f"{_named(names)}: state unknown: {why(reason)}." for reason, names in unknown.items()
    ]
    for absent in snapshot["exporter"].get("absent_since", ()):
        lasted = short_duration(snapshot["at_wall"] - absent["value"])
        notes.append(f"{absent['labels'].get('disk', '?')}: absent for {lasted}.")
    notes += _proposals(disks)
    if not week:
        notes += _lives(snapshot)
    if not live:
        notes.append(
            f"No exporter: {picture.no_exporter}. This is one sample of the kernel's counters, "
            "which do not show the power state. Start `spinledger serve`, or give --exporter URL."
        )
    return notes


def _lives(snapshot: Json) -> list[str]:
    """How much of the rated life is used, of the disks that have least of it left."""
    names = {disk["disk"]: clean(disk["kernel_name"]) for disk in snapshot["disks"]}
    rated = [week for week in snapshot.get("week", ()) if week["life_used_ratio"] is not None]
    rated.sort(key=lambda week: ((week["years_left"] or [math.inf])[0], -week["life_used_ratio"]))
    words = [
        f"Life of {names[week['disk']]}: {week['life_used_ratio']:.0%} of its rated "
        f"{week['life_kind']} used; {_left(week['life'])}."
        for week in rated[:NAMES]
    ]
    more = len(rated) - NAMES
    if more > 0:
        words.append(f"{more} more {'disk has' if more == 1 else 'disks have'} more rated life.")
    return [*words[:-1], f"{words[-1]} {CAUTION}"] if words else []


def _left(life: str) -> str:
    if life == "used up":
        return "the rating is used up"
    if life == "unknown":
        return "how long the rest will last is unknown"
    return f"at this pace the rest will last {life}"


def _proposals(disks: Sequence[Json]) -> list[str]:
    """A budget for each disk that has none of its own and was observed for two weeks."""
    proposed: dict[int, list[str]] = {}
    for disk in disks:
        observed = observed_s(disk)
        if disk["policy"]["budget_source"] == "default" and observed >= PROPOSE_AFTER_S:
            mean = (value(disk, "cycles", observed="yes") or 0) / (observed / DAY_S)
            budget = max(1, math.ceil(1.5 * mean))
            if budget < disk["policy"]["budget_per_day"]:
                proposed.setdefault(budget, []).append(disk["kernel_name"])
    return [
        f"{_named(names)}: the budget is the default; `budget_per_day: {budget}` would fit the "
        "spin-ups so far, and find a runaway sooner."
        for budget, names in sorted(proposed.items())
    ]


def _named(names: Sequence[str]) -> str:
    shown = ", ".join(names[:NAMES])
    return shown if len(names) <= NAMES else f"{shown} and {len(names) - NAMES} more"


def _judged(snapshot: Json) -> list[Json]:
    """Disks with findings or none, those that are gone last."""
    return [*snapshot["disks"], *snapshot.get("absent", ())]


def _grouped(disks: Sequence[Json]) -> list[list[tuple[str, Json]]]:
    """Findings that say the same of several disks, together: (kernel name, finding)."""
    groups: dict[tuple[str, str], list[tuple[str, Json]]] = {}
    for disk in disks:
        for finding in disk["findings"]:
            key = (finding["code"], finding["suggestion"])
            groups.setdefault(key, []).append((disk["kernel_name"], finding))
    return sorted(groups.values(), key=lambda group: _RANKS.index(group[0][1]["severity"]))


def _finding(
    page: Screen, group: Sequence[tuple[str, Json]], brief: bool, picture: Picture
) -> list[str]:
    names = _named([name for name, _ in group])
    first = group[0][1]
    lines = paragraph(page, "! ", f"{names}: {_stop(first['sentence'])}", Tone.BAD)
    begun = [one["since_timestamp_seconds"] for _, one in group if one["since_timestamp_seconds"]]
    if begun:
        began = since(wall_ns(min(begun)), picture.now, picture.tz)
        lines += paragraph(page, "  Since:     ", began)
    evidence: dict[str, list[str]] = {}
    for name, finding in group:
        evidence.setdefault(finding["evidence"], []).append(name)
    shown = 1 if brief else EVIDENCES
    for text, owners in list(evidence.items())[:shown]:
        whose = f"{_named(owners)}: " if len(evidence) > 1 else ""
        lines += paragraph(page, "  Evidence:  ", f"{whose}{_stop(text)}")
    if len(evidence) > shown:
        lines += paragraph(page, "  Evidence:  ", f"and {len(evidence) - shown} more.")
    lines += paragraph(page, "  Try:       ", _stop(first["suggestion"]))
    lines += paragraph(page, "  Cost:      ", _stop(first["caution"]))
    if not brief:
        if first.get("ask_first"):
            lines += paragraph(page, "  Ask first: ", _stop(first["ask_first"]))
        for other in first.get("innocent", ()):
            lines += paragraph(page, "  Or:        ", _stop(other))
    return lines


def _stop(text: str) -> str:
    return text if text.endswith(".") else f"{text}."
