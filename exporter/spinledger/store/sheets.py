"""Entries as rows: one sheet a disk and day, and one line of JSON for the live journal.

Rules: a sheet is a set, so writing the same entry twice changes nothing. Times in a sheet are
milliseconds, rounded down, so that what met still meets; the live journal keeps nanoseconds. A
sheet is compressed JSON by column; columns of times hold the difference from the row before. An
entry belongs to the UTC day, by wall time, of its end. Stretches, transitions and gaps under
`LEAST_GAP_NS` are not kept: the folds have eaten them.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, replace
from itertools import accumulate
from typing import Any, cast

from spinledger.model import (
    DAY,
    MILLISECOND,
    SECOND,
    Cycle,
    Entry,
    Evidence,
    Explained,
    Gap,
    Reading,
    Span,
    Worn,
)

LEAST_GAP_NS = 60 * SECOND
OPEN_LEVEL = 1  # zlib level of a sheet that is still written at nearly every commit
CLOSED_LEVEL = 9  # of one that is not

Flat = tuple[Any, ...]
Reported = tuple[int, int, str, int]  # of a span: Sheet.span_rows
Turned = tuple[int, bool, int]  # of a spin-up: Sheet.cycle_rows
Because = tuple[int, str, str, int | None]  # of a spin-up's cause: Sheet.cause_rows
Totals = Mapping[str, Mapping[str, float]]

_compact: Callable[[object], str] = json.JSONEncoder(
    separators=(",", ":"), check_circular=False, ensure_ascii=True
).encode


def kept(entry: Entry) -> bool:
    """True for what the books keep as it is."""
    if isinstance(entry, Gap):
        return entry.ended_ns - entry.began_ns >= LEAST_GAP_NS
    return isinstance(entry, Span | Cycle | Explained | Reading)


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


def compress(value: object, level: int = OPEN_LEVEL) -> bytes:
    """JSON types as bytes."""
    return zlib.compress(_compact(value).encode("ascii"), level)


def expand(blob: bytes) -> Any:
    """The JSON types of `compress`. ValueError when it is none."""
    try:
        return json.loads(zlib.decompress(blob))
    except zlib.error as broken:
        raise ValueError(str(broken)) from None


# Sheets


def _ms(ns: int) -> int:
    return ns // MILLISECOND


def _span(entry: Span) -> Flat:
    began, wall = _ms(entry.began_ns), _ms(entry.began_wall_ns)
    length, wall_length = _ms(entry.ended_ns) - began, _ms(entry.ended_wall_ns) - wall
    active = _ms(entry.active_ns)
    return wall, wall - began, length, wall_length - length, active, entry.state, entry.evidence


def _to_span(disk: str, row: Flat) -> Span:
    wall, offset, length, jump, active, state, evidence = row
    began = (wall - offset) * MILLISECOND
    return Span(
        disk,
        state,
        began,
        began + length * MILLISECOND,
        wall * MILLISECOND,
        (wall + length + jump) * MILLISECOND,
        active * MILLISECOND,
        Evidence(evidence),
    )


def _cycle(entry: Cycle) -> Flat:
    wall = _ms(entry.at_wall_ns)
    return wall, wall - _ms(entry.at_ns), entry.number, int(entry.observed)


def _to_cycle(disk: str, row: Flat) -> Cycle:
    wall, offset, number, observed = row
    return Cycle(
        number, disk, (wall - offset) * MILLISECOND, wall * MILLISECOND, observed=bool(observed)
    )


def _explained(entry: Explained) -> Flat:
    wait = None if entry.wait_ns is None else _ms(entry.wait_ns)
    return _ms(entry.at_ns), entry.cycle, entry.cause, entry.actor, entry.place, wait


def _to_explained(disk: str, row: Flat) -> Explained:
    at, cycle, cause, actor, place, wait = row
    wait_ns = None if wait is None else wait * MILLISECOND
    return Explained(cycle, disk, at * MILLISECOND, cause, actor, place, wait_ns)


def _gap(entry: Gap) -> Flat:
    began, wall = _ms(entry.began_ns), _ms(entry.began_wall_ns)
    return wall, wall - began, _ms(entry.ended_ns) - began, int(entry.censored)


def _to_gap(disk: str, row: Flat) -> Gap:
    wall, offset, length, censored = row
    began = (wall - offset) * MILLISECOND
    return Gap(
        disk, began, began + length * MILLISECOND, wall * MILLISECOND, censored=bool(censored)
    )


_WORN_FIELDS = tuple(field for field in fields(Worn) if field.name not in ("disk", "at_ns"))
_WORN = tuple(field.name for field in _WORN_FIELDS)
_AFTER_WORN = 4  # columns of a reading before those of Worn


def _reading(entry: Reading) -> Flat:
    at, wall = _ms(entry.at_ns), _ms(entry.at_wall_ns)
    worn = [getattr(entry.worn, name) for name in _WORN]
    return wall, wall - at, at - _ms(entry.worn.at_ns), entry.verdict, *worn


def _to_reading(disk: str, row: Flat) -> Reading:
    wall, offset, age, verdict, *worn = row
    at = wall - offset
    given = Worn(disk, (at - age) * MILLISECOND, *worn)
    return Reading(disk, at * MILLISECOND, wall * MILLISECOND, given, verdict)


_FLATTEN: dict[type, tuple[str, Callable[[Any], Flat]]] = {
    Span: ("spans", _span),
    Cycle: ("cycles", _cycle),
    Explained: ("explained", _explained),
    Gap: ("gaps", _gap),
    Reading: ("readings", _reading),
}
_RESTORE: dict[str, tuple[Callable[[str, Flat], Entry], int]] = {
    "spans": (_to_span, 2),  # and how many leading columns hold differences
    "cycles": (_to_cycle, 3),
    "explained": (_to_explained, 2),
    "gaps": (_to_gap, 2),
    "readings": (_to_reading, 2),
}
_LASTING = frozenset({"spans", "gaps"})  # a beginning is told from the end of the one before
_LENGTH = 2  # their column of lengths


class Sheet:
    """What is kept of one disk and one day: entries by kind, and the day's last totals."""

    __slots__ = ("rows", "totals", "totals_wall_ms")

    def __init__(self) -> None:
        self.rows: dict[str, dict[Flat, None]] = {}
        self.totals: Totals = {}
        self.totals_wall_ms = 0  # of the totals; 0: there are none

    def add(self, entry: Entry) -> None:
        """Take an entry; one that is there already changes nothing."""
        kind, flatten = _FLATTEN[type(entry)]
        self.rows.setdefault(kind, {})[flatten(entry)] = None

    def set_reading(self, entry: Reading) -> None:
        """Take the day's last reading: what it lacks and an earlier one of the day has is kept."""
        for earlier in self.entries("readings", entry.disk):
            had = cast(Reading, earlier).worn
            lacking = [name for name in _FIELDS[Worn] if getattr(entry.worn, name) is None]
            worn = replace(entry.worn, **{name: getattr(had, name) for name in lacking})
            entry = replace(entry, worn=worn)
        self.rows["readings"] = {_reading(entry): None}

    def set_totals(self, totals: Totals, wall_ns: int) -> None:
        """The totals so far, to the millionth, in place of earlier ones."""
        self.totals = {
            key: {labels: _short(value) for labels, value in values.items()}
            for key, values in totals.items()
        }
        self.totals_wall_ms = _ms(wall_ns)

    def entries(self, kind: str, disk: str) -> Iterator[Entry]:
        """The entries of a kind (spans, cycles, explained, gaps, readings) as booked."""
        restore = _RESTORE[kind][0]
        for row in self.rows.get(kind, ()):
            yield restore(disk, row)

    def span_rows(self) -> list[Reported]:
        """The spans as plain rows: wall times of beginning and end, state, time in use."""
        return [
            (
                wall * MILLISECOND,
                (wall + length + jump) * MILLISECOND,
                state,
                active * MILLISECOND,
            )
            for wall, _, length, jump, active, state, _ in self.rows.get("spans", ())
        ]

    def cycle_rows(self) -> list[Turned]:
        """The spin-ups as plain rows: wall time, observed, number."""
        return [
            (wall * MILLISECOND, bool(observed), number)
            for wall, _, number, observed in self.rows.get("cycles", ())
        ]

    def cause_rows(self) -> list[Because]:
        """Why spin-ups came, as plain rows: number, cause, actor, wait."""
        return [
            (number, cause, actor, None if wait is None else wait * MILLISECOND)
            for _, number, cause, actor, _, wait in self.rows.get("explained", ())
        ]

    def encode(self, level: int = OPEN_LEVEL) -> bytes:
        """As bytes."""
        made: dict[str, object] = {
            kind: _columns(kind, list(rows)) for kind, rows in self.rows.items()
        }
        if self.totals_wall_ms:
            made["totals"] = self.totals
            made["totals_wall_ms"] = self.totals_wall_ms
        return compress(made, level)

    @classmethod
    def decode(cls, blob: bytes) -> Sheet:
        """From bytes. ValueError when they are no sheet."""
        given = expand(blob)
        sheet = cls()
        for kind in _RESTORE:
            if kind in given:
                columns = _widened(given[kind]) if kind == "readings" else given[kind]
                sheet.rows[kind] = dict.fromkeys(_unfold(kind, columns))
        sheet.totals = given.get("totals", {})
        sheet.totals_wall_ms = given.get("totals_wall_ms", 0)
        return sheet


