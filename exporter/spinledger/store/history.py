"""Reading what is recorded: spans, cycles, gaps and days, in order, as a stream.

Rules: times are of the wall clock, to the millisecond, in nanoseconds; per disk in the order of
their days. What ended before `since` is left out. In the exporter the newest days come from memory,
so that reading them touches no file. A span that is still open comes from the disk's account.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple, cast

from spinledger.config.naming import identify
from spinledger.ledger.dumps import load_disk
from spinledger.model import MILLISECOND, Disk, Entry, Explained, Reading, Worn
from spinledger.store.days import (
    COUNTERS,
    Day,
    DayTotals,
    DiskDay,
    Kept,
    ReadingRow,
    day_of,
    entry_day,
)
from spinledger.store.file import read_accounts, read_days

ALWAYS = -(1 << 62)  # a `since` before everything, also for a clock that stood in 1969

DaysFrom = Callable[[int, str | None, bool], Iterable[DiskDay]]
"""First day, disk or None for all, whether spans and gaps are needed: day, disk and rows in the
order of day and disk."""


class PastSpan(NamedTuple):
    """A stretch of one kind. `length_ns` is of the boot clock."""

    disk: str
    state: str  # spinning, standby, unknown, unobserved
    began_wall_ns: int
    ended_wall_ns: int
    length_ns: int
    active_ns: int
    evidence: str  # what began it


class PastCycle(NamedTuple):
    """A spin-up; the cause and what follows is None until it is explained."""

    disk: str
    number: int
    at_wall_ns: int
    observed: bool
    cause: str | None = None
    actor: str | None = None
    place: str | None = None
    wait_ns: int | None = None


class PastGap(NamedTuple):
    """Time between two I/O requests of others, a minute or longer."""

    disk: str
    began_wall_ns: int
    length_ns: int
    censored: bool  # its end or beginning was not observed

    @property
    def ended_wall_ns(self) -> int:
        """When it ended."""
        return self.began_wall_ns + self.length_ns


class PastDay(NamedTuple):
    """A disk's lifetime totals at the last commit of a UTC day that has them."""

    disk: str
    day: int  # since 1970-01-01
    totals: DayTotals
    reading: Reading | None  # the day's last accepted one; its boot clock is that of its day


