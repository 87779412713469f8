"""The ledger file: an SQLite database of one table, written in whole transactions.

Rules:
- One table, `books`: a row a disk and kind (`account`), or a disk, kind and day (`kept`, for good:
  gaps, the day's last totals and reading; `detail`, kept for a number of days: spans, cycles, their
  causes, readings). One row of kind `head` heads it: version, id, last commit, and the sum and
  count of all other rows.
- Every row bears a 64-bit checksum (BLAKE2b, RFC 7693) over its key and blob; the head bears the
  sum of those modulo 2^64. All is checked when the file is opened, the free pages and the schema
  with it, so a changed byte is harmless, or noticed. A row is checked again before it is changed.
- A rollback journal that is truncated, never a write-ahead log: the file alone is the whole ledger,
  so a copy is a backup. `synchronous` is FULL: a commit that is told as done is on the disk.
- The version stands in the head, under its checksum, not in `user_version`, where a changed byte
  could pass for a newer version. A newer version is refused and left alone.
- The key begins with kind and day, so that today's rows of all disks lie side by side. The kind
  that stays for good sorts last: rows appended at the end of the tree leave full pages behind.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from hashlib import blake2b
from pathlib import Path
from typing import Any
from urllib.parse import quote

from spinledger.errors import Refusal, Unavailable
from spinledger.store.recent import Recent
from spinledger.store.sheets import expand

VERSION = 1
PAGE_BYTES = 16384
BUSY_S = 2.0  # how long another program's lock is waited for
WRAP = 1 << 64

ACCOUNT, DETAIL, HEAD, DAY_ROW = "account", "detail", "head", "kept"

SCHEMA = (
    "CREATE TABLE books (kind TEXT NOT NULL, day INTEGER NOT NULL, disk TEXT NOT NULL, "
    "blob BLOB NOT NULL, checksum INTEGER NOT NULL, PRIMARY KEY (kind, day, disk)) WITHOUT ROWID"
)
_ROWS = "SELECT kind, day, disk, blob, checksum FROM books"

Row = tuple[str, int, str, bytes]  # kind, day, disk, blob

DAMAGED, UNUSABLE, REPLACED = "ledger_damaged", "ledger_unusable", "ledger_replaced"


@dataclass(frozen=True, slots=True)
class Head:
    """The row that heads the file. Times in nanoseconds, as in model.Commit."""

    version: int
    id: str
    number: int = 0
    at_ns: int = 0
    wall_ns: int = 0
    boot_id: str = ""
    clean: bool = False
    sum: int = 0  # of the checksums of all other rows, modulo 2^64
    rows: int = 0
    damaged: int = 0  # files set aside before this one


@dataclass(frozen=True, slots=True)
class Contents:
    """What a checked file holds."""

    accounts: Mapping[str, Mapping[str, object]]
    recent: Recent


Step = Callable[[sqlite3.Connection], None]
STEPS: Mapping[int, Step] = {}
"""From a version to the next, each in a transaction of its own: {1: step from 1 to 2}. A step that
rewrites rows checks them first and writes new checksums; the sum is made anew after it."""


def row_checksum(kind: str, day: int, disk: str, blob: bytes) -> int:
    """64 bits over key and blob, as the signed integer that SQLite keeps."""
    digest = blake2b(f"{kind}/{day}/{disk}/".encode(), digest_size=8)
    digest.update(blob)
    return int.from_bytes(digest.digest(), "little", signed=True)


def trouble(path: Path, error: sqlite3.Error | OSError) -> Unavailable:
    """An error of SQLite or the system as ours: damaged, or unusable with words and mend."""
    if isinstance(error, OSError):
        return Unavailable(UNUSABLE, f"{path}: {error.strerror or error}")
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
    words = {
        sqlite3.SQLITE_READONLY: "may not be written; give the exporter write permission there",
        sqlite3.SQLITE_PERM: "may not be used; give the exporter permission",
        sqlite3.SQLITE_AUTH: "may not be used; give the exporter permission",
        sqlite3.SQLITE_CANTOPEN: "cannot be opened; its folder must exist and be writable",
        sqlite3.SQLITE_FULL: "the disk is full; free some space",
        sqlite3.SQLITE_IOERR: "the disk reports an error, or is full",
        sqlite3.SQLITE_BUSY: "another program holds the file; end that one",
        sqlite3.SQLITE_LOCKED: "another program holds the file; end that one",
        sqlite3.SQLITE_NOMEM: "there is not enough memory",
    }.get(code)
    if words is None:
        return Unavailable(DAMAGED, f"{path}: {error}")
    return Unavailable(UNUSABLE, f"{path}: {words}")


def connect(path: Path, mode: str) -> sqlite3.Connection:
    """A connection (`mode` is rw, rwc or ro) that changes nothing by itself."""
    connection = sqlite3.connect(
        f"file:{quote(str(path))}?mode={mode}",
        timeout=BUSY_S,
        isolation_level=None,
        check_same_thread=False,
        uri=True,
    )
    for pragma in ("trusted_schema=OFF", "cell_size_check=ON", "temp_store=MEMORY"):
        connection.execute(f"PRAGMA {pragma}")
    return connection


def check_header(path: Path) -> None:
    """The fixed bytes of the database header, before SQLite itself acts upon them.

    Offsets: "Database File Format", section 1.3, sqlite.org. Raises Unavailable. Only called
    while no connection of this process is open: closing a file drops the process's locks on it.
    """
    try:
        if path.is_dir():
            raise Unavailable(UNUSABLE, f"{path}: is a folder; name a file with --ledger")
        with path.open("rb") as file:
            header = file.read(100)
    except OSError as refused:
        raise trouble(path, refused) from None
    good = (
        len(header) == 100
        and header[:16] == b"SQLite format 3\0"
        and int.from_bytes(header[16:18], "big") == PAGE_BYTES
        and header[18:20] in (b"\1\1", b"\2\2")  # write and read version; 2 is mended on opening
        and header[20:24] == b"\0\x40\x20\x20"  # reserved space, payload fractions
        and header[44:48] == b"\0\0\0\4"  # schema format
        and header[52:68] == b"\0\0\0\0" + b"\0\0\0\1" + b"\0" * 8  # vacuum, UTF-8, version
    )
    if not good:
        raise Unavailable(DAMAGED, f"{path}: is not a ledger, or its header is damaged")


def _head(connection: sqlite3.Connection, path: Path) -> Head:
    rows = connection.execute(f"{_ROWS} WHERE kind = ?", (HEAD,)).fetchall()
    if len(rows) != 1 or not _good(*rows[0]):
        raise Unavailable(DAMAGED, f"{path}: its head is damaged")
    version = json.loads(rows[0][3])["version"]
    if version > VERSION:
        raise Refusal(
            f"{path}: was written by a newer version of this program (form {version}, "
            f"this one knows {VERSION}); install that version, or name another file with --ledger"
        )
    return head_of(rows[0][3])


def head_of(blob: bytes) -> Head:
    """The head row's blob, understood."""
    return Head(**json.loads(blob))


