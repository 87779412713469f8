"""Trace files: CSV with a header; `timestamp_seconds`, and optionally `op`, `actor` and `disk`.

Rules: read as a stream, in bounded memory; UTF-8, with or without a byte order mark; columns in
any order, others ignored; empty lines skipped. A timestamp is a decimal number of seconds, zero or
later, never earlier than the one before it, read exactly to the nanosecond (finer digits are
rounded, half to even). One disk is replayed at a time: a trace of several needs --disk, since gaps
of several together belong to no disk. Every message is one line: file:line, what is wrong, the fix.

The observation runs from a row whose `op` is `begin` to one whose `op` is `end`; without them, from
the first to the last row of the file, those of other disks included. Neither row is a request. In a
trace of several disks each disk has its own, or all share one whose `disk` is empty.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterator
from decimal import ROUND_HALF_EVEN, Decimal, localcontext
from pathlib import Path
from typing import BinaryIO

from spinledger.errors import BadTrace
from spinledger.model import SECOND
from spinledger.whatif.gaps import seconds_label
from spinledger.whatif.trace import BEGIN, END, Row

TIME = "timestamp_seconds"
LATEST_S = 10**11  # the year 5138; later means the numbers are not seconds
LONGEST_LINE = 65_536  # bytes
REPORT_LINES = 65_536  # lines between two reports of progress

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?")
_ZEROS = tuple("0" * (9 - digits) for digits in range(10))

Progress = Callable[[int], None]  # called with the bytes read so far


def nanoseconds(text: str) -> int:
    """Integer nanoseconds of a decimal number of seconds. ValueError says what is wrong."""
    whole, _, fraction = text.partition(".")
    digits = whole + fraction
    if digits.isdigit() and text.isascii() and whole and len(fraction) <= 9 and len(whole) <= 10:
        return int(digits + _ZEROS[len(fraction)])
    return _nanoseconds(text.strip())


def _nanoseconds(text: str) -> int:
    if not text:
        raise ValueError(f"no {TIME}")
    if text.lower().lstrip("+-") in ("nan", "inf", "infinity"):
        raise ValueError(f"{TIME} is {_shown(text)}, not a time")
    if len(text) > 60 or not _NUMBER.fullmatch(text):
        raise ValueError(f"{TIME} {_shown(text)} is not a number")
    value = Decimal(text)
    if value < 0:
        raise ValueError(f"{TIME} {_shown(text)} is negative")
    if value >= LATEST_S:
        raise ValueError(f"{TIME} {_shown(text)} is too large for a time in seconds")
    with localcontext(prec=99):
        return int((value * SECOND).to_integral_value(ROUND_HALF_EVEN))


def _shown(text: str) -> str:
    cut = text if len(text) <= 40 else text[:40] + "..."
    return ascii(cut)


class Trace:
    """A trace file. Opening reads the header; `times` and `rows` each read the file anew."""

    def __init__(self, path: Path, disk: str | None = None, also: str = "") -> None:
        """Raises BadTrace when the file cannot be read or has no column of times.

        `disk` names the only disk whose rows count, `also` is another name of it; the file then
        needs that column.
        """
        self.path = path
        self.began_ns = self.ended_ns = 0  # of the observation: known once a row, all rows are read
        self._wanted = disk
        self._also = also
        with self._opened() as file:
            header = _header(csv.reader(self._lines(file, None)), path)
        self._time = header.index(TIME)
        self._op = header.index("op") if "op" in header else None
        self._actor = header.index("actor") if "actor" in header else None
        self._disk = header.index("disk") if "disk" in header else None
        if disk is not None and self._disk is None:
            fix = "leave out --disk: it is a trace of one disk"
            raise BadTrace(f"{path}:1", "no column disk, which --disk needs", fix)

    @property
    def has_op(self) -> bool:
        """True when there is a column `op`."""
        return self._op is not None

    @property
    def has_actor(self) -> bool:
        """True when there is a column `actor`."""
        return self._actor is not None

    def times(self, progress: Progress | None = None) -> Iterator[int]:
        """Nanoseconds of each row."""
        return (at for at, _ in self._records(progress))

    def rows(self, progress: Progress | None = None) -> Iterator[Row]:
        """Each row, its operation in lower case."""
        for at, fields in self._records(progress):
            yield Row(at, _field(fields, self._op).lower(), _field(fields, self._actor))

    def _records(self, progress: Progress | None) -> Iterator[tuple[int, list[str]]]:
        """Time and fields of each request of the disk."""
        disk = self._wanted
        last = count = 0
        began: int | None = None
        ended: int | None = None
        first: int | None = None
        with self._opened() as file:
            reader = csv.reader(self._lines(file, progress))
            try:
                _header(reader, self.path)
                for fields in reader:
                    if not fields:
                        continue
                    at = nanoseconds(fields[self._time])
                    op = "" if self._op is None else _field(fields, self._op).lower()
                    bound = op in (BEGIN, END)
                    first = at if first is None else min(first, at)
                    self.ended_ns = max(self.ended_ns, at)
                    if self._disk is not None:
                        named = _field(fields, self._disk)
                        if self._wanted is not None and named == self._also:
                            named = self._wanted
                        if self._wanted is None and disk not in (None, named) and named:
                            raise _several(f"{self.path}:{reader.line_num}", disk, named)
                        if disk is None:
                            disk = named or None
                        elif named != disk and not (bound and not named):
                            continue
                    if at < last:
                        raise ValueError(
                            f"time goes back, from {seconds_label(last)} to {seconds_label(at)}"
                        )
                    last = at
                    if ended is not None or (op == BEGIN and (count or began is not None)):
                        raise ValueError(f"{END if ended is not None else BEGIN} is out of place")
                    if op == BEGIN:
                        began = at
                    elif op == END:
                        ended = at
                    else:
                        if not count:
                            self.began_ns = first if began is None else began
                        count += 1
                        yield at, fields
            except IndexError:
                raise self._bad(reader.line_num, f"the row has no {TIME}") from None
            except csv.Error as error:
                raise self._bad(reader.line_num, f"not CSV: {error}") from None
            except ValueError as error:
                raise self._bad(reader.line_num, str(error)) from None
        if not count and began is not None:
            self.began_ns = began
        if ended is not None:
            self.ended_ns = ended
        if self.ended_ns == self.began_ns or (not count and began is None):
            what = "no rows of I/O" if not count else "only one row of I/O"
            what = "all rows have the same time" if count > 1 else what
            if self._wanted is not None and count < 2:
                what += f" of disk {_shown(self._wanted)}"
            raise BadTrace(str(self.path), what, "a gap needs two rows: record for longer")

    def _lines(self, file: BinaryIO, progress: Progress | None) -> Iterator[str]:
        """Decoded lines, one at a time, so that a fault is known by its line."""
        read = number = 0
        while line := file.readline(LONGEST_LINE):
            number += 1
            read += len(line)
            if progress is not None and number % REPORT_LINES == 0:
                progress(read)
            if len(line) == LONGEST_LINE:
                raise self._bad(number, f"a line of {LONGEST_LINE} bytes or more")
            try:
                yield line.decode("utf-8-sig" if number == 1 else "utf-8")
            except UnicodeDecodeError:
                raise self._bad(number, "not UTF-8") from None

    def _opened(self) -> BinaryIO:
        try:
            return self.path.open("rb")
        except OSError as error:
            what = f"cannot be read: {error.strerror}"
            raise BadTrace(str(self.path), what, "give a CSV file that can be read") from None

    def _bad(self, line: int, what: str) -> BadTrace:
        fix = next(fix for word, fix in _FIXES if word in what)
        return BadTrace(f"{self.path}:{line}", what, fix)


_FIXES = (
    ("out of place", f"begin with one {BEGIN} row and finish with one {END} row, or remove them"),
    ("goes back", f"sort the rows by {TIME}"),
    ("negative", "count from a time before the first I/O"),
    ("too large", "give seconds, not milliseconds or smaller units"),
    ("UTF-8", "save the file as UTF-8"),
    ("CSV", "write plain CSV: one row a line, quotes in pairs"),
    ("bytes or more", "write one row a line"),
    ("", "write decimal seconds, such as 12.5"),
)


def _header(reader: Iterator[list[str]], path: Path) -> list[str]:
    """The column names, lower case. Raises BadTrace."""
    try:
        names = [name.strip().lower() for name in next(reader, [])]
    except csv.Error as error:
        raise BadTrace(f"{path}:1", f"not CSV: {error}", "write the header as plain CSV") from None
    if not names:
        raise BadTrace(str(path), "the file is empty", f"write a header with {TIME}, then rows")
    for name in (TIME, "op", "actor", "disk"):
        if names.count(name) > 1:
            fix = "name each column once: replay cannot know which one counts"
            raise BadTrace(f"{path}:1", f"{names.count(name)} columns {name}", fix)
    if TIME not in names:
        fix = f"name the columns in the first line: {TIME}, and optionally op, actor"
        raise BadTrace(f"{path}:1", f"no column {TIME}", fix)
    return names


def _several(where: str, disk: str | None, other: str) -> BadTrace:
    what = f"rows of several disks: {_shown(disk or '')}, {_shown(other)}"
    return BadTrace(where, what, "name one with --disk")


def _field(fields: list[str], column: int | None) -> str:
    return fields[column].strip() if column is not None and column < len(fields) else ""
