"""Entries as rows and as lines: nothing is lost, nothing is there twice.

Source: the rules are the module's own. Times in a sheet are whole milliseconds; the expected value
is made here by dividing and multiplying, independent of the columns.
"""

from __future__ import annotations

import json
import zlib
from dataclasses import fields, replace

from hypothesis import given
from hypothesis import strategies as st

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
    State,
    Stretch,
    Transition,
    Worn,
)
from spinledger.store.sheets import (
    LEAST_GAP_NS,
    Sheet,
    compact,
    entry_day,
    from_json,
    kept,
    to_json,
)

DISK = "sim-dome-01"
times = st.integers(0, 1 << 62)
words = st.text(max_size=12)
counts = st.none() | st.integers(0, 1 << 48)

spans = st.builds(
    Span,
    st.just(DISK),
    st.sampled_from(["spinning", "standby", "unknown", "unobserved"]),
    times,
    times,
    times,
    times,
    times,
    st.sampled_from(Evidence),
)
cycles = st.builds(Cycle, st.integers(1, 1 << 40), st.just(DISK), times, times, st.booleans())
explained = st.builds(
    Explained,
    st.integers(1, 1 << 40),
    st.just(DISK),
    times,
    words,
    words,
    words,
    st.none() | times,
)
gaps = st.builds(Gap, st.just(DISK), times, times, times, st.booleans())
worn = st.builds(
    Worn, st.just(DISK), times, counts, counts, counts, counts, counts, counts, counts, words
)
readings = st.builds(Reading, st.just(DISK), times, times, worn, words)
entries = st.one_of(spans, cycles, explained, gaps, readings)
KINDS = {
    Span: "spans",
    Cycle: "cycles",
    Explained: "explained",
    Gap: "gaps",
    Reading: "readings",
}


def to_the_millisecond(entry: Entry) -> Entry:
    """The same entry with each time rounded down to whole milliseconds."""
    changed: dict[str, object] = {}
    for field in fields(entry):
        value = getattr(entry, field.name)
        if field.name.endswith("_ns") and value is not None:
            changed[field.name] = value // MILLISECOND * MILLISECOND
        if isinstance(value, Worn):
            changed[field.name] = replace(value, at_ns=value.at_ns // MILLISECOND * MILLISECOND)
    return replace(entry, **changed)  # type: ignore[arg-type]


@given(st.lists(entries, max_size=30))
def test_a_sheet_gives_back_what_it_took(recorded: list[Entry]) -> None:
    """Each kind comes back in order, each entry once, to the millisecond."""
    sheet = Sheet()
    for entry in [*recorded, *recorded]:
        sheet.add(entry)
    again = Sheet.decode(sheet.encode())
    for kind, name in KINDS.items():
        mine = [to_the_millisecond(entry) for entry in recorded if type(entry) is kind]
        assert list(again.entries(name, DISK)) == list(dict.fromkeys(mine))


@given(st.lists(entries, max_size=20))
def test_a_line_of_the_journal_is_exact(recorded: list[Entry]) -> None:
    """Through JSON text an entry comes back equal, to the nanosecond."""
    assert [from_json(json.loads(compact(to_json(entry)))) for entry in recorded] == recorded


def test_neighbours_still_meet_when_rounded() -> None:
    """Spans that met in the nanosecond meet in the millisecond: the books balance."""
    turn = 7 * SECOND + 999_999
    sheet = Sheet()
    sheet.add(Span(DISK, "standby", 1, turn, 1, turn, 0, Evidence.REPORTED_STANDBY))
    sheet.add(Span(DISK, "spinning", turn, turn + 5, turn, turn + 5, 0, Evidence.MOVED))
    first, second = sheet.entries("spans", DISK)
    assert isinstance(first, Span)
    assert isinstance(second, Span)
    assert (first.ended_ns, first.ended_wall_ns) == (second.began_ns, second.began_wall_ns)


def test_readings_of_a_smaller_version_have_defaults() -> None:
    """A sheet whose readings have fewer columns is read, and can be written with newer ones."""
    result = Worn(DISK, 0, 1, 2, 3, 4, 5, 6, 7, "record")
    sheet = Sheet()
    sheet.add(Reading(DISK, 0, 0, result, "accepted"))
    old = json.loads(zlib.decompress(sheet.encode()))
    kept_columns = 4 + 8  # four of the reading; start_stops to origin, as version 1 began
    old["readings"] = old["readings"][:kept_columns]
    again = Sheet.decode(zlib.compress(json.dumps(old).encode()))
    assert [r.worn for r in again.entries("readings", DISK) if isinstance(r, Reading)] == [result]
    again.add(Reading(DISK, SECOND, SECOND, result, "accepted"))
    assert len(list(Sheet.decode(again.encode()).entries("readings", DISK))) == 2


def test_only_what_history_needs_is_kept() -> None:
    """Short gaps, stretches and transitions are left to the folds."""
    short = Gap(DISK, 0, LEAST_GAP_NS - 1, 0, False)
    enough = Gap(DISK, 0, LEAST_GAP_NS, 0, False)
    flip = Transition(DISK, 0, State.IDLE, State.ACTIVE)
    stretch = Stretch(DISK, State.IDLE, False, 0, SECOND)
    assert [kept(entry) for entry in (short, enough, flip, stretch)] == [False, True, False, False]


def test_an_entry_belongs_to_the_day_of_its_end() -> None:
    """A gap over midnight UTC is filed under the day on which it ended."""
    gap = Gap(DISK, 100, 100 + DAY, 5 * DAY - 1, False)
    span = Span(DISK, "standby", 0, 1, 5 * DAY - 1, 5 * DAY, 0, Evidence.REPORTED_STANDBY)
    cause = Explained(1, DISK, 3 * DAY, "read", "", "", None)
    assert [entry_day(entry, 2 * DAY) for entry in (gap, span, cause)] == [5, 5, 5]


def test_a_days_last_reading_keeps_what_it_lacks() -> None:
    """A counter that the day's last reading does not tell stays as an earlier one had it."""
    worn = Worn(DISK, 0, 5, 900, 4, 7200, None, None, None, "loads: cross_check", 3)
    sheet = Sheet()
    sheet.set_reading(Reading(DISK, 0, 0, worn, "accepted"))
    later = replace(worn, at_ns=SECOND, start_stops=6, loads=None, retracts=None)
    sheet.set_reading(Reading(DISK, SECOND, SECOND, later, "accepted"))
    (result,) = Sheet.decode(sheet.encode()).entries("readings", DISK)
    assert isinstance(result, Reading)
    assert (result.at_ns, result.worn.start_stops) == (SECOND, 6)
    assert (result.worn.loads, result.worn.retracts) == (900, 3)
