"""`spinledger capture`: which program does I/O on which disk, as a trace for `spinledger replay`.

Rules:
- Runs for the given time only. Nothing is sent to a drive; the kernel counts, and the counts are
  read once a second. A row says that an actor did at least one I/O in that second; its time is the
  middle of it. Rows whose `op` is begin or end bound the observation.
- A trace that goes to a file is kept in memory and written in large pieces, so that writing it
  does not itself keep a disk awake. A pipe or terminal gets each row at once.
- One file for all disks: with several there is a fourth column, `disk`, and replay takes --disk.
"""

from __future__ import annotations

import argparse
import csv
import io
import os
import stat
import sys
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from spinledger import words
from spinledger.app.capture import Row, capture, chosen, held_signals
from spinledger.cli.arguments import DISK_HELP, add_config, configuration, positive_length
from spinledger.cli.bar import Bar
from spinledger.errors import BadInput
from spinledger.model import SECOND
from spinledger.store.plain import refuse_disk
from spinledger.whatif.trace import BEGIN, END

COLUMNS = ["timestamp_seconds", "op", "actor"]
DISK_COLUMN = "disk"
PIECE = 4 << 20  # characters kept before a file is written to
_SECTORS_A_MIB = 2048
_MOST_LINES = 20  # of the summary


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.epilog = (
        "Needs root and tracefs. A row says that an actor did at least one I/O in one second; its "
        "time is the middle of that second, so gaps between rows are true to a second. Buffered "
        "writes are done later by the kernel, under the name kworker or that of a journal. "
        "Programs of the same name are one actor. Ctrl-C ends the capture and keeps the rows."
    )
    add_config(parser)
    parser.add_argument(
        "--for",
        dest="for_ns",
        required=True,
        type=positive_length,
        metavar="DURATION",
        help="such as 8h",
    )
    parser.add_argument(
        "--out", type=Path, metavar="F.csv", help="write the trace here; default: standard output"
    )
    parser.add_argument(
        "--disk",
        action="append",
        default=[],
        metavar="NAME",
        help=f"{DISK_HELP}; may be repeated",
    )


def run(arguments: argparse.Namespace) -> int:
    """Capture until the time is over or a signal comes; the rows so far are kept."""
    config = configuration(arguments)
    if arguments.out is not None:
        _check(arguments.out)
    disks = chosen(config, arguments.disk)
    trace = TraceWriter(arguments.out, len(disks) > 1)
    summary = Summary()
    elapsed_ns = lost = 0
    with (
        held_signals() as wait,
        closing(trace),
        Bar("capturing") as bar,
        closing(capture(disks, arguments.for_ns, wait)) as reads,
    ):
        for read in reads:
            trace.add(read.rows)
            summary.add(read.rows)
            elapsed_ns = read.elapsed_ns
            lost += read.lost
            if arguments.out is not None or not sys.stdout.isatty():
                bar.show(elapsed_ns / arguments.for_ns)
    if lost:
        print(
            f"spinledger: {lost} requests are missing: the kernel's table was full",
            file=sys.stderr,
        )
    if arguments.out is not None:
        print("\n".join(summary.lines(elapsed_ns, len(disks) > 1)))
    return 0


class TraceWriter:
    """The CSV, to a file or to standard output."""

    def __init__(self, path: Path | None, several: bool) -> None:
        self._path = path
        self._several = several
        self._kept = io.StringIO()
        self._csv = csv.writer(self._kept, lineterminator="\n")
        self._begun = False  # the header is taken
        self._written = False  # the file has been begun
        self._live = path is None and not _stdout_is_file()

    def add(self, rows: Sequence[Row]) -> None:
        """Take rows in order; the first time, even if there are none, the header with them."""
        if not self._begun:
            self._begun = True
            self._csv.writerow([*COLUMNS, DISK_COLUMN] if self._several else COLUMNS)
        for row in rows:
            seconds, rest = divmod(row.at_wall_ns, SECOND)
            line = [f"{seconds}.{rest // 1_000_000:03}", row.op, row.actor]
            self._csv.writerow([*line, row.disk] if self._several else line)
        if self._live or self._kept.tell() > PIECE:
            self._write()

    def close(self) -> None:
        """Write what is kept; a file that nothing was captured for is left alone."""
        if self._begun:
            self._write()

    def _write(self) -> None:
        text = self._kept.getvalue()
        self._kept.seek(0)
        self._kept.truncate()
        if self._path is None:
            sys.stdout.write(text)
            sys.stdout.flush()
            return
        mode = "a" if self._written else "w"
        try:
            with open(self._path, mode, encoding="utf-8", newline="") as file:
                file.write(text)
        except OSError as error:
            fix = "name a file in a folder you may write to"
            raise BadInput(f"--out {self._path}", str(error.strerror), fix) from None
        self._written = True


class Summary:
    """Sums by disk, actor and operation."""

    def __init__(self) -> None:
        self._sums: dict[tuple[str, str, str], tuple[int, int, int]] = {}
        self._rows = 0

    def add(self, rows: Sequence[Row]) -> None:
        """Take rows."""
        for row in rows:
            if row.op in (BEGIN, END):
                continue
            self._rows += 1
            key = (row.disk, row.actor, row.op)
            seconds, bios, sectors = self._sums.get(key, (0, 0, 0))
            self._sums[key] = (seconds + 1, bios + row.bios, sectors + row.sectors)

    def lines(self, elapsed_ns: int, several: bool) -> list[str]:
        """The busiest first: seconds with I/O, requests, MiB."""
        took = words.duration(elapsed_ns / SECOND)
        lines = [f"{self._rows} rows in {took}"]
        if self._sums:
            lines.append(f"{'ACTOR':16} {'OP':6} {'SECONDS':>8} {'REQUESTS':>9} {'MiB':>9}")
        busiest = sorted(self._sums.items(), key=lambda item: item[1], reverse=True)
        for (disk, actor, op), (seconds, bios, sectors) in busiest[:_MOST_LINES]:
            line = f"{actor:16} {op:6} {seconds:8} {bios:9} {sectors / _SECTORS_A_MIB:9.1f}"
            lines.append(f"{line}  {disk}" if several else line)
        if len(self._sums) > _MOST_LINES:
            lines.append(f"and {len(self._sums) - _MOST_LINES} more")
        return lines


def _check(path: Path) -> None:
    """That the file can be written, without touching the disk it is on."""
    refuse_disk("--out", path)
    there = path if path.exists() else path.absolute().parent
    if path.is_dir() or not there.exists() or not os.access(there, os.W_OK):
        what = "is a folder" if path.is_dir() else "cannot be written"
        raise BadInput(f"--out {path}", what, "name a file in a folder you may write to")


def _stdout_is_file() -> bool:
    try:
        return stat.S_ISREG(os.fstat(sys.stdout.fileno()).st_mode)
    except OSError:  # it has no descriptor
        return False