def ended(path: Path) -> Head | None:
    """How a file ends, by its head; None for one without a commit. Raises as `rows_of` does."""
    return next((head_of(blob) for *_, blob in rows_of(path, HEAD, 0, None)), None)


def _good(kind: str, day: int, disk: str, blob: bytes, checksum: int) -> bool:
    return type(blob) is bytes and row_checksum(kind, day, disk, blob) == checksum


def migrate(
    connection: sqlite3.Connection, path: Path, head: Head, steps: Mapping[int, Step], to: int
) -> Head:
    """Take the file to version `to`, one step a transaction. Raises Unavailable."""
    if _tally(connection) != (head.sum, head.rows):
        raise Unavailable(DAMAGED, f"{path}: rows are missing, or there are too many")
    while head.version < to:
        connection.execute("BEGIN IMMEDIATE")
        try:
            steps[head.version](connection)
            total, rows = _tally(connection)
            head = replace(head, version=head.version + 1, sum=total, rows=rows)
            _put_head(connection, head)
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
    return head


def _tally(connection: sqlite3.Connection) -> tuple[int, int]:
    """Sum and count of all rows but the head, by the checksums they bear."""
    query = "SELECT checksum FROM books WHERE kind <> ?"
    checks = [row[0] for row in connection.execute(query, (HEAD,))]
    return sum(checks) % WRAP, len(checks)


def _put_head(connection: sqlite3.Connection, head: Head) -> bytes:
    blob = json.dumps(asdict(head)).encode("ascii")
    connection.execute(
        "INSERT OR REPLACE INTO books VALUES (?, 0, '', ?, ?)",
        (HEAD, blob, row_checksum(HEAD, 0, "", blob)),
    )
    return blob


