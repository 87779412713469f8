"""Days as memory holds them: a disk's rows of the tables, packed, and their checksums.

Rules: an entry belongs to the UTC day, by wall time, of its end. Times are milliseconds, rounded
down, so that what met still meets. A day is never changed, only replaced; adding the same entry
again gives the same day. Spans are packed by `SPAN` in the order in which they were recorded, gaps
by `GAP` in that of their rows: 31 days of 24 busy disks are some 5 MB, and a checksum needs no
further work.

A checksum is the first 64 bits of BLAKE2b (RFC 7693), as a signed integer. Strings that a packed
row holds as a number stand in `STATES` and `EVIDENCE`; their order is part of the file's format.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import fields
from hashlib import blake2b
from itertools import chain
from operator import itemgetter
from struct import Struct, pack
from typing import Any, NamedTuple, cast

from spinledger.facts import Totals
from spinledger.model import (
    DAY,
    MILLISECOND,
    Cycle,
    Entry,
    Explained,
    Gap,
    Reading,
    Span,
    State,
    Worn,
)
from spinledger.ports import Commit

STATES = ("spinning", "standby", "unknown", "unobserved")
EVIDENCE = (
    "moved", "still", "reported_spinning", "reported_standby", "refused", "expired", "unseen",
)  # fmt: skip
SPAN = Struct("<qqqqBB")  # began, ended, length, active (ms); places in STATES and EVIDENCE
GAP = Struct("<qqq")  # began, length (ms); censored

COUNTERS = tuple(field.name for field in fields(Worn) if field.name not in ("disk", "at_ns"))
"""The columns of a reading, in the order of `model.Worn`."""

DAYS_HELD = 31  # in memory

Kept = Span | Cycle | Explained | Gap | Reading
"""What a ledger keeps one by one; other entries are in the totals alone."""

ReadingRow = tuple[Any, ...]  # at_ms, boot_ms, then COUNTERS
DiskDay = tuple[int, str, "Day"]  # day, disk, rows


class CycleRow(NamedTuple):
    """A row of `cycles` after its day and disk."""

    at_ms: int
    number: int
    boot: int
    boot_ns: int
    observed: int
    cause: str | None = None
    actor: str | None = None
    place: str | None = None
    wait_ms: int | None = None


class DayTotals(NamedTuple):
    """A disk's lifetime totals at the last commit of a day. `at_ms` 0: none are recorded."""

    at_ms: int = 0
    active_ms: int = 0
    idle_ms: int = 0
    standby_ms: int = 0
    unknown_ms: int = 0
    unobserved_ms: int = 0
    quiet_active_ms: int = 0
    quiet_idle_ms: int = 0
    quiet_standby_ms: int = 0
    quiet_unknown_ms: int = 0
    quiet_unobserved_ms: int = 0
    observed_cycles: int = 0
    unobserved_cycles: int = 0
    energy_j: int = 0
    saved_j: int = 0
    lost_j: int = 0
    commands: int = 0
    failed_probes: int = 0
    probe_disturbances: int = 0
    rejected_readings: int = 0

    @classmethod
    def of(cls, totals: Totals, wall_ns: int) -> DayTotals:
        """The columns of a disk's counters at a wall time."""
        all_ms, quiet_ms = (
            {f"{kind}{state}_ms": _ms(times.get(state, 0)) for state in State}
            for kind, times in (("", totals.state_ns), ("quiet_", totals.quiet_ns))
        )
        return cls(
            at_ms=_ms(wall_ns),
            observed_cycles=totals.cycles,
            unobserved_cycles=totals.unobserved_cycles,
            energy_j=round(sum(totals.energy_j.values())),
            saved_j=round(totals.saved_j),
            lost_j=round(totals.lost_j),
            commands=sum(totals.commands.values()),
            failed_probes=sum(totals.failures.values()),
            probe_disturbances=sum(totals.disturbances.values()),
            rejected_readings=sum(totals.rejected.values()),
            **all_ms,
            **quiet_ms,
        )


