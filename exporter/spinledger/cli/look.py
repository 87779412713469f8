"""`spinledger look`: one view for a person.

Rules: the running exporter is asked, for its snapshot and for the books of the last day or week;
the ledger file is never opened here, since it may lie on a sleeping disk. Everything shown fits the
terminal's width where names allow it.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import time
from collections.abc import Sequence
from datetime import tzinfo
from typing import Any

from spinledger.cli import lastday, lifetimes, screen, weekly
from spinledger.cli.arguments import add_config
from spinledger.cli.screen import Cell, Column, Screen, Tone, clean, paragraph, table
from spinledger.cli.snapshots import Json, books, picture, value
from spinledger.config.load import load
from spinledger.config.settings import Config

WATCH_EVERY_S = 2.0
BOOKS_EVERY_S = 60.0
LAST_DAY = "LAST 24 H, TO NOW"
LEAST = ">"
NAMES = 6  # disks named in one finding
EVIDENCES = 3  # told of one finding
PROPOSE_AFTER_S = 14 * lastday.DAY_S

COLUMNS = (
    Column("DISK", 32, elastic=True),
    Column("STATE", 11),
    Column("FOR", 7, right=True),
    Column("WAKES/BUDGET", 14, rank=1, right=True),
    Column(LAST_DAY, 24, rank=2),
    Column("ASLEEP", 6, rank=3, right=True),
    Column("POOL", 14, rank=4, elastic=True),
    Column("LIFE USED", 9, rank=5, right=True),
)
WORDS = {"standby": "asleep", "active": "in use", "idle": "idle", "unknown": "not known"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    add_config(parser)
    parser.add_argument("--week", action="store_true", help="the week: one line a disk")
    parser.add_argument("--json", action="store_true", help="JSON instead of words")
    parser.add_argument("--watch", action="store_true", help="again every 2 s, until Ctrl-C")


def run(arguments: argparse.Namespace) -> int:
    """Print the view; 1 when there are findings."""
    config = load(arguments.config)
    source = Source(config, weekly.WEEK_S if arguments.week else lastday.DAY_S)
    found = False
    try:
        while True:
            found = _show(arguments, source)
            if not arguments.watch:
                break
            time.sleep(WATCH_EVERY_S)
    except KeyboardInterrupt:
        if not arguments.watch:
            raise
    return int(found)


def _show(arguments: argparse.Namespace, source: Source) -> bool:
    """One picture; True when there are findings in it."""
    given, live, recorded = source.read()
    if arguments.json:
        shown: Json = {**given, "from_exporter": live}
        if arguments.week:
            shown["week"] = [week.json() for week in weekly.weeks(given, recorded)]
        sys.stdout.write(json.dumps(shown, indent=1) + "\n")
    else:
        page = screen.of_terminal(os.environ)
        lines = render(page, given, live, recorded, arguments.week, arguments.watch)
        if arguments.watch and sys.stdout.isatty():
            screen.animate(page, lines, sys.stdout.write)
        else:
            sys.stdout.write("\n".join(lines) + "\n")
    sys.stdout.flush()
    return any(disk["findings"] for disk in given["disks"])


class Source:
    """The snapshot, and the books of so many seconds before it, these once a minute at most."""

    def __init__(self, config: Config, span_s: float) -> None:
        self._config = config
        self._span_s = span_s
        self._recorded: Json | None = None
        self._due_s = -math.inf

    def read(self) -> tuple[Json, bool, Json | None]:
        """The snapshot, whether it is the running exporter's, and the books if there are any."""
        given, live = picture(self._config)
        if not live:
            self._recorded = None
        elif time.monotonic() >= self._due_s:
            self._recorded = books(self._config.listen, given["at_wall"] - self._span_s)
            self._due_s = time.monotonic() + BOOKS_EVERY_S
        return given, live, self._recorded


def render(
    page: Screen,
    given: Json,
    live: bool,
    recorded: Json | None = None,
    week: bool = False,
    brief: bool = False,
    zone: tzinfo | None = None,
) -> list[str]:
    """The view as lines; `brief` leaves out what a finding says beyond what to do."""
    disks = given["disks"]
    lines = [page.paint(one, Tone.TITLE) for one in paragraph(page, "", _head(given, zone))]
    lines.append("")
    shown = []
    if disks and week:
        shown = weekly.lines(page, weekly.weeks(given, recorded, zone))
    elif disks:
        shown = [line for line in table(page, COLUMNS, _rows(given, recorded, zone)) if line]
    lines += shown
    notes = [*_legend(shown, week), *_notes(given, live, recorded, week)]
    if notes:
        lines.append("")
    for note in notes:
        lines += paragraph(page, "", note)
    for finding in _grouped(disks):
        lines += ["", *_finding(page, finding, brief or week)]
    return lines


