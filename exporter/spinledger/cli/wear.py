"""`spinledger wear`: the drive's counters, their pace, and when a rating will be used up.

Rules: read only. The running exporter comes first, then the ledger file; `--readings` takes a
record kept elsewhere, a CSV with the columns `timestamp_seconds` and `count`, and needs neither. A
date is a prediction, so it stands with its interval, and what the record is too short for beside.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from spinledger.cli.arguments import DISK_HELP, add_config, configuration
from spinledger.cli.exporter import NoExporter, add_exporter, chosen, listening
from spinledger.cli.history import ledger_history
from spinledger.cli.traces import nanoseconds
from spinledger.config.settings import Config
from spinledger.errors import BadInput
from spinledger.model import DAY, Policy
from spinledger.store.history import History
from spinledger.wear.life import DriveCounters
from spinledger.wear.projection import LEAST_BLOCKS, LEAST_DAYS, Point, projection
from spinledger.wear.shown import SHOWN, projection_json, wear_json
from spinledger.words import number, percent

Json = dict[str, Any]
TIME, COUNT = "timestamp_seconds", "count"
KINDS = {"load": "head loads", "start_stop": "start-stop cycles"}
_HOURS = ("power_on_s", "spindle_s")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.epilog = (
        "A rating is a design figure of the maker and predicts no failure. Load and start-stop "
        "cycles are rated apart. Dates hold while the disk is used as it was in the last year at "
        "most; of ten records, nine reach the rating between the early and the late date."
    )
    add_config(parser)
    source = parser.add_mutually_exclusive_group()
    add_exporter(source)
    source.add_argument("--ledger", type=Path, metavar="FILE", help="read this ledger file")
    source.add_argument(
        "--readings",
        type=Path,
        metavar="FILE.csv",
        help=f"a record kept elsewhere, with the columns {TIME},{COUNT}; needs --rated",
    )
    parser.add_argument("--rated", metavar="N", help="with --readings: the rated number of cycles")
    parser.add_argument("--disk", metavar="NAME", help=DISK_HELP)
    parser.add_argument("--json", action="store_true", help="print JSON")


def run(arguments: argparse.Namespace) -> int:
    """Print the wear of disks, or of one record."""
    if arguments.readings is not None:
        return _record(arguments)
    if arguments.rated is not None:
        fix = "give --readings, or configure `rated: {load: N, start_stop: N}`"
        raise BadInput("--rated", "is for a record kept elsewhere", fix)
    disks = _disks(arguments, configuration(arguments))
    if arguments.json:
        print(json.dumps({"disks": disks}, indent=1, allow_nan=False))
    else:
        print("\n".join(line for disk in disks for line in table(disk)) or "No disk is known.")
    return 0


# A record kept elsewhere


def _record(arguments: argparse.Namespace) -> int:
    if arguments.disk is not None:
        raise BadInput("--disk", "a file of readings is of one disk", "leave out --disk")
    rated = _rated(arguments.rated)
    points = readings(arguments.readings)
    ends = projection(points, rated, points[-1][0])
    if ends is None:
        days = (points[-1][0] - points[0][0]) / DAY
        what = f"{len(points)} readings in {days:.1f} days are too few for a projection"
        fix = f"give at least {LEAST_BLOCKS + 1} readings over at least {LEAST_DAYS} days"
        raise BadInput(str(arguments.readings), what, fix)
    count = points[-1][1]
    found = {
        "count": count,
        "rated_cycles": rated,
        "used_ratio": count / rated,
        **projection_json(ends),
    }
    if arguments.json:
        print(json.dumps(found, indent=1, allow_nan=False))
    else:
        print("\n".join(_rating({**found, "kind": "", "rated_by": ""})))
    return 0


def _rated(text: str | None) -> int:
    fix = "give the maker's rating, such as --rated 600000"
    if text is None:
        raise BadInput("--rated", "is missing", fix)
    if not text.isascii() or not text.isdigit() or not 0 < int(text) < 1 << 53:
        raise BadInput("--rated", f"{text[:40]!a} is not a number of cycles above 0", fix)
    return int(text)


def readings(path: Path) -> list[Point]:
    """The points of a file, in order. Raises BadInput with file and line."""
    points: list[Point] = []
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file)
            places = _places(next(reader, []), path)
            for row in filter(None, reader):
                where = f"{path}:{reader.line_num}"
                point = _point(row, places, where)
                if points and point[0] <= points[-1][0]:
                    what = f"{TIME} is not later than in the row before"
                    raise BadInput(where, what, f"sort the rows by {TIME}, one reading a time")
                if points and point[1] < points[-1][1]:
                    what = f"{COUNT} falls from {points[-1][1]} to {point[1]}"
                    raise BadInput(where, what, "leave out what another drive or a wrap counted")
                points.append(point)
    except OSError as error:
        what = f"cannot be read: {error.strerror}"
        raise BadInput(str(path), what, "name a CSV file that can be read") from None
    except UnicodeDecodeError:
        raise BadInput(str(path), "is not UTF-8", "save it as UTF-8") from None
    except csv.Error as error:
        raise BadInput(str(path), f"is not CSV: {error}", "write plain CSV") from None
    if not points:
        raise BadInput(str(path), "has no readings", f"write rows of {TIME},{COUNT}")
    return points


def _places(header: list[str], path: Path) -> tuple[int, int]:
    names = [name.strip().lower() for name in header]
    for column in (TIME, COUNT):
        if names.count(column) != 1:
            what = f"{names.count(column) or 'no'} column{'s' if column in names else ''} {column}"
            raise BadInput(f"{path}:1", what, f"write the header {TIME},{COUNT}")
    return names.index(TIME), names.index(COUNT)


def _point(row: list[str], places: tuple[int, int], where: str) -> Point:
    if len(row) <= max(places):
        raise BadInput(where, "the row is too short", f"write {TIME},{COUNT}")
    at, count = (row[place].strip() for place in places)
    try:
        at_ns = nanoseconds(at)
    except ValueError as error:
        raise BadInput(where, str(error), "write Unix time in decimal seconds") from None
    if not count.isascii() or not count.isdigit() or len(count) > 15:
        what = f"{COUNT} {count[:40]!a} is not a whole number"
        raise BadInput(where, what, "write the count as digits")
    return at_ns, int(count)


# This machine's disks


def _disks(arguments: argparse.Namespace, config: Config) -> list[Json]:
    if arguments.ledger is not None:
        return _of_ledger(arguments.ledger, config, arguments.disk)
    exporter = arguments.exporter or listening(config.listen, config.tls_and_users)
    try:
        snapshot = exporter.snapshot()
    except NoExporter as absent:
        if arguments.exporter:
            raise absent.with_fix() from None
        if not os.access(config.ledger_path, os.R_OK):
            what = f"no ledger that you may read, and no exporter: {absent}"
            fix = "start `spinledger serve`, or give --exporter URL, --ledger or --readings FILE"
            raise BadInput(str(config.ledger_path), what, fix) from None
        return _of_ledger(config.ledger_path, config, arguments.disk)
    found = snapshot["disks"]
    if arguments.disk is not None:
        found = [chosen(found, arguments.disk)]
    keys = ("disk", "kernel_name", "model", "serial")
    return [{**{key: one.get(key) for key in keys}, **one.get("wear", {})} for one in found]


def _of_ledger(path: Path, config: Config, name: str | None) -> list[Json]:
    history = ledger_history(path)
    named = history.disks() if name is None else [history.identity(name)]
    return [_of_disk(history, identity, config) for identity in named]


def _of_disk(history: History, identity: str, config: Config) -> Json:
    disk = history.disk(identity)
    policy = config.policy_for(disk) if disk else Policy()
    fold = DriveCounters()
    for day in history.days(identity):
        if day.reading is not None:
            fold.step(day.reading, policy)
    return {
        "disk": identity,
        "kernel_name": disk.kernel_name if disk else None,
        "model": disk.model if disk else None,
        "serial": disk.serial if disk else None,
        **wear_json(fold.worn, fold.wall_ns, fold.rated(policy)),
    }


# For people


def table(disk: Json) -> Iterator[str]:
    """Lines of one disk."""
    names = (disk["kernel_name"], disk["model"], disk["serial"])
    yield f"{disk['disk']}  ({', '.join(filter(None, names))})"
    counters = disk.get("counters") or {}
    doubtful = disk.get("doubtful") or {}
    for name, both in doubtful.items():
        yield f"  {SHOWN[name]}: doubtful, {' or '.join(map(number, both))}"
    if not counters and not doubtful:
        yield "  The drive's counters have not been read."
        yield ""
        return
    read = disk["read_timestamp_seconds"]
    when = f", read {_day(read)}" if read else ""
    shown = (_counter(name, words, counters) for name, words in SHOWN.items() if name in counters)
    if counters:
        yield f"  {'; '.join(shown)}{when}"
    ratings = disk.get("ratings") or []
    for rating in ratings:
        yield from (f"  {line}" for line in _rating(rating))
    if not ratings:
        yield "  No rating is known: configure `rated: {load: N, start_stop: N}` for a projection."
    yield ""


def _counter(name: str, words: str, counters: Json) -> str:
    if name in _HOURS:
        return f"{words} {number(counters[name] // 3600)} h"
    return f"{words} {number(counters[name])}"


def _rating(one: Json) -> Iterator[str]:
    """Share used, pace and dates of one rating."""
    kind = KINDS.get(one["kind"], "cycles")
    by = f" ({one['rated_by']})" if one["rated_by"] else ""
    count = "an unknown number" if one["count"] is None else number(one["count"])
    used = "" if one["used_ratio"] is None else f": {percent(one['used_ratio'])} used"
    yield f"{kind}: {count} of {number(one['rated_cycles'])} rated{by}{used}"
    if one["cycles_per_day"] is None:
        yield f"  no projection: it needs {LEAST_DAYS} days of readings"
        return
    yield f"  {number(round(one['cycles_per_day'], 1))} a day, the mean of the last year at most"
    early, middle, late = (one[f"{end}_timestamp_seconds"] for end in ("early", "middle", "late"))
    if one["used_ratio"] is not None and one["used_ratio"] >= 1:
        yield "  the rating is used up"
    elif early is None:
        yield "  the rating is not used up within a century"
    else:
        ends = f"between {_day(early)} and {_day(late)}" if late else f"on {_day(early)} or later"
        most = f", most likely around {_day(middle)}" if middle else ""
        yield f"  used up {ends} (90 % prediction interval){most}"
        if one["too_short_for"]:
            yield f"  the record is too short to show {one['too_short_for']}"


def _day(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).date().isoformat()
