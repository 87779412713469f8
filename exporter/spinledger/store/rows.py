"""Rows of the tables: as SQL writes and reads them, each checked when it is read.

Rules: a function raises Unavailable for a row that its checksum does not confirm; what SQLite
raises, and ValueError, TypeError or struct.error for a row that makes no sense, is left to the
caller (`access.errors`).
"""

from __future__ import annotations

import json
import sqlite3
import struct
from collections.abc import Iterable, Iterator
from dataclasses import astuple
from pathlib import Path
from typing import Any

from spinledger.errors import Unavailable
from spinledger.store.access import DAMAGED, refuse_newer
from spinledger.store.days import (
    COUNTERS,
    CycleRow,
    Day,
    DayTotals,
    ReadingRow,
    checksum,
    pack_gaps,
    pack_spans,
    packed,
)
from spinledger.store.schema import META, VERSION, DiskRow, Dump, Meta

Row = tuple[Any, ...]

_TOTALS = ", ".join(DayTotals._fields)
_CYCLE = ", ".join(CycleRow._fields)
_READING = ", ".join(("at_ms", "boot_ms", *COUNTERS))
_SPAN = "number, began_ms, ended_ms, length_ms, active_ms, state, evidence"
_GAP = "began_ms, length_ms, censored"
_SUMS = "spans_checksum, cycles_checksum, checksum"
_DAY_ROW = struct.Struct(f"<{4 + len(DayTotals._fields)}q")

OF_DAY = "WHERE day = ? AND disk = ?"
DISKS, ACCOUNTS = "SELECT * FROM disks", "SELECT * FROM accounts"
DAY_ROWS = f"SELECT day, disk, {_TOTALS}, {_SUMS} FROM days"


def _put(table: str, columns: str) -> str:
    marks = ", ".join("?" * (columns.count(",") + 1))
    return f"INSERT OR REPLACE INTO {table} ({columns}) VALUES ({marks})"


PUT_META = _put("meta", ", ".join(META))
PUT_DISK = _put("disks", "disk, identity, model, serial, pool, checksum")
PUT_ACCOUNT = _put("accounts", "disk, identity, state, checksum")
PUT_DAY = _put("days", f"day, disk, {_TOTALS}, {_SUMS}")
PUT_CYCLE = _put("cycles", f"day, disk, {_CYCLE}")
PUT_READING = _put("readings", f"day, disk, {_READING}")
PUT_SPAN = _put("spans", f"day, disk, {_SPAN}")
PUT_GAP = _put("gaps", f"day, disk, {_GAP}")


def meta_row(meta: Meta) -> Row:
    """The row of `meta`."""
    return checked_row(astuple(meta))


def checked_row(values: Row) -> Row:
    """A row of `meta`, `disks` or `accounts`: the values and their checksum."""
    return (*values, checksum(packed(values)))


def day_row(day: int, disk: int, rows: Day) -> Row:
    """A row of `days`."""
    return checked_day_row((day, disk, *rows.totals, rows.spans_checksum, rows.cycles_checksum))


def checked_day_row(values: Row) -> Row:
    """A row of `days`: the values and their checksum."""
    return (*values, checksum(_DAY_ROW.pack(*values)))


def read_meta(connection: sqlite3.Connection, path: Path) -> Meta:
    """The row of `meta`. Raises Refusal for a newer version."""
    refuse_newer(connection, path)
    rows = connection.execute("SELECT * FROM meta").fetchall()
    if len(rows) != 1 or checked_row(rows[0][:-1]) != rows[0]:
        raise Unavailable(DAMAGED, f"{path}: the row of meta is damaged")
    meta = Meta(*rows[0][:-1])
    if meta.version != VERSION:
        raise Unavailable(DAMAGED, f"{path}: has no version {meta.version}")
    return meta


def read_disk(path: Path, row: Row) -> tuple[int, DiskRow]:
    """Number and names of a row of `disks`."""
    if checked_row(row[:-1]) != row:
        raise Unavailable(DAMAGED, f"{path}: the row {row[0]} of disks is damaged")
    return row[0], DiskRow(*row[1:-1])


def read_account(path: Path, row: Row) -> tuple[int, str, Dump]:
    """Number, identity and state of a row of `accounts`."""
    if checked_row(row[:-1]) != row:
        raise Unavailable(DAMAGED, f"{path}: the account {row[0]} is damaged")
    return row[0], row[1], json.loads(row[2])


def check_day_row(path: Path, row: Row) -> None:
    """Check a row of `days` alone."""
    for _ in checked_day_rows(path, (row,)):
        pass


def checked_day_rows(path: Path, rows: Iterable[Row]) -> Iterator[Row]:
    """The same rows of `days`, each checked; ten years of 24 disks have 88,000."""
    pack = _DAY_ROW.pack
    for row in rows:
        if checksum(pack(*row[:-1])) != row[-1]:
            raise Unavailable(DAMAGED, f"{path}: the row {row[:2]} of days is damaged")
        yield row


def spans_of(connection: sqlite3.Connection, day: int, disk: int) -> tuple[bytes, bytes]:
    """The spans and gaps of a disk and day, packed; not checked."""
    query = f"SELECT {_SPAN} FROM spans {OF_DAY} ORDER BY number"
    rows = connection.execute(query, (day, disk)).fetchall()
    if [row[0] for row in rows] != list(range(1, len(rows) + 1)):
        raise ValueError("spans are missing, or there are too many")
    query = f"SELECT {_GAP} FROM gaps {OF_DAY} ORDER BY {_GAP}"
    gaps = pack_gaps(connection.execute(query, (day, disk)))
    return pack_spans(row[1:] for row in rows), gaps


def cycles_of(
    connection: sqlite3.Connection, day: int, disk: int
) -> tuple[tuple[CycleRow, ...], ReadingRow | None]:
    """The cycles and the reading of a disk and day; not checked."""
    query = f"SELECT {_CYCLE} FROM cycles {OF_DAY} ORDER BY at_ms, number"
    cycles = tuple(map(CycleRow._make, connection.execute(query, (day, disk))))
    query = f"SELECT {_READING} FROM readings {OF_DAY}"
    return cycles, connection.execute(query, (day, disk)).fetchone()


def read_day(connection: sqlite3.Connection, path: Path, row: Row, spans: bool = True) -> Day:
    """A day from its row in `days`; without `spans` less its spans and gaps."""
    check_day_row(path, row)
    cycles, reading = cycles_of(connection, *row[:2])
    day = Day(cycles=cycles, reading=reading, totals=DayTotals(*row[2:-3]))
    good = day.cycles_checksum == row[-2]
    if spans:
        found, gaps = spans_of(connection, *row[:2])
        day = day._replace(spans=found, gaps=gaps)
        good = good and day.spans_checksum == row[-3]
    if not good:
        raise Unavailable(DAMAGED, f"{path}: day {row[0]} of disk {row[1]} is damaged")
    return day
