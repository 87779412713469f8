"""The tables as anybody reads them, and what goes into them row by row.

Sources: sqlite.org, "STRICT Tables" and "File Locking"; the truth is what the test handed over.
"""

from __future__ import annotations

import sqlite3
from collections import Counter
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from spinledger.model import DAY, HOUR, MILLISECOND, SECOND, Cycle, Entry, Evidence, Explained, Span
from spinledger.ports import Commit
from spinledger.store.history import read
from spinledger.store.schema import TABLES, VIEWS
from tests.integration.store.written import (
    BOOT,
    WALL_NS,
    Place,
    Shelf,
    disk_name,
    dump,
    everything,
    expected,
    settle,
)


@pytest.fixture
def place(tmp_path: Path) -> Place:
    """An empty place."""
    return Place(tmp_path)


def sql(path: Path, query: str) -> list[Any]:
    """What another program's connection gives."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        return connection.execute(query).fetchall()


def test_anybody_can_read_the_tables_while_the_exporter_runs(place: Place) -> None:
    """Plain SQL on the open file: a row for each spin-up, in number the ledger's total; tables as
    documented, STRICT and WITHOUT ROWID (sqlite.org, "STRICT Tables"); no page is broken."""
    file_store = place.store()
    file_store.restore()
    shelf = Shelf(3, wall_ns=WALL_NS + 12 * HOUR)
    for _ in range(40):
        shelf.tick(file_store, 2 * HOUR)
        shelf.commit(file_store)
        settle(file_store)
    path = place.ledger
    kinds = {
        name: (kind, bool(strict), bool(without))
        for _, name, kind, _, without, strict in sql(path, "PRAGMA table_list")
        if not str(name).startswith("sqlite_")
    }
    tables = dict.fromkeys(TABLES, ("table", True, True))
    assert kinds == tables | dict.fromkeys(VIEWS, ("view", False, False))
    assert sql(path, "PRAGMA integrity_check") == [("ok",)]
    truth = Counter(
        (datetime.fromtimestamp(one.at_wall_ns // SECOND, UTC).date().isoformat(), one.disk)
        for one in shelf.recorded
        if isinstance(one, Cycle)
    )
    rows = sql(
        path,
        "SELECT date(at_s, 'unixepoch'), identity, count(*) FROM cycles JOIN disks USING (disk) "
        "GROUP BY 1, 2",
    )
    assert {row[:2]: row[2] for row in rows} == truth
    assert len(sql(path, "SELECT date(at_s,'unixepoch'), disk, count(*) FROM cycles GROUP BY 1,2"))
    totals = sql(path, "SELECT identity, max(observed_cycles) FROM days JOIN disks USING (disk) "
                       "GROUP BY 1")  # fmt: skip
    assert dict(totals) == shelf.cycles
    by_view = sql(path, "SELECT identity, count(*) FROM spin_ups GROUP BY 1")
    assert dict(by_view) == shelf.cycles
    grown = sql(path, "SELECT identity, sum(observed_cycles) FROM daily GROUP BY 1")
    assert dict(grown) == shelf.cycles
    indexes = "SELECT count(*) FROM sqlite_schema WHERE type = 'index' AND sql IS NOT NULL"
    assert sql(path, indexes) == [(0,)]


def test_an_open_reader_delays_a_commit_and_loses_nothing(place: Place) -> None:
    """While another program is in the middle of reading, a commit waits 5 s, fails and is
    reported; what it held goes in with the next one (sqlite.org, "File Locking", SHARED)."""
    said: list[str] = []
    file_store = place.store(say=said.append)
    file_store.restore()
    shelf = Shelf(2)
    shelf.tick(file_store, chance=1.0)
    shelf.commit(file_store)
    settle(file_store)
    with closing(sqlite3.connect(f"file:{place.ledger}?mode=ro", uri=True)) as reader:
        cursor = reader.execute("SELECT * FROM spans")
        cursor.fetchone()
        shelf.tick(file_store, chance=1.0)
        shelf.commit(file_store)
        assert settle(file_store) == [(2, False)]
        assert "another program" in file_store.status().trouble
        assert everything(file_store.history()) == expected(shelf.recorded)
        cursor.close()
    shelf.tick(file_store, chance=1.0)
    shelf.commit(file_store)
    assert settle(file_store) == [(3, True)]
    assert file_store.status().trouble == ""
    assert everything(read(place.ledger)) == expected(shelf.recorded)
    assert [text for text in said if "written again" in text] == ["the ledger is written again"]


def test_spans_of_no_length_and_of_one_millisecond_are_all_there(place: Place) -> None:
    """Three spans that begin in one millisecond are three rows, in order; the same entries handed
    over again, as after a commit whose end was not known, change nothing."""
    file_store = place.store()
    file_store.restore()
    at, wall = HOUR, WALL_NS + HOUR
    name = disk_name(0)

    def span(state: str, began: int, ended: int) -> Span:
        return Span(
            name, state, at + began, at + ended, wall + began, wall + ended, 0, Evidence.MOVED
        )

    spans = [
        span("spinning", 0, 1000),
        span("standby", 1000, 1000),
        span("spinning", 1000, 60 * SECOND),
    ]
    cycle = Cycle(1, name, at + 1000, wall + 1000, True)
    entries: tuple[Entry, ...] = (*spans, cycle)
    for number in (1, 2):
        accounts = {name: dump(1, at)}
        assert file_store.commit(Commit(number, at, wall, BOOT, False, accounts, {}, entries))
        assert settle(file_store) == [(number, True)]
    states = [one.state for one in read(place.ledger).spans(name)]
    assert states == ["spinning", "standby", "spinning"]
    assert len(list(read(place.ledger).cycles(name))) == 1


def test_recent_spin_ups_are_given_at_a_start(place: Place) -> None:
    """Observed ones of 60 days: of this boot to the nanosecond, also where the wall clock was set
    in between; of an earlier boot by wall time and the last offset; of the live journal as well."""
    name = disk_name(0)
    file_store = place.store("boot-1")
    file_store.restore()

    def put(number: int, boot: str, at: int, wall: int, *times: int, observed: bool = True) -> None:
        entries: list[Entry] = [Cycle(t % 997, name, t, wall - at + t, observed) for t in times]
        accounts = {name: dump(number, at)}
        assert file_store.commit(Commit(number, at, wall, boot, True, accounts, {}, tuple(entries)))
        assert settle(file_store) == [(number, True)]

    wall = WALL_NS + 40 * DAY
    put(1, "boot-1", 100 * DAY, wall, 39 * DAY, 42 * DAY, 99 * DAY)
    file_store.close()
    file_store = place.store("boot-2")
    file_store.restore()
    put(2, "boot-2", 2 * HOUR, wall + 3 * HOUR, HOUR + 1, HOUR + 2)
    put(3, "boot-2", 3 * HOUR, wall + 9 * HOUR, 2 * HOUR + 3)  # the wall clock was set by 5 h
    put(4, "boot-2", 4 * HOUR, wall + 10 * HOUR, 3 * HOUR + 4, observed=False)
    late = Cycle(7, name, 5 * HOUR + 5, wall + 11 * HOUR, True)
    file_store.note(6 * HOUR, wall + 12 * HOUR, {}, [late])
    file_store.close()
    restored = place.store("boot-2").restore()
    assert restored.boot_id == "boot-2"
    shift = 6 * HOUR - (wall + 12 * HOUR)  # from wall time to the present boot's clock
    older = [wall - 100 * DAY + at + shift for at in (42 * DAY, 99 * DAY)]
    mine = [HOUR + 1, HOUR + 2, 2 * HOUR + 3, 5 * HOUR + 5]
    assert restored.recent_cycles == {name: (*older, *mine)}
    assert older[0] > 6 * HOUR - 60 * DAY
    assert wall - 100 * DAY + 39 * DAY + shift < 6 * HOUR - 60 * DAY


def test_recent_spin_ups_come_from_before_the_days_in_memory(place: Place) -> None:
    """Of 70 days with one each, those of 60 days; a changed row among them is noticed."""
    file_store = place.store()
    file_store.restore()
    name = disk_name(0)
    for day in range(1, 71):
        at, wall = day * DAY, WALL_NS + day * DAY
        cycle = Cycle(day, name, at, wall, True)
        accounts = {name: dump(day, at)}
        file_store.commit(Commit(day, at, wall, BOOT, day == 70, accounts, {}, (cycle,)))
        settle(file_store)
    file_store.close()
    file_store = place.store()
    assert file_store.restore().recent_cycles == {name: tuple(range(11 * DAY, 71 * DAY, DAY))}
    file_store.close()
    with closing(sqlite3.connect(place.ledger, isolation_level=None)) as connection:
        connection.execute("UPDATE cycles SET observed = 0 WHERE number = 20")
    assert "set aside" in place.store().restore().lost


def test_a_cause_that_comes_late_is_put_beside_its_spin_up(place: Place) -> None:
    """Also after midnight UTC, and after the spin-up's own commit."""
    file_store = place.store()
    file_store.restore()
    name = disk_name(0)
    at, wall = HOUR, WALL_NS + DAY - 10 * MILLISECOND
    accounts = {name: dump(1, at)}
    cycle = Cycle(1, name, at, wall, True)
    file_store.commit(Commit(1, at, wall, BOOT, False, accounts, {}, (cycle,)))
    settle(file_store)
    cause = Explained(1, name, at + SECOND, "read", "backup", "archive", 7 * SECOND)
    file_store.note(at + SECOND, wall + SECOND, {}, [cause])
    assert [one.cause for one in file_store.history().cycles()] == ["read"]
    file_store.commit(Commit(2, at + SECOND, wall + SECOND, BOOT, False, accounts, {}, (cause,)))
    settle(file_store)
    rows = sql(place.ledger, "SELECT observed, cause, actor, place, wait_ms, wait_s FROM cycles")
    assert rows == [(1, "read", "backup", "archive", 7000, 7.0)]