def _head(given: Json, zone: tzinfo | None) -> str:
    disks = given["disks"]
    moment = f"{lastday.local(given['at_wall'], zone):%a %d %b %H:%M}"
    if not disks:
        return f"{moment}  No rotating disk is watched."
    counts = {state: sum(disk["state"] == state for disk in disks) for state in WORDS}
    each = ", ".join(f"{count} {WORDS[state]}" for state, count in counts.items() if count)
    number = len(_grouped(disks))
    found = {0: "nothing found wrong", 1: "1 finding below"}.get(number, f"{number} findings below")
    plural = "disk" if len(disks) == 1 else "disks"
    return f"{moment}  {len(disks)} {plural}: {each}; {found}"


def _rows(given: Json, recorded: Json | None, zone: tzinfo | None) -> list[tuple[Cell, ...]]:
    now_s = given["at_wall"]
    entries = lastday.by_disk(recorded)
    rows = [_row(disk, now_s, entries) for disk in given["disks"]]
    if entries is None:
        return rows
    hours = Cell(lastday.ruler(now_s, zone))  # an empty line where the strips have no room
    return [tuple(hours if one.title == LAST_DAY else Cell("") for one in COLUMNS), *rows]


def _row(
    disk: Json, now_s: float, entries: dict[str, tuple[list[Any], list[Any]]] | None
) -> tuple[Cell, ...]:
    strip = asleep = ""
    if entries is not None:
        spans, cycles = entries.get(disk["disk"], ([], []))
        strip = lastday.strip(spans, cycles, now_s)
        share = lastday.slept(spans, now_s - lastday.DAY_S, now_s, least=0)
        asleep = "-" if share is None else f"{share:.0%}"
    return (
        Cell(clean(f"{disk['kernel_name']} {disk['model']}")),
        _state(disk),
        Cell(_lasting(disk, now_s)),
        _today(disk),
        Cell(strip),
        Cell(asleep),
        Cell(clean(disk["pool"])),
        _life(disk),
    )


def _state(disk: Json) -> Cell:
    state = str(disk["state"])
    word = WORDS.get(state, state)
    if disk["condition"] and state == "idle":
        word = str(disk["condition"])
    tones = {"standby": Tone.ASLEEP, "unknown": Tone.DOUBT}
    return Cell(word, tones.get(state, Tone.PLAIN))


def _lasting(disk: Json, now_s: float) -> str:
    """How long it has been so: idle since the last touch; `>` where it was so before we looked."""
    since_s = disk["since_timestamp_seconds"]
    untouched_s = disk.get("untouched_since_timestamp_seconds")
    if disk["state"] == "idle" and untouched_s is not None and untouched_s >= since_s:
        return span_text(now_s - untouched_s)
    least = "" if disk.get("since_seen", True) else LEAST
    return least + span_text(now_s - since_s)


def _today(disk: Json) -> Cell:
    """Spin-ups of the last 24 hours against the daily budget; marked where chance is ruled out."""
    count = round(value(disk, "recent_cycles", window="1d") or 0)
    used = value(disk, "cycle_limit_used_ratio", window="1d") or 0
    text = f"{count}/{disk['policy']['budget_per_day']:g}"
    return Cell(f"{text} !", Tone.BAD) if used >= 1 else Cell(f"{text}  ")


def _life(disk: Json) -> Cell:
    samples = disk["samples"].get("rated_life_used_ratio", ())
    used = max((one["value"] for one in samples if one["value"] is not None), default=None)
    return Cell(
        "" if used is None else f"{used:.0%}", Tone.BAD if used and used >= 1 else Tone.PLAIN
    )


def _legend(shown: Sequence[str], week: bool) -> list[str]:
    """What the signs of the table mean, those that are there."""
    words = []
    if week and any(weekly.WOKEN in line for line in shown[:1]):
        words.append("Wakes: a day, of the budget; by local hour in seven days, + for ten or more.")
    if not week and any(LAST_DAY in line for line in shown[:1]):
        words.append(lastday.LEGEND)
    if not week and any(f" {LEAST}" in line for line in shown[1:]):
        words.append(f"{LEAST} at least: it was so already when watching began.")
    if any(" !" in line for line in shown[1:]):
        words.append("! not what its owner wants")
    return words


