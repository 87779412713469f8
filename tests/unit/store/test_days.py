"""Days in memory and lines of the live journal: nothing is lost, nothing is there twice.

Source: the rules are the modules' own. Times in a day are whole milliseconds; the expected value is
made here by dividing and multiplying, independent of the packing. Checksums: hashlib's BLAKE2b
against RFC 7693, appendix A.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from hashlib import blake2b

from hypothesis import given
from hypothesis import strategies as st

from spinledger.model import (
    DAY,
    HOUR,
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
from spinledger.ports import Commit
from spinledger.store.days import (
    COUNTERS,
    EVIDENCE,
    STATES,
    CycleRow,
    Day,
    DayTotals,
    Recent,
    changed,
    checksum,
    entry_day,
    pack_gaps,
    pack_spans,
    packed,
)
from spinledger.store.live import compact, from_json, to_json
from spinledger.store.schema import META, TABLES

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


def ms(ns: int) -> int:
    """Whole milliseconds."""
    return ns // MILLISECOND


@given(st.lists(entries, max_size=30))
def test_a_day_gives_back_what_it_took(recorded: list[Entry]) -> None:
    """Each entry once, in order, to the millisecond; packed again, the rows are the same."""
    day = Day()
    for entry in [*recorded, *recorded]:
        day = day.added(entry, 3)
    span_rows = [
        (
            ms(one.began_wall_ns), ms(one.ended_wall_ns), ms(one.ended_ns) - ms(one.began_ns),
            ms(one.active_ns), one.state, one.evidence.value,
        )
        for one in recorded
        if isinstance(one, Span)
    ]  # fmt: skip
    gap_rows = [
        (ms(one.began_wall_ns), ms(one.ended_ns) - ms(one.began_ns), int(one.censored))
        for one in recorded
        if isinstance(one, Gap)
    ]
    assert list(day.span_rows()) == list(dict.fromkeys(span_rows))
    assert list(day.gap_rows()) == sorted(set(gap_rows))
    assert pack_spans(day.span_rows()) == day.spans
    assert pack_gaps(day.gap_rows()) == day.gaps
    cycles = {
        (ms(one.at_wall_ns), one.number): one
        for one in reversed(recorded)
        if isinstance(one, Cycle)
    }
    assert [row[:5] for row in day.cycles] == [
        (*key, 3, one.at_ns, int(one.observed)) for key, one in sorted(cycles.items())
    ]


@given(st.lists(entries, max_size=20))
def test_a_line_of_the_journal_is_exact(recorded: list[Entry]) -> None:
    """Through JSON text an entry comes back equal, to the nanosecond."""
    assert [from_json(json.loads(compact(to_json(entry)))) for entry in recorded] == recorded


def test_neighbours_still_meet_when_rounded() -> None:
    """Spans that met in the nanosecond meet in the millisecond: state seconds add up."""
    change = 7 * SECOND + 999_999
    day = Day()
    day = day.added(Span(DISK, "standby", 1, change, 1, change, 0, Evidence.REPORTED_STANDBY), 1)
    day = day.added(
        Span(DISK, "spinning", change, change + 5, change, change + 5, 0, Evidence.MOVED), 1
    )
    first, second = day.span_rows()
    assert first[1] == second[0]
    assert first[2] + second[2] == ms(change + 5)


def test_an_entry_belongs_to_the_day_of_its_end() -> None:
    """A gap over midnight UTC is filed under the day on which it ended."""
    gap = Gap(DISK, 100, 100 + DAY, 5 * DAY - 1, False)
    span = Span(DISK, "standby", 0, 1, 5 * DAY - 1, 5 * DAY, 0, Evidence.REPORTED_STANDBY)
    cause = Explained(1, DISK, 3 * DAY, "read", "", "", None)
    assert [entry_day(entry, 2 * DAY) for entry in (gap, span, cause)] == [5, 5, 5]


def test_a_days_last_reading_keeps_what_it_lacks() -> None:
    """A counter that the day's last reading does not have stays as an earlier one had it; a
    reading that was refused changes nothing."""
    worn = Worn(DISK, 0, 5, 900, 4, 7200, None, None, None, "loads: cross_check", 3)
    day = Day().added(Reading(DISK, 0, 0, worn, "accepted"), 1)
    later = replace(worn, at_ns=SECOND, start_stops=6, loads=None, retracts=None)
    day = day.added(Reading(DISK, SECOND, SECOND, later, "accepted"), 1)
    assert day.added(Reading(DISK, HOUR, HOUR, worn, "fell"), 1) == day
    assert day.reading is not None
    row = dict(zip(("at_ms", "boot_ms", *COUNTERS), day.reading, strict=True))
    assert (row["at_ms"], row["start_stops"]) == (1000, 6)
    assert (row["loads"], row["retracts"]) == (900, 3)


def test_a_cause_finds_its_spin_up_on_an_earlier_day() -> None:
    """Also one that was recorded in the same commit; one without a spin-up is dropped, and so is
    what a ledger does not keep one by one."""
    recent = Recent()
    recent.put(3, DISK, Day(cycles=(CycleRow(3 * 86_400_000, 7, 1, 5, 1),)))
    given_entries: list[Entry] = [
        Explained(7, DISK, SECOND, "read", "backup", "", SECOND),
        Cycle(8, DISK, 0, 5 * DAY - SECOND, True),
        Explained(8, DISK, SECOND, "write", "", "", None),
        Explained(9, DISK, SECOND, "other", "", "", None),
        Transition(DISK, 0, State.IDLE, State.ACTIVE),
        Stretch(DISK, State.IDLE, False, 0, SECOND),
    ]
    commit = Commit(1, 0, 6 * DAY, "boot", False, {}, {}, tuple(given_entries))
    days = changed(commit, 1, recent.get, recent.numbers())
    assert {key: [row.cause for row in rows.cycles] for key, rows in days.items()} == {
        (3, DISK): ["read"],
        (4, DISK): ["write"],
    }


def test_memory_holds_31_days_whatever_the_clock_says() -> None:
    """Days beyond the newest 31 that have rows go; a day older than those is not taken."""
    recent = Recent()
    for day in (*range(100, 131), 90_000):
        recent.put(day, DISK, Day())
    assert recent.first_day() == 101
    recent.put(5, DISK, Day())
    assert recent.get(5, DISK) is None
    assert [day for day, _, _ in recent.days(129)] == [129, 130, 90_000]


def test_checksums_are_of_blake2b() -> None:
    """RFC 7693, appendix A: BLAKE2b-512 of "abc" begins ba 80 a5 3f; ours is that function with an
    output of 8 bytes, which is a parameter of it."""
    assert blake2b(b"abc").hexdigest().startswith("ba80a53f981c4d0d")
    expected = blake2b(b"abc", digest_size=8).digest()
    assert checksum(b"abc") == int.from_bytes(expected, "little", signed=True)


@given(st.lists(st.none() | st.integers() | st.text(), max_size=5),
       st.lists(st.none() | st.integers() | st.text(), max_size=5))  # fmt: skip
def test_rows_that_differ_are_packed_differently(
    one: list[int | str | None], other: list[int | str | None]
) -> None:
    """No two rows have the same bytes, whatever stands in their texts."""
    assert (packed(one) == packed(other)) == (one == other)


def test_the_schema_has_the_columns_that_are_written() -> None:
    """In the order in which checksums take them; states and evidence are the model's."""

    def columns(table: str) -> list[str]:
        names = re.findall(r"^  ([a-z_0-9]+) (?:INTEGER|TEXT|REAL)(.*)", TABLES[table], re.M)
        return [name for name, rest in names if "GENERATED" not in rest]

    assert columns("meta") == list(META)
    assert columns("days")[2:-3] == list(DayTotals._fields)
    assert columns("cycles")[2:] == list(CycleRow._fields)
    assert columns("readings")[4:] == list(COUNTERS)
    assert set(EVIDENCE) == set(Evidence)
    assert set(STATES) == {"spinning"} | {s for s in State if not s.spinning}