class History:
    """What is recorded at one moment. `disk` None means all; `since` is wall nanoseconds."""

    def __init__(
        self,
        days: DaysFrom,
        pending: Sequence[Entry],
        offset_ns: int,
        accounts: Mapping[str, Mapping[str, object]],
        at_ns: int,
    ) -> None:
        self._days_from = days
        self._pending = [entry for entry in pending if isinstance(entry, Kept)]
        self._offset_ns = offset_ns
        self._accounts = accounts
        self._at_ns = at_ns
        self._causes = {
            (entry.disk, entry.cycle): entry
            for entry in self._pending
            if isinstance(entry, Explained)
        }

    def disks(self) -> list[str]:
        """Identities of all disks the ledger knows."""
        return sorted(self._accounts)

    def identity(self, name: str) -> str:
        """The identity of the disk with a name, as it was last seen. Raises BadInput."""
        known: dict[str, tuple[str, ...]] = {}
        for identity, account in self._accounts.items():
            disk = cast(Mapping[str, Any], account).get("disk", {})
            nodes = disk.get("nodes", ()) if account.get("present", True) else ()
            names = (*nodes, disk.get("serial", ""), *disk.get("aliases", ()))
            known[identity] = tuple(filter(None, names))
        return identify(known, name, "--disk")

    def disk(self, identity: str) -> Disk | None:
        """The disk as it was last seen; None where that is not known."""
        known = cast(Mapping[str, Any], self._accounts.get(identity, {})).get("disk")
        return load_disk(known) if known else None

    def spans(self, disk: str | None = None, since: int = ALWAYS) -> Iterator[PastSpan]:
        """Spans that ended after `since`."""
        for _, name, rows in self._days(disk, since):
            for span in past_spans(name, rows):
                if span.ended_wall_ns > since:
                    yield span

    def cycles(self, disk: str | None = None, since: int = ALWAYS) -> Iterator[PastCycle]:
        """Spin-ups since then."""
        for _, name, rows in self._days(disk, since, spans=False):
            for cycle in past_cycles(name, rows):
                if cycle.at_wall_ns >= since:
                    yield cycle

    def gaps(self, disk: str | None = None, since: int = ALWAYS) -> Iterator[PastGap]:
        """Gaps of 60 s and longer that ended after `since`."""
        for _, name, rows in self._days(disk, since):
            for began, length, censored in rows.gap_rows():
                gap = PastGap(name, began * MILLISECOND, length * MILLISECOND, bool(censored))
                if gap.ended_wall_ns > since:
                    yield gap

    def days(self, disk: str | None = None, since: int = ALWAYS) -> Iterator[PastDay]:
        """Days that have totals, from the day of `since` on; kept for good."""
        for day, name, rows in self._days(disk, since, spans=False):
            if rows.totals.at_ms:
                yield PastDay(name, day, rows.totals, _reading(name, rows.reading))

    def by_day(self, since: int) -> Iterator[tuple[str, list[PastSpan], list[PastCycle]]]:
        """Disk, spans and spin-ups of each UTC day from that of `since` on."""
        for _, name, rows in self._days(None, since):
            yield name, list(past_spans(name, rows)), list(past_cycles(name, rows))

    def open_span(self, disk: str) -> PastSpan | None:
        """The span that had not ended at the last tick; None when it is not known."""
        account = cast(Mapping[str, Any], self._accounts.get(disk, {}))
        try:
            began, began_wall = account["span_began_ns"], account["span_began_wall_ns"]
            ended = max(began, account["at_ns"], self._at_ns)
            state = account["state"]
            return PastSpan(
                disk,
                "spinning" if state in ("active", "idle") else state,
                began_wall,
                ended + account["wall_offset_ns"],
                ended - began,
                account["span_active_ns"],
                account["evidence"],
            )
        except (KeyError, TypeError, ValueError):
            return None

    def open_gap(self, disk: str) -> PastGap | None:
        """The time since the last I/O of others, up to the last tick; None when not known."""
        account = cast(Mapping[str, Any], self._accounts.get(disk, {}))
        try:
            io_ns, offset_ns = account["io_ns"], account["wall_offset_ns"]
            began = account["opened_ns"] if io_ns is None else io_ns
            unseen = account["unseen_ns"]
            ended = max(account["at_ns"], self._at_ns) if unseen is None else unseen
        except (KeyError, TypeError):
            return None
        return PastGap(disk, began + offset_ns, max(0, ended - began), True)

    def _days(self, disk: str | None, since: int, spans: bool = True) -> Iterator[DiskDay]:
        """Days with what is not in them yet."""
        first = day_of(since)
        waiting: dict[tuple[int, str], list[Entry]] = {}
        for entry in self._pending:
            day = entry_day(entry, self._offset_ns)
            if day >= first and disk in (None, entry.disk) and not isinstance(entry, Explained):
                waiting.setdefault((day, entry.disk), []).append(entry)
        keys = sorted(waiting, reverse=True)
        for day, name, rows in self._days_from(first, disk, spans):
            while keys and keys[-1] < (day, name):
                key = keys.pop()
                yield *key, self._with(key[1], Day(), waiting[key])
            more = waiting[keys.pop()] if keys and keys[-1] == (day, name) else []
            yield day, name, self._with(name, rows, more)
        while keys:
            key = keys.pop()
            yield *key, self._with(key[1], Day(), waiting[key])

    def _with(self, disk: str, rows: Day, entries: Iterable[Entry]) -> Day:
        for entry in entries:
            rows = rows.added(entry, 0)
        for row in rows.cycles if self._causes else ():
            cause = self._causes.get((disk, row.number))
            rows = (cause and rows.explained(cause)) or rows
        return rows


def past_spans(disk: str, rows: Day) -> Iterator[PastSpan]:
    """The spans of a day."""
    for began, ended, length, active, state, evidence in rows.span_rows():
        yield PastSpan(
            disk,
            state,
            began * MILLISECOND,
            ended * MILLISECOND,
            length * MILLISECOND,
            active * MILLISECOND,
            evidence,
        )


def past_cycles(disk: str, rows: Day) -> Iterator[PastCycle]:
    """The spin-ups of a day."""
    for row in rows.cycles:
        yield PastCycle(
            disk,
            row.number,
            row.at_ms * MILLISECOND,
            bool(row.observed),
            row.cause,
            row.actor,
            row.place,
            None if row.wait_ms is None else row.wait_ms * MILLISECOND,
        )


def _reading(disk: str, row: ReadingRow | None) -> Reading | None:
    if row is None:
        return None
    at_ms, boot_ms, *counters = row
    boot_ns = boot_ms * MILLISECOND
    worn = Worn(disk, boot_ns, **dict(zip(COUNTERS, counters, strict=True)))
    return Reading(disk, boot_ns, at_ms * MILLISECOND, worn, "accepted")


def read(path: Path) -> History:
    """What a file holds, by connections that cannot write; for when no exporter runs.

    Raises Unavailable when it cannot be read, now or while the history is being read; Refusal for
    a newer version and for what is no ledger.
    """
    meta, accounts = read_accounts(path)

    def days(first: int, disk: str | None, spans: bool) -> Iterable[DiskDay]:
        return read_days(path, first, None, disk, spans)

    return History(days, (), meta.wall_ns - meta.at_ns, accounts, meta.at_ns)
