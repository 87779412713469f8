"""Reading the books: spans, cycles, gaps and days, in order, as a stream.

Rules: entries come as booked, times to the millisecond; per disk in the order of their days. What
ended before `since` is left out. In the exporter the newest days come from memory, so asking for
them touches no file. A span that is still open is told apart, from the disk's account.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from spinledger.model import Cycle, Entry, Evidence, Explained, Gap, Reading, Span
from spinledger.store.file import ACCOUNT, DAY_ROW, DETAIL, HEAD, Row, head_of, rows_of
from spinledger.store.sheets import Sheet, Totals, day_of, entry_day, expand
from spinledger.store.work import Dumps

ALWAYS = -(1 << 62)  # a `since` before everything, also for a clock that stood in 1969

RowsFrom = Callable[[str, int, str | None], Iterable[Row]]
"""Kind, first day, disk or None for all: rows in the order of day and disk."""


@dataclass(frozen=True, slots=True)
class DayTotals:
    """A disk's lifetime totals at the last commit of a UTC day that has them."""

    disk: str
    day: int  # since 1970-01-01
    wall_ns: int  # of the totals
    totals: Totals
    reading: Reading | None  # the day's last accepted one


class History:
    """The books at one moment. `disk` None means all; `since` is nanoseconds of wall time."""

    def __init__(
        self,
        rows: RowsFrom,
        pending: Sequence[Entry],
        offset_ns: int,
        accounts: Mapping[str, Mapping[str, object]],
        at_ns: int,
    ) -> None:
        self._rows = rows
        self._pending = pending
        self._offset_ns = offset_ns
        self._accounts = accounts
        self._at_ns = at_ns

    def disks(self) -> list[str]:
        """Identities of all disks the ledger knows."""
        return sorted(self._accounts)

    def spans(self, disk: str | None = None, since: int = ALWAYS) -> Iterator[Span]:
        """Spans that ended after `since`."""
        for entry in self._entries("spans", DETAIL, disk, since):
            span = cast(Span, entry)
            if span.ended_wall_ns > since:
                yield span

    def cycles(self, disk: str | None = None, since: int = ALWAYS) -> Iterator[Cycle]:
        """Spin-ups since then."""
        for entry in self._entries("cycles", DETAIL, disk, since):
            cycle = cast(Cycle, entry)
            if cycle.at_wall_ns >= since:
                yield cycle

    def explained(self, disk: str | None = None, since: int = ALWAYS) -> Iterator[Explained]:
        """Causes of spin-ups, of whole days since then."""
        for entry in self._entries("explained", DETAIL, disk, since):
            yield cast(Explained, entry)

    def gaps(self, disk: str | None = None, since: int = ALWAYS) -> Iterator[Gap]:
        """Gaps of 60 s and longer that ended after `since`; kept for good."""
        for entry in self._entries("gaps", DAY_ROW, disk, since):
            gap = cast(Gap, entry)
            if gap.began_wall_ns + gap.ended_ns - gap.began_ns > since:
                yield gap

    def readings(self, disk: str | None = None, since: int = ALWAYS) -> Iterator[Reading]:
        """Readings of the drives' own counters since then."""
        for entry in self._entries("readings", DETAIL, disk, since):
            reading = cast(Reading, entry)
            if reading.at_wall_ns >= since:
                yield reading

    def days(self, disk: str | None = None, since: int = ALWAYS) -> Iterator[DayTotals]:
        """Days that have totals, from the day of `since` on; kept for good."""
        for day, name, sheet in self._sheets(DAY_ROW, disk, since):
            if sheet.totals_wall_ms:
                readings = [cast(Reading, entry) for entry in sheet.entries("readings", name)]
                yield DayTotals(
                    name,
                    day,
                    sheet.totals_wall_ms * 1_000_000,
                    sheet.totals,
                    readings[-1] if readings else None,
                )

    def given(self, since: int) -> Iterator[tuple[str, Sheet]]:
        """Disk and sheet of each UTC day from that of `since` on, decoded once.

        For whoever draws a month at a time: a sheet tells its spans, spin-ups and causes as rows.
        """
        for _, name, sheet in self._sheets(DETAIL, None, since):
            yield name, sheet

    def open_span(self, disk: str) -> Span | None:
        """The span that had not ended at the last tick; None when it is not known."""
        given = cast(Mapping[str, Any], self._accounts.get(disk, {}))
        try:
            began, began_wall = given["span_began_ns"], given["span_began_wall_ns"]
            state, offset = given["state"], given["wall_offset_ns"]
            ended = max(began, given["at_ns"], self._at_ns)
            return Span(
                disk,
                "spinning" if state in ("active", "idle") else state,
                began,
                ended,
                began_wall,
                ended + offset,
                given["span_active_ns"],
                Evidence(given["evidence"]),
            )
        except (KeyError, TypeError, ValueError):
            return None

    def _entries(self, kind: str, row: str, disk: str | None, since: int) -> Iterator[Entry]:
        for _, name, sheet in self._sheets(row, disk, since):
            yield from sheet.entries(kind, name)

    def _sheets(self, kind: str, disk: str | None, since: int) -> Iterator[tuple[int, str, Sheet]]:
        first = day_of(since)
        waiting: dict[tuple[int, str], list[Entry]] = {}
        for entry in self._pending:
            day = entry_day(entry, self._offset_ns)
            mine = DAY_ROW if isinstance(entry, Gap) else DETAIL
            if mine == kind and day >= first and disk in (None, entry.disk):
                waiting.setdefault((day, entry.disk), []).append(entry)
        keys = sorted(waiting, reverse=True)
        for _, day, name, blob in self._rows(kind, first, disk):
            while keys and keys[-1] < (day, name):
                yield _sheet(keys.pop(), waiting)
            sheet = Sheet.decode(blob)
            if keys and keys[-1] == (day, name):
                for entry in waiting[keys.pop()]:
                    sheet.add(entry)
            yield day, name, sheet
        while keys:
            yield _sheet(keys.pop(), waiting)


def _sheet(
    key: tuple[int, str], waiting: Mapping[tuple[int, str], list[Entry]]
) -> tuple[int, str, Sheet]:
    sheet = Sheet()
    for entry in waiting[key]:
        sheet.add(entry)
    return *key, sheet


def read(path: Path) -> History:
    """The books of a file, by connections that cannot write; for when no exporter runs.

    Raises Unavailable when it cannot be read, now or while the history is being read.
    """
    accounts: Dumps = {disk: expand(blob) for _, _, disk, blob in rows_of(path, ACCOUNT, 0, None)}
    at_ns = offset_ns = 0
    for *_, blob in rows_of(path, HEAD, 0, None):
        head = head_of(blob)
        at_ns, offset_ns = head.at_ns, head.wall_ns - head.at_ns

    def rows(kind: str, first_day: int, disk: str | None) -> Iterable[Row]:
        return rows_of(path, kind, first_day, disk)

    return History(rows, (), offset_ns, accounts, at_ns)
