"""History as CSV, JSON, days and OpenMetrics.

Sources: the OpenMetrics text is read by the parser of prometheus_client, the reference
implementation of OpenMetrics 1.0 for Python; CSV by Python's csv module (RFC 4180); lengths of
local days from the tz database (Europe/Prague: 29 March 2026 has 23 h, 25 October 2026 has 25 h).
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable
from datetime import date, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from spinledger.errors import BadInput
from spinledger.model import DAY, HOUR, MINUTE, SECOND, Cycle, Entry, Evidence, Explained, Span
from spinledger.store.days import Day, DayTotals, DiskDay
from spinledger.store.export import (
    Query,
    answer,
    csv_of,
    days,
    openmetrics_of,
    query_of,
    since_ns,
)
from spinledger.store.history import History

DISK = "sim-dome-01"
PRAGUE = ZoneInfo("Europe/Prague")
ACCOUNTS = {DISK: {"cycles": 1}}


def wall(text: str) -> int:
    """Wall nanoseconds of a local time in Prague."""
    return round(datetime.fromisoformat(text).replace(tzinfo=PRAGUE).timestamp()) * SECOND


def span(state: str, began: int, ended: int, active: int = 0) -> Span:
    """A span by wall time; the boot clock began a day before it."""
    return Span(DISK, state, DAY, DAY + ended - began, began, ended, active, Evidence.MOVED)


def history(entries: Iterable[Entry], held: Iterable[DiskDay] = ()) -> History:
    """A history of entries that wait and days of a file."""
    days = list(held)

    def of(first_day: int, disk: str | None, spans: bool) -> list[DiskDay]:
        return [day for day in days if day[0] >= first_day]

    return History(of, list(entries), wall("2026-01-01") - DAY, ACCOUNTS, 0)


@pytest.mark.parametrize(("day", "hours"), [("2026-03-29", 23), ("2026-10-25", 25)])
def test_a_local_day_is_as_long_as_the_clocks_say(day: str, hours: int) -> None:
    """A span over a change of clocks is cut at local midnights; the parts add up."""
    began, ended = wall(f"{day} 00:00") - 6 * HOUR, wall(f"{day} 12:00") + 24 * HOUR
    given = list(days(history([span("standby", began, ended)]), Query(zone=PRAGUE), DISK))
    by_date = {one.date.isoformat(): one.states["standby"] for one in given}
    assert by_date[day] == hours * HOUR
    assert sum(by_date.values()) == ended - began
    assert len(given) == 3


def test_days_without_spans_come_from_totals() -> None:
    """Old days, of which only totals are kept, are the growth from one to the next."""
    rows = []
    for number in range(1, 4):
        totals = DayTotals(
            at_ms=number * 86_400_000 + 3_600_000,
            standby_ms=1_000_000 * number,
            idle_ms=50_000 * number,
            active_ms=5_000 * number,
            observed_cycles=10 * number,
            unobserved_cycles=number,
        )
        rows.append((number, DISK, Day(totals=totals)))
    given = list(days(history([], rows), Query(), DISK))
    assert [one.date for one in given] == [date(1970, 1, 2), date(1970, 1, 3), date(1970, 1, 4)]
    assert {one.source for one in given} == {"totals"}
    assert [one.cycles for one in given] == [11, 11, 11]
    assert [one.states["standby"] for one in given] == [1000 * SECOND] * 3
    assert [one.states["spinning"] for one in given] == [55 * SECOND] * 3


def test_csv_is_what_a_person_would_have_written_down() -> None:
    """Local times with their offset, seconds, and the open span last, without an end."""
    began = wall("2026-07-01 22:00")
    spin_up = began + 90 * MINUTE + SECOND // 2
    past = History(
        lambda day, disk, spans: [],
        [span("standby", began, spin_up), span("spinning", spin_up, spin_up + HOUR, 61 * SECOND)],
        0,
        {
            DISK: {
                "state": "standby",
                "span_began_ns": 5 * HOUR,
                "span_began_wall_ns": spin_up + HOUR,
                "span_active_ns": 0,
                "at_ns": 6 * HOUR,
                "wall_offset_ns": spin_up - 4 * HOUR,
                "evidence": "reported_standby",
            }
        },
        0,
    )
    text = "".join(csv_of(past, Query(zone=PRAGUE)))
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [row["state"] for row in rows] == ["standby", "spinning", "standby"]
    assert rows[0]["began"] == "2026-07-01T22:00:00+02:00"
    assert [row["seconds"] for row in rows] == ["5400.5", "3600", "3600"]
    assert rows[1]["active_seconds"] == "61"
    assert [row["ended"] for row in rows][2] == ""
    assert {row["disk"] for row in rows} == {DISK}


def test_openmetrics_is_read_by_the_reference_parser() -> None:
    """Every sample is accepted; there is one at least every 4 min; counts end at the truth."""
    began = wall("2026-07-01 22:00")
    spin_up, end = began + 2 * HOUR, began + 3 * HOUR
    past = history(
        [
            span("standby", began, spin_up),
            Cycle(1, DISK, spin_up, spin_up, True),
            span("spinning", spin_up, end),
            Cycle(2, DISK, end - MINUTE, end - MINUTE, False),
        ]
    )
    text = "".join(openmetrics_of(past, Query()))
    assert text.endswith("# EOF\n")
    parsed = text_string_to_metric_families(text)  # type: ignore[no-untyped-call]
    families = {family.name: family for family in parsed}
    states = families["spinledger_history_state"]
    times = sorted({float(sample.timestamp) for sample in states.samples})
    assert max(b - a for a, b in pairwise(times)) <= 240
    for at in times:
        now = {s.labels["state"]: s.value for s in states.samples if float(s.timestamp) == at}
        assert sum(now.values()) == 1
        assert now["standby"] == (at < spin_up / SECOND)
    counts = families["spinledger_history_cycles"].samples
    last = {s.labels["observed"]: s.value for s in counts}
    assert last == {"yes": 1, "no": 1}
    assert counts[0].value == 0


def test_json_joins_cycles_with_their_causes() -> None:
    """A cycle has its cause once that is known, and null before."""
    at = wall("2026-07-01 22:00")
    past = history(
        [
            Cycle(1, DISK, at, at, True),
            Cycle(2, DISK, at + HOUR, at + HOUR, True),
            Explained(1, DISK, DAY + SECOND, "read", "backup", "archive", 7 * SECOND),
        ]
    )
    given = json.loads(b"".join(answer(past, {}, at)))
    assert [cycle["actor"] for cycle in given["cycles"]] == ["backup", None]
    assert given["cycles"][0]["wait_seconds"] == 7.0
    assert given["disks"] == [DISK]


@pytest.mark.parametrize(
    ("text", "ns"),
    [
        ("7d", 100 * DAY - 7 * DAY),
        ("90m", 100 * DAY - 90 * MINUTE),
        ("1d12h", 100 * DAY - 36 * HOUR),
        ("1970-01-02T00:00+00:00", DAY),
        ("1970-01-02T00:00 00:00", DAY),  # a plus sign in a query arrives as a space
        ("1970-01-01T00:00:00.5+00:00", SECOND // 2),
    ],
)
def test_since_is_a_date_or_a_duration(text: str, ns: int) -> None:
    """ISO 8601, or a duration before now, as in the configuration."""
    assert since_ns(text, 100 * DAY) == ns


@pytest.mark.parametrize("text", ["yesterday", "7", "2026", "-7d", "2026-13-01", "7 d", "1e9d"])
def test_a_bad_since_says_how_to_write_one(text: str) -> None:
    """Neither date nor duration: one line with what, where and the fix."""
    with pytest.raises(BadInput, match="is neither a date nor a duration; write 2026-01-31"):
        since_ns(text, 0)


def test_an_unknown_disk_is_refused_before_the_first_byte() -> None:
    """One line names the disks that are known."""
    with pytest.raises(
        BadInput, match=f'^--disk: "sim-other" is no disk here; choose from: {DISK}$'
    ):
        answer(history([]), {"disk": "sim-other"}, 0)
    assert query_of(history([]), DISK, None, 0).disk == DISK


def test_a_disk_is_found_by_what_a_screen_shows() -> None:
    """Kernel name and serial number as last seen; a disk that is absent has no kernel name."""

    def account(present: bool) -> dict[str, object]:
        disk = {"nodes": ["sdb"], "serial": f"S{int(present)}", "aliases": []}
        return {"disk": disk, "present": present}

    accounts = {"wwn-0x1": account(True), "wwn-0x2": account(False)}
    past = History(lambda day, disk, spans: [], [], 0, accounts, 0)
    for name, disk in (("sdb", "wwn-0x1"), ("S0", "wwn-0x2"), ("wwn-0x2", "wwn-0x2")):
        assert query_of(past, name, None, 0).disk == disk


def test_since_leaves_out_what_ended_before() -> None:
    """A span that lasts into the time query_of for is there, one that ended before is not."""
    at = wall("2026-07-01 12:00")
    past = history([span("standby", at, at + HOUR), span("spinning", at + HOUR, at + 2 * HOUR)])
    assert [s.state for s in past.spans(DISK, at + HOUR)] == ["spinning"]
    assert [s.state for s in past.spans(DISK, at + HOUR - 1)] == ["standby", "spinning"]