class Day(NamedTuple):
    """What the tables hold of one disk and day."""

    spans: bytes = b""
    gaps: bytes = b""
    cycles: tuple[CycleRow, ...] = ()  # by time and number
    reading: ReadingRow | None = None  # the last accepted one
    totals: DayTotals = DayTotals()

    def added(self, entry: Entry, boot: int) -> Day:
        """With an entry; the same where it is there already, or is of a kind that is not kept.

        `boot` is the number of the boot whose clock a cycle's time is of.
        """
        if isinstance(entry, Span):
            return self._replace(spans=_appended(self.spans, _span(entry), SPAN.size))
        if isinstance(entry, Gap):
            return self._replace(gaps=_with_gap(self.gaps, _gap(entry)))
        if isinstance(entry, Cycle):
            at_ms = _ms(entry.at_wall_ns)
            if any((row.at_ms, row.number) == (at_ms, entry.number) for row in self.cycles):
                return self
            row = CycleRow(at_ms, entry.number, boot, entry.at_ns, int(entry.observed))
            return self._replace(cycles=tuple(sorted((*self.cycles, row))))
        if isinstance(entry, Reading) and entry.verdict == "accepted":
            return self._replace(reading=_reading(entry, self.reading))
        return self

    def explained(self, entry: Explained) -> Day | None:
        """With the cause of one of its cycles; None where that cycle is not of this day."""
        for place, row in enumerate(self.cycles):
            if row.number == entry.cycle:
                wait_ms = None if entry.wait_ns is None else _ms(entry.wait_ns)
                row = CycleRow(*row[:5], entry.cause, entry.actor, entry.place, wait_ms)
                cycles = (*self.cycles[:place], row, *self.cycles[place + 1 :])
                return self._replace(cycles=cycles)
        return None

    def span_rows(self, first: int = 0) -> Iterator[tuple[int, int, int, int, str, str]]:
        """Began, ended, length, active (ms), state, evidence of the spans after so many."""
        for *times, state, evidence in SPAN.iter_unpack(self.spans[first * SPAN.size :]):
            yield (*times, STATES[state], EVIDENCE[evidence])

    def gap_rows(self) -> Iterator[tuple[int, int, int]]:
        """Began, length (ms), censored of the gaps."""
        yield from GAP.iter_unpack(self.gaps)

    @property
    def spans_checksum(self) -> int:
        """Of the day's spans and gaps; 0 where it has none."""
        if not self.spans and not self.gaps:
            return 0
        return checksum(len(self.spans).to_bytes(8, "little") + self.spans + self.gaps)

    @property
    def cycles_checksum(self) -> int:
        """Of the day's cycles and its reading; 0 where it has none."""
        if not self.cycles and self.reading is None:
            return 0
        rows = b"".join(map(packed, self.cycles))
        return checksum(rows + packed(self.reading or ()))


# Packing


def pack_spans(rows: Iterable[Sequence[Any]]) -> bytes:
    """Rows as `Day.span_rows` gives them. ValueError or struct.error for what is none."""
    return b"".join(
        SPAN.pack(*times, STATES.index(state), EVIDENCE.index(evidence))
        for *times, state, evidence in rows
    )


def pack_gaps(rows: Iterable[Sequence[Any]]) -> bytes:
    """Rows as `Day.gap_rows` gives them."""
    values = [*chain.from_iterable(rows)]
    return pack(f"<{len(values)}q", *values)


def packed(values: Iterable[int | str | None]) -> bytes:
    """Any row as bytes that no other row has, on any version of Python."""
    return ascii(tuple(values)).encode("ascii")


def checksum(data: bytes) -> int:
    """64 bits as the signed integer that SQLite keeps."""
    return int.from_bytes(blake2b(data, digest_size=8).digest(), "little", signed=True)


def day_of(wall_ns: int) -> int:
    """Days since 1970-01-01, UTC."""
    return wall_ns // DAY


def entry_day(entry: Entry, offset_ns: int) -> int:
    """The day an entry belongs to; `offset_ns` is wall minus boot time, for those without wall."""
    if isinstance(entry, Span):
        return day_of(entry.ended_wall_ns)
    if isinstance(entry, Gap):
        return day_of(entry.began_wall_ns + entry.ended_ns - entry.began_ns)
    if isinstance(entry, Cycle | Reading):
        return day_of(entry.at_wall_ns)
    return day_of(cast(Explained, entry).at_ns + offset_ns)


def _ms(ns: int) -> int:
    return ns // MILLISECOND


def _span(entry: Span) -> bytes:
    return SPAN.pack(
        _ms(entry.began_wall_ns),
        _ms(entry.ended_wall_ns),
        _ms(entry.ended_ns) - _ms(entry.began_ns),
        _ms(entry.active_ns),
        STATES.index(entry.state),
        EVIDENCE.index(entry.evidence),
    )