class LedgerFile:
    """An open ledger file; every method may raise Unavailable. Used by one thread at a time."""

    def __init__(self, path: Path, connection: sqlite3.Connection, head: Head) -> None:
        self.path = path
        self.head = head
        self._connection = connection
        self._head_blob = json.dumps(asdict(head)).encode("ascii")
        self._sum = head.sum
        self._rows = head.rows
        self.identity = _identity(path)

    @classmethod
    def open(cls, path: Path, steps: Mapping[int, Step] = STEPS) -> tuple[LedgerFile, Contents]:
        """Open and check a file that is there. Raises Unavailable, Refusal if it is newer."""
        check_header(path)
        connection = None
        try:
            connection = connect(path, "rw")
            _settle(connection)
            head = _head(connection, path)
            if head.version < VERSION:
                head = migrate(connection, path, head, steps, VERSION)
            contents = _checked(connection, path, head)
            return cls(path, connection, head), contents
        except BaseException as error:
            if connection is not None:
                connection.close()
            raise _unreadable(path, error) from None

    @classmethod
    def create(cls, path: Path, head: Head, rows: Iterable[Row] = ()) -> LedgerFile:
        """Make a file that is not there, or is empty; whole or not at all. Raises Unavailable."""
        connection = None
        try:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
            connection = connect(path, "rw")
            connection.execute(f"PRAGMA page_size={PAGE_BYTES}")
            _settle(connection)
            connection.execute("BEGIN IMMEDIATE")
            connection.execute(SCHEMA)
            file = cls(path, connection, head)
            for kind, day, disk, blob in rows:
                file.put(kind, day, disk, blob)
            file.head = replace(head, sum=file._sum, rows=file._rows)
            file._head_blob = _put_head(connection, file.head)
            connection.execute("COMMIT")
            return file
        except BaseException as error:
            if connection is not None:
                connection.close()
            raise _mapped(path, error) from None

    @contextmanager
    def transaction(self, head: Head) -> Iterator[None]:
        """All or nothing; at its end the file is headed by `head`. Raises Unavailable.

        First it is made sure that the file is still the one that was opened.
        """
        connection = self._connection
        before = self._sum, self._rows
        try:
            if _identity(self.path) != self.identity:
                raise Unavailable(REPLACED, _replaced(self.path))
            connection.execute("BEGIN IMMEDIATE")
            blob = connection.execute("SELECT blob FROM books WHERE kind = ?", (HEAD,)).fetchone()
            if blob is None or blob[0] != self._head_blob:
                raise Unavailable(REPLACED, _replaced(self.path))
            yield
            head = replace(head, sum=self._sum, rows=self._rows)
            made = _put_head(connection, head)
            connection.execute("COMMIT")
            self.head, self._head_blob = head, made
        except BaseException as error:
            self._sum, self._rows = before
            with suppress(sqlite3.Error):
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
            raise _mapped(self.path, error) from None

    def get(self, kind: str, day: int, disk: str) -> bytes | None:
        """A row's blob, checked; None when there is none."""
        found = self._connection.execute(
            f"{_ROWS} WHERE kind = ? AND day = ? AND disk = ?", (kind, day, disk)
        ).fetchone()
        if found is None:
            return None
        if not _good(*found):
            raise Unavailable(DAMAGED, f"{self.path}: the row {kind} {day} {disk} is damaged")
        blob: bytes = found[3]
        return blob

    def put(self, kind: str, day: int, disk: str, blob: bytes) -> None:
        """Write a row inside a transaction."""
        execute = self._connection.execute
        old = execute(
            "SELECT checksum FROM books WHERE kind = ? AND day = ? AND disk = ?", (kind, day, disk)
        ).fetchone()
        checksum = row_checksum(kind, day, disk, blob)
        execute(
            "INSERT OR REPLACE INTO books VALUES (?, ?, ?, ?, ?)", (kind, day, disk, blob, checksum)
        )
        if old is None:
            self._rows += 1
        self._sum = (self._sum + checksum - (old[0] if old else 0)) % WRAP

    def drop_details(self, keep_days: int) -> None:
        """Drop the details of all but the newest `keep_days` days that have any."""
        execute = self._connection.execute
        last = execute(
            "SELECT DISTINCT day FROM books WHERE kind = ? ORDER BY day DESC LIMIT 1 OFFSET ?",
            (DETAIL, keep_days),
        ).fetchone()
        if last is None:
            return
        old = execute(
            "SELECT checksum FROM books WHERE kind = ? AND day <= ?", (DETAIL, last[0])
        ).fetchall()
        execute("DELETE FROM books WHERE kind = ? AND day <= ?", (DETAIL, last[0]))
        self._rows -= len(old)
        self._sum = (self._sum - sum(row[0] for row in old)) % WRAP

    def bytes(self) -> int:
        """The file's size."""
        try:
            return self.path.stat().st_size
        except OSError:
            return 0

    def copy_to(self, path: Path) -> None:
        """Write the whole ledger to a path where nothing is."""
        try:
            self._connection.execute("VACUUM INTO ?", (str(path),))
            fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
            try:
                os.fsync(fd)
            finally:
                os.close(fd)
        except (sqlite3.Error, OSError) as error:
            raise _mapped(path, error) from None

    def close(self) -> None:
        """Let the file go."""
        self._connection.close()


