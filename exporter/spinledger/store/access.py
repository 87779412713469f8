"""Opening a ledger file: whose it is, and what SQLite and the system say, in our words."""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from urllib.parse import quote

from spinledger.errors import Refusal, Unavailable
from spinledger.store.days import checksum, packed
from spinledger.store.schema import APPLICATION_ID, META, PAGE_BYTES, TABLES, VERSION

BUSY_S = 5.0  # how long another program's lock is waited for

DAMAGED, UNUSABLE, REPLACED = "ledger_damaged", "ledger_unusable", "ledger_replaced"

NOT_UNDERSTOOD = (ValueError, LookupError, TypeError, OverflowError, struct.error)
"""What a row raises that is none of ours."""


def trouble(path: Path, error: sqlite3.Error | OSError) -> Unavailable:
    """An error of SQLite or the system as ours: damaged, or unusable with words and fix."""
    if isinstance(error, OSError):
        return Unavailable(UNUSABLE, f"{path}: {error.strerror or error}")
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR)
    if code == sqlite3.SQLITE_READONLY_ROLLBACK:
        fix = "start the exporter on it once, which rolls that back"
        return Unavailable(UNUSABLE, f"{path}: a commit was cut off; {fix}")
    words = {
        sqlite3.SQLITE_READONLY: "may not be written; give the exporter write permission there",
        sqlite3.SQLITE_PERM: "may not be used; give the exporter permission",
        sqlite3.SQLITE_AUTH: "may not be used; give the exporter permission",
        sqlite3.SQLITE_CANTOPEN: "cannot be opened; its folder must exist and be writable",
        sqlite3.SQLITE_FULL: "the disk is full; free some space",
        sqlite3.SQLITE_IOERR: "the disk reports an error, or is full",
        sqlite3.SQLITE_BUSY: "another program holds the file open in a transaction; end that one",
        sqlite3.SQLITE_LOCKED: "another program holds the file open in a transaction; end that one",
        sqlite3.SQLITE_NOMEM: "there is not enough memory",
        sqlite3.SQLITE_INTERRUPT: "the check of the file was interrupted",
    }.get(code & 0xFF)
    if words is None:
        return Unavailable(DAMAGED, f"{path}: is damaged ({error})")
    return Unavailable(UNUSABLE, f"{path}: {words}")


def as_ours(path: Path, error: BaseException) -> BaseException:
    """An error of SQLite or the system, or of a row that makes no sense, as ours."""
    if isinstance(error, sqlite3.Error | OSError):
        return trouble(path, error)
    if isinstance(error, NOT_UNDERSTOOD):
        return Unavailable(DAMAGED, f"{path}: is damaged (a row cannot be understood)")
    return error


@contextmanager
def errors(path: Path) -> Iterator[None]:
    """What SQLite, the system or a row that makes no sense raises, as ours."""
    try:
        yield
    except (sqlite3.Error, OSError, *NOT_UNDERSTOOD) as error:
        raise as_ours(path, error) from None


def connect(path: Path, mode: str) -> sqlite3.Connection:
    """A connection (`mode` is rw or ro) that changes nothing by itself."""
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


# Whose file it is


def recognise(path: Path, ours: bool = False) -> None:
    """Check what lies at a path, before SQLite acts upon it.

    Raises Refusal for a newer version, for version 1 and for what is no ledger of this program;
    Unavailable for a damaged header. `ours`: a ledger is known to have been at that path, so what
    cannot be recognised is damage. Only called while no connection of this process is open:
    closing a file drops the process's locks on it. Offsets: "Database File Format", section 1.3,
    sqlite.org.
    """
    with errors(path):
        if path.is_dir():
            raise Unavailable(UNUSABLE, f"{path}: is a folder; name a file with --ledger")
        with path.open("rb") as file:
            header = file.read(100)
        if not header:
            raise Unavailable(UNUSABLE, f"{path}: is empty")
        tables = _table_names(path)
        ours = ours or _close(header[68:72], APPLICATION_ID.to_bytes(4, "big"))
        if tables == {"books"}:
            raise Refusal(
                f"{path}: is a ledger of version 1, which this version does not read; "
                "move it away, or name another file with --ledger"
            )
        if tables and len(tables & TABLES.keys()) < len(TABLES) // 2:
            ours = False  # a sound database of another program
        elif tables:
            ours = True
            with suppress(sqlite3.Error), closing(connect(path, "ro")) as connection:
                refuse_newer(connection, path)
        if not ours:
            raise Refusal(
                f"{path}: is not a ledger of this program; name another file with --ledger"
            )
    if not _header_good(header):
        raise Unavailable(DAMAGED, f"{path}: its header is damaged")


def _close(one: bytes, other: bytes) -> bool:
    """True for bytes that differ in one bit at most."""
    difference = int.from_bytes(one, "big") ^ int.from_bytes(other, "big")
    return len(one) == len(other) and difference.bit_count() <= 1


def _table_names(path: Path) -> set[str]:
    """Of a database that SQLite can open; none otherwise."""
    with suppress(sqlite3.Error), closing(connect(path, "ro")) as connection:
        rows = connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
        return {str(name) for (name,) in rows}
    return set()


def _header_good(header: bytes) -> bool:
    return (
        len(header) == 100
        and header[:16] == b"SQLite format 3\0"
        and int.from_bytes(header[16:18], "big") == PAGE_BYTES
        and header[18:20] in (b"\1\1", b"\2\2")  # write and read version; 2 is reset on opening
        and header[20:24] == b"\0\x40\x20\x20"  # reserved space, payload fractions
        and header[44:48] == b"\0\0\0\4"  # schema format
        and header[52:60] == b"\0\0\0\0" + b"\0\0\0\1"  # no vacuum, UTF-8
        and header[60:64] == VERSION.to_bytes(4, "big")
        and header[64:68] == b"\0" * 4
        and header[68:72] == APPLICATION_ID.to_bytes(4, "big")
    )


def refuse_newer(connection: sqlite3.Connection, path: Path) -> None:
    """Raise Refusal for a newer version.

    That `version` in `meta` is a higher number may be damage. It is believed if a second place
    agrees: the row's checksum, the columns of `meta`, or the `user_version` of the header.
    """
    cursor = connection.execute("SELECT * FROM meta")
    columns = tuple(column[0] for column in cursor.description)
    row = dict(zip(columns, cursor.fetchone() or (), strict=False))
    version = row.get("version", 0)
    if type(version) is not int or version <= VERSION:
        return
    (user_version,) = connection.execute("PRAGMA user_version").fetchone()
    *before, found = row.values()
    if columns != META or user_version == version or checksum(packed(before)) == found:
        raise Refusal(
            f"{path}: was written by a newer version of this program (schema {version}, "
            f"this one knows {VERSION}); install that version, or name another file with --ledger"
        )