def _gap(entry: Gap) -> bytes:
    length = _ms(entry.ended_ns) - _ms(entry.began_ns)
    return GAP.pack(_ms(entry.began_wall_ns), length, entry.censored)


def _appended(rows: bytes, row: bytes, size: int) -> bytes:
    at = rows.find(row)
    while at >= 0:
        if at % size == 0:
            return rows
        at = rows.find(row, at + 1)
    return rows + row


def _with_gap(gaps: bytes, gap: bytes) -> bytes:
    """In order of time: only a wall clock that was set back puts one before another."""
    both = _appended(gaps, gap, GAP.size)
    if both is gaps or not gaps or GAP.unpack(gaps[-GAP.size :]) < GAP.unpack(gap):
        return both
    return pack_gaps(sorted(GAP.iter_unpack(both)))


def _reading(entry: Reading, before: ReadingRow | None) -> ReadingRow:
    """The row of a reading; a counter that it lacks stays as an earlier one of the day had it."""
    values = [getattr(entry.worn, name) for name in COUNTERS]
    if before is not None:
        both = zip(values, before[2:], strict=True)
        values = [had if value is None else value for value, had in both]
    return (_ms(entry.at_wall_ns), _ms(entry.at_ns), *values)


# The newest days


class Recent:
    """The newest days in memory, as they stand in the file. The store thread writes, any thread
    reads: each step is one operation on a dictionary. At most `DAYS` days that have rows are held,
    so that a wrong clock costs days, never memory.
    """

    def __init__(self, whole: bool = True) -> None:
        self._days: dict[int, dict[str, Day]] = {}
        self._whole = whole  # no day was left out

    def put(self, day: int, disk: str, rows: Day) -> None:
        """Take a day of a disk, unless it is too old."""
        disks = self._days.get(day)
        if disks is None:
            if len(self._days) >= DAYS_HELD:
                self._whole = False
                first = min(self._days)
                if day < first:
                    return
                del self._days[first]
            disks = self._days[day] = {}
        disks[disk] = rows

    def get(self, day: int, disk: str) -> Day | None:
        """A day of a disk; None when it is not held."""
        return self._days.get(day, {}).get(disk)

    def first_day(self) -> int | None:
        """The oldest day held; None when all there is, is held."""
        days = list(self._days)
        return None if self._whole or not days else min(days)

    def days(
        self, first: int | None = None, disk: str | None = None, spans: bool = True
    ) -> list[DiskDay]:
        """Day, disk and rows, in order, from a day on; spans are there at no cost."""
        found = [
            (day, name, rows)
            for day, disks in list(self._days.items())
            if first is None or day >= first
            for name, rows in list(disks.items())
            if disk in (None, name)
        ]
        return sorted(found, key=itemgetter(0, 1))

    def numbers(self) -> list[int]:
        """The days that are held."""
        return list(self._days)


def changed(
    commit: Commit, boot: int, get: Callable[[int, str], Day | None], days: Iterable[int]
) -> dict[tuple[int, str], Day]:
    """The days, by day and disk, that a commit changes, as they are then.

    `boot` is the number of the boot whose clock cycles are of; `get` gives a day as it was. A cause
    is looked for on its own day, on `days` and on those that are changed, newest first; one whose
    cycle is not there is dropped.
    """
    found: dict[tuple[int, str], Day] = {}

    def rows_of(day: int, disk: str) -> Day | None:
        return found.get((day, disk)) or get(day, disk)

    offset_ns = commit.wall_ns - commit.at_ns
    for entry in commit.entries:
        if not isinstance(entry, Kept):
            continue
        day = entry_day(entry, offset_ns)
        if isinstance(entry, Explained):
            for each in sorted({day, *days, *(one for one, _ in found)}, reverse=True):
                rows = rows_of(each, entry.disk)
                explained = rows.explained(entry) if rows else None
                if explained is not None:
                    found[each, entry.disk] = explained
                    break
            continue
        old = rows_of(day, entry.disk)
        new = (old or Day()).added(entry, boot)
        if new != old:
            found[day, entry.disk] = new
    today = day_of(commit.wall_ns)
    for disk, totals in commit.totals.items():
        rows = rows_of(today, disk) or Day()
        found[today, disk] = rows._replace(totals=DayTotals.of(totals, commit.wall_ns))
    return found
