"""`spinledger history`: recorded spans, spin-ups and days, from the exporter or the ledger file.

Rules: the exporter comes first, since it knows what is not in the file yet; the file is read by a
connection that cannot write. A table of days is for people; CSV, JSON and OpenMetrics are whole or
not there: a file is written beside its name and put in place at the end.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from spinledger.cli.arguments import DISK_HELP, add_config, configuration, ledger_file
from spinledger.cli.bar import Bar
from spinledger.cli.exporter import NoExporter, add_exporter, listening
from spinledger.cli.screen import clean
from spinledger.errors import BadInput, Unavailable
from spinledger.model import SECOND
from spinledger.store import export
from spinledger.store.history import History, read
from spinledger.store.plain import FIX, partial, refuse_disk
from spinledger.wakers import sentence
from spinledger.web.snapshot_json import Json
from spinledger.words import hours_minutes

NEWEST = 20  # spin-ups listed


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.epilog = (
        "A standby span of no length is a sleep that a probe found and that ended before the next "
        "sample. JSON has the gaps between I/O requests, too: what `replay --ledger` calculates "
        "with; of the last one, which is still open, `ended` is null."
    )
    add_config(parser)
    source = parser.add_mutually_exclusive_group()
    add_exporter(source)
    source.add_argument("--ledger", type=Path, metavar="FILE", help="read this ledger file")
    parser.add_argument("--disk", metavar="NAME", help=DISK_HELP)
    parser.add_argument(
        "--since", metavar="T", help="2026-01-31, 2026-01-31T22:00, or a duration before now: 7d"
    )
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--csv", action="store_true", help="print spans as CSV")
    form.add_argument("--json", action="store_true", help="print spans, cycles, days, gaps as JSON")
    form.add_argument(
        "--openmetrics", type=Path, metavar="FILE", help="write series with timestamps to a file"
    )


def run(arguments: argparse.Namespace) -> int:
    """Print or write the history."""
    if arguments.openmetrics:
        refuse_disk("--openmetrics", arguments.openmetrics)
    form = "openmetrics" if arguments.openmetrics else "csv" if arguments.csv else "json"
    parts = _parts(arguments, form)
    if arguments.openmetrics:
        _write(arguments.openmetrics, parts)
    elif arguments.csv or arguments.json:
        for part in parts:
            sys.stdout.write(part.decode("utf-8"))
    else:
        history = json.loads(b"".join(parts))
        print("\n".join([*table(history), *spin_ups(history)]))
    return 0


def _parts(arguments: argparse.Namespace, form: str) -> Iterator[bytes]:
    """The history in a form (csv, json, openmetrics). Raises BadInput or Unavailable."""
    if arguments.ledger:
        return _from_file(arguments.ledger, arguments, form)
    config = configuration(arguments)
    query = {"disk": arguments.disk, "since": arguments.since, "format": form}
    exporter = arguments.exporter or listening(config.listen, config.tls_and_users)
    try:
        parts = exporter.history_parts({name: text for name, text in query.items() if text})
        why = f"{exporter.url}: this exporter keeps no history"
    except NoExporter as absent:
        if arguments.exporter:
            raise absent.with_fix() from None
        parts, why = None, str(absent)
    if parts is not None:
        return parts
    if arguments.exporter:
        raise Unavailable("no_history", why)
    if not os.access(config.ledger_path, os.R_OK):
        what = f"no ledger that you may read, and no exporter: {why}"
        fix = "start `spinledger serve`, or give --exporter URL or --ledger FILE"
        raise BadInput(str(config.ledger_path), what, fix)
    return _from_file(config.ledger_path, arguments, form)


def _from_file(path: Path, arguments: argparse.Namespace, form: str) -> Iterator[bytes]:
    now_ns = time.time_ns()
    if arguments.since:
        export.since_ns(arguments.since, now_ns)
    history = ledger_history(path)
    query = export.query_of(history, arguments.disk, arguments.since, now_ns)
    write = {"csv": export.csv_of, "openmetrics": export.openmetrics_of}.get(form, export.json_of)
    bar = Bar("reading")
    return _encoded(write(history, query, bar.show), bar)


def ledger_history(path: Path) -> History:
    """What a ledger file holds. Raises BadInput."""
    try:
        return read(ledger_file(path))
    except (Unavailable, OSError) as refused:
        raise BadInput(str(path), f"cannot be read ({refused})", "name a ledger file") from None


def _encoded(parts: Iterable[str], bar: Bar) -> Iterator[bytes]:
    try:
        for part in parts:
            yield part.encode("utf-8")
    finally:
        bar.end()


def _write(path: Path, parts: Iterable[bytes]) -> None:
    first = partial(path)
    try:
        with first.open("wb") as file:
            file.writelines(parts)
        os.replace(first, path)
    except OSError as refused:
        with suppress(OSError):
            first.unlink()
        raise BadInput(f"--openmetrics {path}", str(refused.strerror), FIX) from None


def table(history: Json) -> list[str]:
    """Days as lines for a person: hours by state, and spin-ups."""
    if not history["days"]:
        return ["Nothing is recorded for that time."]
    lines = [
        f"{'DISK AND DAY':16} {'ASLEEP':>7} {'SPINNING':>9} {'ACTIVE':>7} {'UNKNOWN':>8} "
        f"{'UNOBSERVED':>11} {'SPIN-UPS':>9}"
    ]
    before = None
    for day in history["days"]:
        if day["disk"] != before:
            lines.append(day["disk"])
        before = day["disk"]
        asleep, spinning, active, unknown, unobserved = (
            hours_minutes(day[f"{state}_seconds"])
            for state in ("standby", "spinning", "active", "unknown", "unobserved")
        )
        lines.append(
            f"  {day['date']:14} {asleep:>7} {spinning:>9} {active:>7} {unknown:>8} "
            f"{unobserved:>11} {day['cycles']:9}"
        )
    return lines


def spin_ups(history: Json) -> list[str]:
    """The newest spin-ups, each with cause, who, where and wait as far as these are known."""
    cycles = sorted(history["cycles"], key=lambda one: (-one["at"], one["disk"]))
    if not cycles:
        return []
    shown = cycles[:NEWEST]
    width = max(len(one["disk"]) for one in shown)
    more = ""
    if len(cycles) > NEWEST:
        more = f" (the newest {NEWEST} of {len(cycles)}; --json has all)"
    lines = ["", f"SPIN-UPS{more}"]
    for one in shown:
        at = datetime.fromtimestamp(one["at"]).strftime("%Y-%m-%d %H:%M:%S")
        wait_s = one["wait_seconds"]
        wait_ns = None if wait_s is None else round(wait_s * SECOND)
        given = (one["cause"] or "", one["actor"] or "", one["place"] or "")
        words = sentence(*given, wait_ns) if one["observed"] else "from the drive's counter"
        lines.append(clean(f"  {at}  {one['disk']:{width}}  {words}").rstrip())
    return lines