def salvage(path: Path) -> tuple[Head | None, list[Row]]:
    """The head, if it is whole, and the rows that bear the right checksum; of any file at all."""
    found: dict[tuple[str, int, str], bytes] = {}
    head = None
    with suppress(sqlite3.Error, Unavailable, OSError), closing(connect(path, "rw")) as connection:
        for order in ("ASC", "DESC"):
            # A broken page ends the walk: what lies beyond is reached from the other end.
            with suppress(sqlite3.Error, UnicodeError, OverflowError):
                query = f"{_ROWS} ORDER BY kind {order}, day {order}, disk {order}"
                for row in connection.execute(query):
                    if _good(*row) and row[0] in (ACCOUNT, DAY_ROW, DETAIL):
                        found[row[:3]] = row[3]
        with suppress(sqlite3.Error, Refusal, ValueError, KeyError, TypeError):
            head = _head(connection, path)
    return head, [(*key, blob) for key, blob in sorted(found.items())]


def rows_of(path: Path, kind: str, first_day: int, disk: str | None) -> Iterator[Row]:
    """Rows of a kind from a day on, in order, by a connection that cannot write.

    Raises Unavailable, also for a row with a wrong checksum.
    """
    query = f"{_ROWS} WHERE kind = ? AND day >= ?"
    values: list[object] = [kind, first_day]
    if disk is not None:
        query += " AND disk = ?"
        values.append(disk)
    try:
        with closing(connect(path, "ro")) as connection:
            for row in connection.execute(f"{query} ORDER BY day, disk", values):
                if not _good(*row):
                    raise Unavailable(DAMAGED, f"{path}: the row {row[:3]} is damaged")
                yield row[:4]
    except sqlite3.Error as error:
        raise trouble(path, error) from None


def _settle(connection: sqlite3.Connection) -> None:
    """Rolls back what a kill left half written, and sets how commits are made."""
    connection.execute("PRAGMA journal_mode=TRUNCATE").fetchall()
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("PRAGMA cache_size=-4096")


def _checked(connection: sqlite3.Connection, path: Path, head: Head) -> Contents:
    schema = connection.execute("SELECT name, tbl_name, sql FROM sqlite_schema").fetchall()
    if schema != [("books", "books", SCHEMA)]:
        raise Unavailable(DAMAGED, f"{path}: its schema is not the ledger's")
    total = count = 0
    accounts: dict[str, Mapping[str, object]] = {}
    recent = Recent()
    for kind, day, disk, blob, checksum in connection.execute(_ROWS):
        if type(blob) is not bytes or row_checksum(kind, day, disk, blob) != checksum:
            raise Unavailable(DAMAGED, f"{path}: the row {kind} {day} {disk} is damaged")
        if kind == HEAD:
            continue
        total += checksum
        count += 1
        if kind == ACCOUNT:
            accounts[disk] = expand(blob)
        else:
            recent.put(kind, day, disk, blob)
    if total % WRAP != head.sum or count != head.rows:
        raise Unavailable(DAMAGED, f"{path}: rows are missing, or there are too many")
    if connection.execute("PRAGMA quick_check(1)").fetchone() != ("ok",):
        raise Unavailable(DAMAGED, f"{path}: its pages are damaged")
    return Contents(accounts, recent)


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        stat = path.stat()
    except FileNotFoundError:
        return None
    return stat.st_dev, stat.st_ino


def _replaced(path: Path) -> str:
    return (
        f"{path}: is not the file that was opened at the start; "
        "start the exporter again to take up the one that is there now"
    )


def _mapped(path: Path, error: BaseException) -> BaseException:
    if isinstance(error, sqlite3.Error | OSError):
        return trouble(path, error)
    return error


def _unreadable(path: Path, error: BaseException) -> BaseException:
    """As `_mapped`; what cannot be understood in a file just opened is damage too."""
    if isinstance(error, ValueError | LookupError | TypeError | OverflowError):
        return Unavailable(DAMAGED, f"{path}: {error}")
    return _mapped(path, error)


def values(rows: Sequence[Row], kind: str) -> dict[str, Any]:
    """The expanded blobs of a kind, by disk."""
    return {disk: expand(blob) for row_kind, _, disk, blob in rows if row_kind == kind}
