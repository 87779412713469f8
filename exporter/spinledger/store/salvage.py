"""What is whole in a damaged ledger.

Rules: the file is copied into memory, and stays as it is. Only what its checksum confirms is taken:
an account, a day's totals, its cycles and reading, its spans and gaps, each by itself. A page that
cannot be read costs what lies in it, not what lies beyond.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from spinledger.errors import Refusal, Unavailable
from spinledger.store.access import NOT_UNDERSTOOD, connect
from spinledger.store.days import Day, DayTotals, DiskDay
from spinledger.store.rows import (
    ACCOUNTS,
    DAY_ROWS,
    DISKS,
    Row,
    check_day_row,
    cycles_of,
    read_account,
    read_disk,
    read_meta,
    spans_of,
)
from spinledger.store.schema import APPLICATION_ID, PAGE_BYTES, VERSION, Dump, Meta

_BROKEN = (*NOT_UNDERSTOOD, sqlite3.Error, OSError, Unavailable, Refusal)


def salvage(path: Path) -> tuple[Meta | None, dict[str, Dump]]:
    """The row of `meta`, if it is whole, and the accounts that are; of any file at all."""
    meta, accounts = None, {}
    with suppress(*_BROKEN), closing(_opened(path)) as connection:
        with suppress(*_BROKEN):
            meta = read_meta(connection, path)
        for row in _walked(connection, ACCOUNTS, "disk"):
            with suppress(*_BROKEN):
                _, identity, dump = read_account(path, row)
                accounts[identity] = dump
    return meta, accounts


def salvaged_days(path: Path) -> Iterator[DiskDay]:
    """Day, identity and rows of what is whole, in order; of any file at all."""
    with suppress(*_BROKEN), closing(_opened(path)) as connection:
        names: dict[int, str] = {}
        for row in _walked(connection, ACCOUNTS, "disk"):
            with suppress(*_BROKEN):
                number, identity, _ = read_account(path, row)
                names[number] = identity
        for row in _walked(connection, DISKS, "disk"):
            with suppress(*_BROKEN):
                number, disk = read_disk(path, row)
                names[number] = disk.identity
        for row in _walked(connection, DAY_ROWS, "day, disk"):
            if row[1] in names:
                rows = _whole(connection, path, row)
                if rows != Day():
                    yield row[0], names[row[1]], rows


def _whole(connection: sqlite3.Connection, path: Path, row: Row) -> Day:
    """The parts of a day that its row in `days` confirms."""
    day = Day()
    with suppress(*_BROKEN):
        spans, gaps = spans_of(connection, *row[:2])
        found = day._replace(spans=spans, gaps=gaps)
        if found.spans_checksum == row[-3]:
            day = found
    with suppress(*_BROKEN):
        cycles, reading = cycles_of(connection, *row[:2])
        found = day._replace(cycles=cycles, reading=reading)
        if found.cycles_checksum == row[-2]:
            day = found
    with suppress(*_BROKEN):
        check_day_row(path, row)
        day = day._replace(totals=DayTotals(*row[2:-3]))
    return day


def _walked(connection: sqlite3.Connection, query: str, key: str) -> list[Row]:
    """Rows in order; where a broken page ends the walk, what lies beyond from the other end."""
    found: dict[Any, Row] = {}
    for order in ("ASC", "DESC"):
        with suppress(*_BROKEN):
            for row in connection.execute(
                f"{query} ORDER BY {', '.join(f'{name} {order}' for name in key.split(', '))}"
            ):
                found[row[: key.count(",") + 1]] = row
            break
    with suppress(TypeError):  # a key that is no number
        return [found[place] for place in sorted(found)]
    return list(found.values())


def _opened(path: Path) -> sqlite3.Connection:
    """A copy of the file in memory, with a good header."""
    with suppress(sqlite3.Error), closing(connect(path, "rw")) as connection:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()  # ends a cut-off commit
    data = bytearray(path.read_bytes())
    good = {
        0: b"SQLite format 3\0" + PAGE_BYTES.to_bytes(2, "big") + b"\1\1\0\x40\x20\x20",
        28: (len(data) // PAGE_BYTES).to_bytes(4, "big"),
        44: (4).to_bytes(4, "big"),
        52: b"\0\0\0\0" + b"\0\0\0\1" + VERSION.to_bytes(4, "big") + b"\0" * 4,
        68: APPLICATION_ID.to_bytes(4, "big"),
        92: bytes(data[24:28]),  # so that SQLite believes the number of pages
    }
    for at, part in good.items():
        data[at : at + len(part)] = part
    connection = sqlite3.connect(":memory:")
    connection.execute("PRAGMA writable_schema=ON")  # a broken entry of the schema hides itself
    connection.deserialize(bytes(data))
    return connection