def _notes(given: Json, live: bool, recorded: Json | None, week: bool) -> list[str]:
    disks = given["disks"]
    notes = []
    if live and disks and recorded is None:
        what = "when disks were woken" if week else "the last 24 hours"
        notes.append(f"This exporter tells no history, so {what} cannot be shown.")
    unknown: dict[str, list[str]] = {}
    for disk in disks:
        if disk["state"] == "unknown" and live:
            unknown.setdefault(disk["why"], []).append(disk["kernel_name"])
    notes += [f"{_named(names)}: not known: {why}." for why, names in unknown.items()]
    for absent in given["exporter"].get("absent_since", ()):
        lasted = span_text(given["at_wall"] - absent["value"])
        notes.append(f"{absent['labels'].get('disk', '?')}: not here since {lasted} ago.")
    notes += _proposals(disks)
    if not week:
        notes += lifetimes.sentences(disks, given["at_wall"])
    if not live:
        notes.append(
            "No exporter answers: this is one look at the kernel's counters, and a power state "
            "cannot be seen in those. `spinledger serve` watches."
        )
    return notes


def _proposals(disks: Sequence[Json]) -> list[str]:
    """A budget for each disk that has none of its own and has been watched for two weeks."""
    wanting: dict[int, list[str]] = {}
    for disk in disks:
        samples = disk["samples"].get("state_seconds", ())
        watched = sum(one["value"] for one in samples if one["labels"]["state"] != "unobserved")
        if disk["policy"]["budget_source"] == "default" and watched >= PROPOSE_AFTER_S:
            mean = (value(disk, "cycles", observed="yes") or 0) / (watched / lastday.DAY_S)
            budget = max(1, math.ceil(1.5 * mean))
            if budget < disk["policy"]["budget_per_day"]:
                wanting.setdefault(budget, []).append(disk["kernel_name"])
    return [
        f"{_named(names)}: no budget is set; `budget_per_day: {budget}` would suit the spin-ups so "
        "far, and notice a runaway sooner."
        for budget, names in sorted(wanting.items())
    ]


def _named(names: Sequence[str]) -> str:
    shown = ", ".join(names[:NAMES])
    return shown if len(names) <= NAMES else f"{shown} and {len(names) - NAMES} more"


def _grouped(disks: Sequence[Json]) -> list[list[tuple[str, Json]]]:
    """Findings that say the same of several disks, together: (kernel name, finding)."""
    groups: dict[tuple[str, str], list[tuple[str, Json]]] = {}
    for disk in disks:
        for finding in disk["findings"]:
            key = (finding["code"], finding["suggestion"])
            groups.setdefault(key, []).append((disk["kernel_name"], finding))
    return list(groups.values())


def _finding(page: Screen, group: Sequence[tuple[str, Json]], brief: bool) -> list[str]:
    names = _named([name for name, _ in group])
    first = group[0][1]
    lines = paragraph(page, "! ", f"{names}: {_stop(first['sentence'])}", Tone.BAD)
    evidence: dict[str, list[str]] = {}
    for name, finding in group:
        evidence.setdefault(finding["evidence"], []).append(name)
    shown = 1 if brief else EVIDENCES
    for text, owners in list(evidence.items())[:shown]:
        whose = f"{_named(owners)}: " if len(evidence) > 1 else ""
        lines += paragraph(page, "  Seen: ", f"{whose}{_stop(text)}")
    if len(evidence) > shown:
        lines += paragraph(page, "  Seen: ", f"and {len(evidence) - shown} more alike.")
    lines += paragraph(page, "  Try:  ", _stop(first["suggestion"]))
    lines += paragraph(page, "  Mind: ", _stop(first["caution"]))
    if not brief:
        if first.get("ask_first"):
            lines += paragraph(page, "  Ask:  ", f"{first['ask_first']}, first.")
        for other in first.get("innocent", ()):
            lines += paragraph(page, "  Else: ", _stop(other))
    return lines


def _stop(text: str) -> str:
    return text if text.endswith(".") else f"{text}."


def span_text(seconds: float) -> str:
    """A length of time in at most seven characters: 45s, 12m, 3h05, 4d02h."""
    whole = max(0, int(seconds))
    if whole < 60:
        return f"{whole}s"
    minutes = whole // 60
    if minutes < 60:
        return f"{minutes}m"
    hours = minutes // 60
    if hours < 24:
        return f"{hours}h{minutes % 60:02}"
    return f"{hours // 24}d{hours % 24:02}h"
