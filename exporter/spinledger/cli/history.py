"""`spinledger history`: the books, from the running exporter, else from the ledger file.

Rules: the exporter is asked first, since it knows what is not in the file yet; the file is read by
a connection that cannot write. A table of days is for people; CSV, JSON and OpenMetrics are whole
or not there: a file is written beside its name and put in place at the end.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from spinledger.cli.arguments import add_config
from spinledger.config.load import load
from spinledger.config.settings import Config
from spinledger.errors import BadInput, Unavailable
from spinledger.store import export
from spinledger.store.history import History, read

Json = dict[str, Any]

TIMEOUT_S = 30.0
PART_BYTES = 65_536
BAR = 30  # characters
SILENT_S = 0.5  # a shorter wait needs no bar


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    add_config(parser)
    parser.add_argument("--disk", metavar="ID", help="one disk, as the label `disk` names it")
    parser.add_argument("--since", metavar="T", help="2026-01-31, 2026-01-31T22:00, or 7d")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--csv", action="store_true", help="spans as CSV")
    form.add_argument("--json", action="store_true", help="spans, cycles and days as JSON")
    form.add_argument(
        "--openmetrics", type=Path, metavar="FILE", help="write series with timestamps to a file"
    )


def run(arguments: argparse.Namespace) -> int:
    """Print or write the books."""
    config = load(arguments.config)
    form = "openmetrics" if arguments.openmetrics else "csv" if arguments.csv else "json"
    parts = history(config, arguments.disk, arguments.since, form)
    if arguments.openmetrics:
        _write(arguments.openmetrics, parts)
    elif arguments.csv or arguments.json:
        for part in parts:
            sys.stdout.write(part.decode("utf-8"))
    else:
        print("\n".join(table(json.loads(b"".join(parts)))))
    return 0


def history(config: Config, disk: str | None, since: str | None, form: str) -> Iterator[bytes]:
    """The books in a form (csv, json, openmetrics). Raises BadInput or Unavailable."""
    asked = {"disk": disk, "since": since, "format": form}
    params = {name: value for name, value in asked.items() if value}
    running = _running(config.listen, params)
    if running is not None:
        return running
    now_ns = time.time_ns()
    if since:
        export.since_ns(since, now_ns)
    books = _books(config.ledger_path)
    question = export.asked(books, disk, since, now_ns)
    write = {"csv": export.csv_of, "openmetrics": export.openmetrics_of}
    bar = Bar()
    return _encoded(write.get(form, export.json_of)(books, question, bar.show), bar)


def _books(path: Path) -> History:
    fix = "start `spinledger serve`, or name its configuration with --config"
    try:
        if not path.exists():
            raise BadInput(str(path), "there is no ledger, and no exporter answers", fix)
        return read(path)
    except (Unavailable, OSError) as refused:
        raise BadInput(str(path), f"cannot be read ({refused})", fix) from None


def _running(listen: tuple[str, int], params: dict[str, str]) -> Iterator[bytes] | None:
    """The body of GET /history; None when no exporter answers, or one that has no books."""
    host, port = listen
    connection = http.client.HTTPConnection(
        "127.0.0.1" if host in ("", "0.0.0.0", "::") else host, port, timeout=TIMEOUT_S
    )
    try:
        connection.request("GET", f"/history?{urlencode(params)}")
        answer = connection.getresponse()
        if answer.status == 200:
            return _body(connection, answer)
        text = answer.read(1000).decode("utf-8", "replace").strip()
    except (OSError, http.client.HTTPException):
        connection.close()
        return None
    connection.close()
    if answer.status == 404:
        return None
    raise Unavailable("history_refused", f"the exporter answers: {text}")


def _body(
    connection: http.client.HTTPConnection, answer: http.client.HTTPResponse
) -> Iterator[bytes]:
    try:
        while part := answer.read(PART_BYTES):
            yield part
    except (OSError, http.client.HTTPException) as broken:
        raise Unavailable("history_cut", f"the exporter's answer broke off: {broken}") from None
    finally:
        connection.close()


def _encoded(parts: Iterable[str], bar: Bar) -> Iterator[bytes]:
    try:
        for part in parts:
            yield part.encode("utf-8")
    finally:
        bar.end()


def _write(path: Path, parts: Iterable[bytes]) -> None:
    partial = path.with_name(path.name + ".partial")
    try:
        with partial.open("wb") as file:
            file.writelines(parts)
        os.replace(partial, path)
    except OSError as refused:
        with suppress(OSError):
            partial.unlink()
        fix = "give a file in a folder you may write to"
        raise BadInput(f"--openmetrics {path}", str(refused.strerror), fix) from None


class Bar:
    """A progress bar on a terminal's standard error, once it takes long; nothing elsewhere."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._began = clock()
        self._shown = -1

    def show(self, share: float) -> None:
        """Draw the part that is done, 0 to 1."""
        filled = int(share * BAR)
        if filled == self._shown or self._clock() - self._began < SILENT_S:
            return
        if sys.stderr.isatty():
            self._shown = filled
            bar = "#" * filled + "." * (BAR - filled)
            print(f"\rreading [{bar}] {share:4.0%}", end="", file=sys.stderr, flush=True)

    def end(self) -> None:
        """Take it away."""
        if self._shown >= 0:
            self._shown = -1
            print(f"\r{' ' * (BAR + 16)}\r", end="", file=sys.stderr, flush=True)


def table(given: Json) -> list[str]:
    """Days as lines for a person: hours by state, and spin-ups."""
    if not given["days"]:
        return ["Nothing is booked for that time."]
    lines = [
        f"{'DISK':26} {'DAY':10} {'ASLEEP':>7} {'SPINNING':>8} {'ACTIVE':>7} {'UNSEEN':>7} "
        f"{'SPIN-UPS':>8}"
    ]
    before = None
    for day in given["days"]:
        name = "" if day["disk"] == before else day["disk"]
        before = day["disk"]
        unseen = day["unknown_seconds"] + day["unobserved_seconds"]
        lines.append(
            f"{name:26} {day['date']:10} {_hours(day['standby_seconds']):>7} "
            f"{_hours(day['spinning_seconds']):>8} {_hours(day['active_seconds']):>7} "
            f"{_hours(unseen):>7} {day['cycles']:8}"
        )
    return lines


def _hours(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60}h{minutes % 60:02}"