def _columns(kind: str, rows: Sequence[Flat]) -> list[Sequence[Any]]:
    columns: list[Sequence[Any]] = list(zip(*rows, strict=True))
    for number in range(_RESTORE[kind][1]):
        column = columns[number]
        before = column
        if number == 0 and kind in _LASTING:
            before = [*map(int.__add__, column, columns[_LENGTH])]
        columns[number] = [column[0], *map(int.__sub__, column[1:], before)]
    return columns


def _unfold(kind: str, columns: list[list[Any]]) -> Iterable[Flat]:
    leading = _RESTORE[kind][1]
    plain = [list(accumulate(column)) for column in columns[:leading]]
    if kind in _LASTING:
        lengths = accumulate(columns[_LENGTH][:-1], initial=0)
        plain[0] = [*map(int.__add__, plain[0], lengths)]
    return zip(*plain, *columns[leading:], strict=True)


def _widened(columns: list[list[Any]]) -> list[list[Any]]:
    """Readings of a version whose Worn had fewer fields: the new ones have their defaults."""
    missing = _WORN_FIELDS[len(columns) - _AFTER_WORN :]
    return columns + [[field.default] * len(columns[0]) for field in missing]


def _short(value: float) -> float:
    """To the millionth; a whole number without a fraction."""
    value = round(value, 6)
    return int(value) if value == int(value) else value


# The live journal's form

_LETTERS: dict[type, str] = {Span: "s", Cycle: "c", Explained: "x", Gap: "g", Reading: "r"}
_BY_LETTER = {letter: kind for kind, letter in _LETTERS.items()}
_FIELDS = {kind: tuple(f.name for f in fields(cast(Any, kind))) for kind in (*_LETTERS, Worn)}


def to_json(entry: Entry) -> list[object]:
    """An entry as JSON types, exactly."""
    kind = type(entry)
    values: list[object] = [getattr(entry, name) for name in _FIELDS[kind]]
    if isinstance(entry, Reading):
        worn = entry.worn
        values[3] = [getattr(worn, name) for name in _FIELDS[Worn]]
    return [_LETTERS[kind], *values]


def from_json(given: Sequence[Any]) -> Entry:
    """The entry of `to_json`. KeyError, TypeError or ValueError when it is none."""
    letter, *values = given
    kind = _BY_LETTER[letter]
    if kind is Reading:
        values[3] = Worn(*values[3])
    if kind is Span:
        values[7] = Evidence(values[7])
    return cast(Entry, kind(*values))


def compact(value: object) -> str:
    """JSON types as one line of ASCII."""
    return _compact(value)
