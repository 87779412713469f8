"""The ledger file: an SQLite database (`schema`), written in whole transactions.

Rules:
- Each row of `disks`, `accounts` and `days` bears a 64-bit checksum; that of a day covers the
  checksums of the day's rows in the other tables. `meta` bears the sum of all. So a changed bit is
  harmless, or noticed before a figure of it is shown.
- At opening the header, the schema, `meta`, `disks`, `accounts`, `days` and the rows of the newest
  days are checked; older ones when they are read. `checks` reads all there is.
- A rollback journal that is truncated, never a write-ahead log: the file alone is the whole ledger,
  so a copy is a backup. `synchronous` is FULL: a commit that is reported as done is on the disk.
- A newer version is refused and left alone, and so is a file that is none of ours. What counts as
  newer cannot be one changed bit: see `access.refuse_newer`.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from spinledger.errors import Unavailable
from spinledger.store.access import (
    DAMAGED,
    REPLACED,
    as_ours,
    connect,
    errors,
    recognise,
    trouble,
)
from spinledger.store.days import DAYS_HELD, SPAN, CycleRow, Day, DiskDay, Recent, day_of
from spinledger.store.rows import (
    ACCOUNTS,
    DAY_ROWS,
    DISKS,
    OF_DAY,
    PUT_ACCOUNT,
    PUT_CYCLE,
    PUT_DAY,
    PUT_DISK,
    PUT_GAP,
    PUT_META,
    PUT_READING,
    PUT_SPAN,
    Row,
    check_day_row,
    checked_day_row,
    checked_day_rows,
    checked_row,
    day_row,
    meta_row,
    read_account,
    read_day,
    read_disk,
    read_meta,
)
from spinledger.store.schema import (
    APPLICATION_ID,
    PAGE_BYTES,
    SCHEMA,
    VERSION,
    DiskRow,
    Dump,
    Meta,
)


@dataclass(frozen=True, slots=True)
class Contents:
    """What a checked file holds."""

    accounts: Mapping[str, Dump]
    recent: Recent
    older_cycles: Sequence[tuple[str, CycleRow]]  # disk and row, of the last `CYCLE_DAYS` days


CYCLE_DAYS = 60  # of which spin-ups are given at a start: twice the longest window of a limit
ALWAYS = -(1 << 62)  # a day before all
CALLBACK_STEPS = 100_000  # of SQLite's machine, some milliseconds

_BUGS = (sqlite3.IntegrityError, sqlite3.ProgrammingError, sqlite3.InterfaceError)
"""Errors of SQLite that say that our own code is wrong, not the file."""


# Reading


def last_commit(path: Path) -> Meta | None:
    """The row of `meta` of a ledger; None for one without a commit. Raises as `recognise` does."""
    with errors(path):
        if not path.stat().st_size:
            return None
    recognise(path)
    with errors(path), closing(connect(path, "ro")) as connection:
        meta = read_meta(connection, path)
        return meta if meta.number else None


def read_accounts(path: Path) -> tuple[Meta, dict[str, Dump]]:
    """The last commit and the accounts, by a connection that cannot write. Raises likewise."""
    recognise(path)
    with errors(path), closing(connect(path, "ro")) as connection:
        connection.execute("BEGIN")
        accounts = [read_account(path, row) for row in connection.execute(ACCOUNTS)]
        return read_meta(connection, path), {name: dump for _, name, dump in accounts}


def read_days(
    path: Path, first: int, end: int | None, disk: str | None, spans: bool = True
) -> Iterator[DiskDay]:
    """Day, identity and rows from a day on, less `end` and later, in order, each checked.

    Without `spans`, spans and gaps are left out.

    By connections that cannot write. The file is let go every month of days, so that a slow reader
    keeps no commit waiting. Raises Unavailable.
    """
    with errors(path), closing(connect(path, "ro")) as connection:
        query = "SELECT DISTINCT day FROM days WHERE day >= ? ORDER BY day"
        days = [day for (day,) in connection.execute(query, (first,)) if end is None or day < end]
    for at in range(0, len(days), DAYS_HELD):
        part = days[at : at + DAYS_HELD]
        with errors(path), closing(connect(path, "ro")) as connection:
            connection.execute("BEGIN")
            found = list(_days_between(connection, path, (part[0], part[-1]), disk, spans))
        yield from found


def _days_between(
    connection: sqlite3.Connection, path: Path, ends: tuple[int, int], disk: str | None, spans: bool
) -> Iterator[DiskDay]:
    disks = [read_disk(path, row) for row in connection.execute(DISKS)]
    names = {number: row.identity for number, row in disks}
    query = f"{DAY_ROWS} WHERE day BETWEEN ? AND ? ORDER BY day, disk"
    for row in connection.execute(query, ends).fetchall():
        if disk is None or names[row[1]] == disk:
            yield row[0], names[row[1]], read_day(connection, path, row, spans)


def verify(path: Path) -> Iterator[str]:
    """Each thing that is wrong with a file, by a connection that cannot write; none: it is whole.

    Raises Refusal where it is no ledger, Unavailable where it cannot be read.
    """
    try:
        recognise(path)
        with errors(path), closing(connect(path, "ro")) as connection:
            file = LedgerFile(path, connection, Meta(VERSION, ""))
            connection.execute("BEGIN")
            file.check()
            connection.execute("COMMIT")
            yield from filter(None, file.checks())
            yield from file.strays()
    except Unavailable as found:
        if found.reason != DAMAGED:
            raise
        yield found.detail


class LedgerFile:
    """An open ledger file; every method may raise Unavailable. Used by one thread at a time."""

    def __init__(self, path: Path, connection: sqlite3.Connection, meta: Meta) -> None:
        self.path = path
        self.meta = meta
        self._connection = connection
        self._disks: dict[str, tuple[int, DiskRow]] = {}
        self._sums: dict[tuple[str, str], int] = {}  # by table (disks, accounts) and identity
        self._sum, self._rows = meta.sum, meta.rows
        self._identity = _identity(path)
        self._size = 0  # bytes after our last commit

    @classmethod
    def open(cls, path: Path, ours: bool = False) -> tuple[LedgerFile, Contents]:
        """Open and check a file that is there. Raises Unavailable, or Refusal as `recognise`."""
        recognise(path, ours)
        connection = None
        try:
            connection = connect(path, "rw")
            _settle(connection)
            file = cls(path, connection, Meta(VERSION, ""))
            return file, file.check()
        except BaseException as error:
            if connection is not None:
                connection.close()
            raise as_ours(path, error) from None

    @classmethod
    def create(
        cls, path: Path, meta: Meta, accounts: Mapping[str, Dump], days: Iterable[DiskDay]
    ) -> LedgerFile:
        """Make a file that is not there, or is empty; whole or not at all. Raises Unavailable."""
        connection = None
        try:
            os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
            connection = connect(path, "rw")
            connection.execute(f"PRAGMA page_size={PAGE_BYTES}")
            _settle(connection)
            connection.execute("BEGIN IMMEDIATE")
            connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version={VERSION}")
            for statement in SCHEMA.values():
                connection.execute(statement)
            file = cls(path, connection, meta)
            for identity, dump in accounts.items():
                file.put_account(identity, dump)
            boot = meta.boot
            for day, disk, rows in days:
                file.put_day(day, disk, None, rows)
                boot = max(boot, *(cycle.boot for cycle in rows.cycles), 0)
            file._commit(replace(meta, boot=boot))
            return file
        except BaseException as error:
            if connection is not None:
                connection.close()
            raise _as_trouble(path, error) from None

    def check(self) -> Contents:
        """Read what is checked at an opening."""
        connection, path = self._connection, self.path
        given = connection.execute("SELECT name, sql FROM sqlite_schema").fetchall()
        if dict(given) != SCHEMA or len(given) != len(SCHEMA):
            raise Unavailable(DAMAGED, f"{path}: its schema is not that of a ledger")
        self.meta = read_meta(connection, path)
        accounts: dict[str, Dump] = {}
        for row in connection.execute(DISKS):
            number, disk = read_disk(path, row)
            self._disks[disk.identity] = number, disk
            self._sums["disks", disk.identity] = row[-1]
        for row in connection.execute(ACCOUNTS):
            _, identity, dump = read_account(path, row)
            accounts[identity] = dump
            self._sums["accounts", identity] = row[-1]
        query = "SELECT DISTINCT day FROM days ORDER BY day DESC LIMIT ?"
        newest = [day for (day,) in connection.execute(query, (DAYS_HELD + 1,))]
        first = newest[-2] if len(newest) > DAYS_HELD else ALWAYS
        first_cycles = min(first, day_of(self.meta.wall_ns) - CYCLE_DAYS)
        rows = []
        total = count = 0
        cursor = connection.execute(f"{DAY_ROWS} ORDER BY day, disk")
        for row in checked_day_rows(path, cursor):
            total += row[-1]
            count += 1
            if row[0] >= first_cycles:
                rows.append(row)
        self._sum = _signed(total + sum(self._sums.values()))
        self._rows = count + len(self._sums)
        if (self._sum, self._rows) != (self.meta.sum, self.meta.rows):
            raise Unavailable(DAMAGED, f"{path}: rows are missing, or there are too many")
        return Contents(accounts, *self._newest(rows, first))

    def _newest(self, days: list[Row], first: int) -> tuple[Recent, list[tuple[str, CycleRow]]]:
        """The days for memory, from `first` on, and cycles of those before, by rows of `days`."""
        names = {number: identity for identity, (number, _) in self._disks.items()}
        recent = Recent(whole=first == ALWAYS)
        older: list[tuple[str, CycleRow]] = []
        for row in days:
            held = row[0] >= first
            rows = read_day(self._connection, self.path, row, spans=held)
            if held:
                recent.put(row[0], names[row[1]], rows)
            else:
                older += [(names[row[1]], cycle) for cycle in rows.cycles]
        return recent, older

    def checks(self, hurry: Callable[[], bool] = lambda: False) -> Iterator[str]:
        """Check, step by step, what an opening does not: all pages, then each day.

        A step gives a line about damage, or "". `hurry` is called now and then in the first step,
        and ends it, and all, if true.
        """
        with errors(self.path):
            self._connection.set_progress_handler(hurry, CALLBACK_STEPS)
            try:
                (found,) = self._connection.execute("PRAGMA quick_check(1)").fetchone()
            finally:
                self._connection.set_progress_handler(None, 0)
            words = f"its pages are damaged ({found.splitlines()[-1]})"
            yield "" if found == "ok" else f"{self.path}: {words}"
        at: tuple[int, int] | None = (ALWAYS, 0)
        while at is not None:
            with errors(self.path):
                self._connection.execute("BEGIN")
                try:
                    lines, at = self._damage(at)
                finally:
                    self._connection.execute("COMMIT")
            yield from lines

    def _damage(self, after: tuple[int, int]) -> tuple[list[str], tuple[int, int] | None]:
        """A line, or "", for each of the next days, and the last of them; None: there are none."""
        query = f"{DAY_ROWS} WHERE (day, disk) > (?, ?) ORDER BY day, disk LIMIT 16"
        rows = self._connection.execute(query, after).fetchall()
        lines = []
        for row in rows:
            line = ""
            try:
                with errors(self.path):
                    read_day(self._connection, self.path, row)
            except Unavailable as found:
                if found.reason != DAMAGED:
                    raise
                line = found.detail
            lines.append(line)
        return lines, rows[-1][:2] if rows else None

    def strays(self) -> Iterator[str]:
        """A line for each table with rows of a disk and day that `days` does not have."""
        for table in ("cycles", "readings", "spans", "gaps"):
            query = (
                f"SELECT day, disk FROM {table} LEFT JOIN days USING (day, disk) "
                "WHERE checksum IS NULL LIMIT 1"
            )
            with errors(self.path):
                row = self._connection.execute(query).fetchone()
            if row is not None:
                yield f"{self.path}: {table} has rows of day {row[0]}, disk {row[1]}, and days none"

    @contextmanager
    def transaction(self, meta: Meta) -> Iterator[None]:
        """All or nothing; at its end `meta` is in the file.

        First it is made sure that the file is still the one that was opened.
        """
        connection = self._connection
        before = self._sum, self._rows, dict(self._sums), dict(self._disks)
        try:
            if _identity(self.path) != self._identity:
                raise Unavailable(REPLACED, _replaced(self.path))
            if self.cut():
                raise Unavailable(DAMAGED, f"{self.path}: was cut short while in use")
            connection.execute("BEGIN IMMEDIATE")
            rows = connection.execute("SELECT * FROM meta").fetchall()
            if rows != [meta_row(self.meta)]:
                raise Unavailable(REPLACED, _replaced(self.path))
            yield
            self._commit(meta)
        except BaseException as error:
            self._sum, self._rows, self._sums, self._disks = before
            with suppress(sqlite3.Error):
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
            raise _as_trouble(self.path, error) from None

    def _commit(self, meta: Meta) -> None:
        meta = replace(meta, sum=self._sum, rows=self._rows)
        self._connection.execute(PUT_META, meta_row(meta))
        self._connection.execute("COMMIT")
        self.meta = meta
        self._size = self.bytes()

    def day(self, day: int, disk: str) -> Day | None:
        """The rows of a disk and day, checked; None where there are none."""
        if disk not in self._disks:
            return None
        with errors(self.path):
            row = self._connection.execute(
                f"{DAY_ROWS} {OF_DAY}", (day, self._disks[disk][0])
            ).fetchone()
            return None if row is None else read_day(self._connection, self.path, row)

    def put_account(self, identity: str, dump: Dump) -> None:
        """Write an account inside a transaction."""
        number = self._number(identity, DiskRow.of(identity, dump))
        row = (number, identity, json.dumps(dump, separators=(",", ":")))
        self._put("accounts", identity, PUT_ACCOUNT, row)

    def put_day(self, day: int, disk: str, old: Day | None, new: Day) -> None:
        """Write inside a transaction what a day has more than it had; `old` is what is there."""
        number = self._number(disk)
        key = (day, number)
        execute = self._connection.execute
        before = old or Day()
        spans = len(before.spans) // SPAN.size
        for n, span in enumerate(new.span_rows(spans), spans + 1):
            execute(PUT_SPAN, (*key, n, *span))
        if new.gaps != before.gaps:
            for gap in set(new.gap_rows()).difference(before.gap_rows()):
                execute(PUT_GAP, (*key, *gap))
        for cycle in new.cycles:
            if cycle not in before.cycles:
                execute(PUT_CYCLE, (*key, *cycle))
        if new.reading is not None and new.reading != before.reading:
            execute(PUT_READING, (*key, *new.reading))
        row = day_row(day, number, new)
        execute(PUT_DAY, row)
        self._count(row[-1], None if old is None else day_row(day, number, old)[-1])

    def drop_spans(self, keep_days: int) -> list[tuple[int, str]]:
        """Drop spans and gaps of all but the newest `keep_days` days that have any.

        Inside a transaction; the days and disks of which they were dropped.
        """
        execute = self._connection.execute
        last = execute(
            "SELECT DISTINCT day FROM days WHERE spans_checksum <> 0 "
            "ORDER BY day DESC LIMIT 1 OFFSET ?",
            (keep_days,),
        ).fetchone()
        if last is None:
            return []
        names = {number: identity for identity, (number, _) in self._disks.items()}
        rows = execute(f"{DAY_ROWS} WHERE day <= ? AND spans_checksum <> 0", last).fetchall()
        for row in rows:
            with errors(self.path):
                check_day_row(self.path, row)
            without = checked_day_row((*row[:-3], 0, row[-2]))
            execute(PUT_DAY, without)
            self._count(without[-1], row[-1])
        for table in ("spans", "gaps"):
            execute(f"DELETE FROM {table} WHERE day <= ?", last)
        return [(row[0], names[row[1]]) for row in rows]

    def _number(self, identity: str, disk: DiskRow | None = None) -> int:
        """The number of a disk in the tables; given to it when it is first needed."""
        known = self._disks.get(identity)
        if known is not None and disk in (None, known[1]):
            return known[0]
        number = known[0] if known else 1 + max((n for n, _ in self._disks.values()), default=0)
        row = disk or DiskRow(identity)
        self._put("disks", identity, PUT_DISK, (number, *row))
        self._disks[identity] = number, row
        return number

    def _put(self, table: str, identity: str, put: str, row: tuple[Any, ...]) -> None:
        row = checked_row(row)
        self._connection.execute(put, row)
        self._count(row[-1], self._sums.get((table, identity)))
        self._sums[table, identity] = row[-1]

    def _count(self, new: int, old: int | None) -> None:
        self._rows += old is None
        self._sum = _signed(self._sum + new - (old or 0))

    def bytes(self) -> int:
        """The file's size."""
        try:
            return self.path.stat().st_size
        except OSError:
            return 0

    def cut(self) -> bool:
        """True if the file itself is there and shorter than it was; SQLite would not notice, as
        what it needs of the lost part is in its memory.
        """
        return _identity(self.path) == self._identity and self.bytes() < max(self._size, 1)

    def copy_to(self, path: Path) -> None:
        """Write the whole ledger to a path where nothing is."""
        with errors(path):
            self._connection.execute("VACUUM INTO ?", (str(path),))
            fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
            try:
                os.fsync(fd)
            finally:
                os.close(fd)

    def close(self) -> None:
        """Let the file go."""
        self._connection.close()


def _as_trouble(path: Path, error: BaseException) -> BaseException:
    """Of a write: what is no fault of SQLite or the system is a bug, and stays what it is."""
    if isinstance(error, sqlite3.Error | OSError) and not isinstance(error, _BUGS):
        return trouble(path, error)
    return error


def _signed(value: int) -> int:
    """Modulo 2^64, as the signed integer that SQLite keeps."""
    return (value + (1 << 63)) % (1 << 64) - (1 << 63)


def _settle(connection: sqlite3.Connection) -> None:
    """Rolls back what a kill left half written, and sets how commits are made."""
    connection.execute("PRAGMA journal_mode=TRUNCATE").fetchall()
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("PRAGMA cache_size=-4096")


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        stat = path.stat()
    except FileNotFoundError:
        return None
    return stat.st_dev, stat.st_ino


def _replaced(path: Path) -> str:
    return (
        f"{path}: is not the file that was opened at the start; "
        "start the exporter again to use the one that is there now"
    )
