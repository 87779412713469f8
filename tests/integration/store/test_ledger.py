"""The ledger over orderly stops, kills, power cuts, copies put back, and other hands.

Source: the rules are the ledger's own; the truth they are judged by is kept apart, in the test's
shelf. File system behaviour: rename(2), flock(2).
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from spinledger.errors import Refusal, Unavailable
from spinledger.model import DAY, HOUR, SECOND
from spinledger.ports import Restored
from spinledger.store.file import HEAD, SCHEMA, Head, LedgerFile, migrate, row_checksum
from spinledger.store.history import read
from spinledger.store.ledger import FileStore
from spinledger.store.memory import MemoryStore
from spinledger.store.work import Work
from tests.integration.store.written import (
    BOOT,
    WALL_NS,
    Shelf,
    disk_name,
    everything,
    reading,
    settle,
    store,
)

ROOT = Path(__file__).parents[3]


class Place:
    """A folder with a ledger and a live journal, which can be put aside and brought back."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.ledger = folder / "ledger" / "ledger.db"
        self.live = folder / "live"
        self.live.mkdir(parents=True, exist_ok=True)

    def store(
        self, boot_id: str = BOOT, say: Callable[[str], None] = lambda text: None
    ) -> FileStore:
        """A store over it."""
        return store(self.ledger, self.live, boot_id=boot_id, say=say)

    def keep(self, name: str) -> None:
        """Copy both folders aside, as a kill or a power cut at this moment would leave them."""
        shutil.rmtree(self.folder / name, ignore_errors=True)
        for part in ("ledger", "live"):
            shutil.copytree(self.folder / part, self.folder / name / part)

    def bring_back(self, name: str, *, journal: bool) -> None:
        """Put both folders as they were kept; the live journal only if it survives."""
        for part in ("ledger", "live"):
            shutil.rmtree(self.folder / part)
            shutil.copytree(self.folder / name / part, self.folder / part)
        if not journal:
            shutil.rmtree(self.live)
            self.live.mkdir()


@pytest.fixture
def place(tmp_path: Path) -> Place:
    """An empty place."""
    return Place(tmp_path)


def counts(restored: Restored) -> dict[str, object]:
    """The count in each restored account."""
    return {name: account["cycles"] for name, account in restored.accounts.items()}


def some(books: dict[str, int]) -> dict[str, int]:
    """Counts of the disks that have any."""
    return {name: count for name, count in books.items() if count}


class Held:
    """Stops the store thread before or after it writes, as a stalled disk would."""

    def __init__(self, books: FileStore) -> None:
        self.gate = threading.Event()
        self.done = threading.Event()
        writer = books._writer
        write = writer.write

        def held(work: Work) -> object:
            self.gate.wait(30)
            outcome = write(work)
            self.done.set()
            return outcome

        writer.write = held  # type: ignore[assignment, method-assign]


ACTS = st.lists(
    st.sampled_from(
        ["tick", "tick", "commit", "clean", "kill", "cut", "kill in flight", "cut in flight",
         "kill written", "cut written"]
    ),
    min_size=1,
    max_size=14,
)  # fmt: skip


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(acts=ACTS, seed=st.integers(0, 1000))
def test_books_over_any_row_of_stops(
    tmp_path_factory: pytest.TempPathFactory, acts: list[str], seed: int
) -> None:
    """A kill loses nothing, even with a commit in flight; a power cut goes back to a commit, and
    says so; an orderly stop loses nothing on any later boot. Entries agree with the counts."""
    place = Place(tmp_path_factory.mktemp("books"))
    shelf = Shelf(3, seed)
    boots = 0
    books = place.store(f"boot-{boots}")
    assert books.restore().lost == ""
    saved: tuple[dict[str, int], set[object]] = ({}, set())  # what the file has for sure
    for act in acts:
        if act == "tick":
            shelf.tick(books)
            continue
        if act == "commit":
            shelf.commit(books, f"boot-{boots}")
            assert [good for _, good in settle(books)] == [True]
            saved = (some(shelf.cycles), set(shelf.recorded))
            continue
        old = saved
        if act == "clean":
            shelf.commit(books, f"boot-{boots}", clean=True)
            settle(books)
            saved = old = (some(shelf.cycles), set(shelf.recorded))
            books.close()
            boots += seed % 2  # the host may have been started anew
        else:
            held = Held(books)
            if act.endswith("in flight"):
                shelf.commit(books, f"boot-{boots}")
                shelf.tick(books)
                place.keep("kept")
            elif act.endswith("written"):
                shelf.commit(books, f"boot-{boots}")
                held.gate.set()
                assert held.done.wait(30)
                saved = old = (some(shelf.cycles), set(shelf.recorded))
                shelf.tick(books)
                place.keep("kept")
            else:
                place.keep("kept")
            held.gate.set()
            books.close()
            place.bring_back("kept", journal=act.startswith("kill"))
        if act.startswith("cut"):
            boots += 1
        books = place.store(f"boot-{boots}")
        restored = books.restore()
        if act.startswith("cut"):
            assert restored.lost
            assert counts(restored) == old[0]
            assert set(everything(books.history())) == old[1]
            shelf.cycles = dict.fromkeys(shelf.names, 0) | old[0]
            shelf.recorded = list(old[1])  # type: ignore[arg-type]
            shelf.at_ns += HOUR  # what is booked again is not the same
            shelf.wall_ns += HOUR
        else:
            assert restored.lost == ""
            assert counts(restored) == some(shelf.cycles)
        assert set(everything(books.history())) == set(shelf.recorded)
        assert len(everything(books.history())) == len(set(shelf.recorded))
        shelf.number = restored.number
        shelf.waiting, shelf.changed = [], set()
    books.close()


def test_an_orderly_stop_leaves_nothing_in_memory(place: Place) -> None:
    """After the last commit the journal is gone, and another boot goes on without a loss."""
    shelf = Shelf(3)
    books = place.store()
    books.restore()
    for _ in range(5):
        shelf.tick(books)
    shelf.commit(books, clean=True)
    settle(books)
    books.close()
    assert list(place.live.glob("*.live")) == []
    assert set(everything(read(place.ledger))) == set(shelf.recorded)
    restored = place.store("another boot").restore()
    assert (restored.lost, restored.number, restored.boot_id) == ("", 1, BOOT)
    assert (restored.at_ns, restored.wall_ns) == (shelf.at_ns, shelf.wall_ns)


def test_an_older_copy_put_back_is_noticed(place: Place) -> None:
    """A copy made after an earlier orderly stop is whole and clean, and yet older than the mark."""
    shelf = Shelf(2)
    for number in range(2):
        books = place.store()
        shelf.number = books.restore().number
        shelf.tick(books, chance=1.0)
        shelf.commit(books, clean=True)
        settle(books)
        books.close()
        if number == 0:
            shutil.copy(place.ledger, place.folder / "backup.db")
    shutil.copy(place.folder / "backup.db", place.ledger)
    said: list[str] = []
    restored = place.store(say=said.append).restore()
    assert restored.lost == "an older copy of the ledger was put in place"
    assert counts(restored) == dict.fromkeys(shelf.names, 1)
    assert len(said) == 1


def test_a_second_writer_is_refused(place: Place) -> None:
    """Another process is told which file, who has it, and what to do; the first goes on."""
    books = place.store()
    books.restore()
    done = subprocess.run(
        [sys.executable, "-m", "tests.integration.store.ticking", place.ledger, "none", BOOT],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": "exporter"},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stdout == (
        f"refused {place.ledger}: another exporter (process {os.getpid()}) is writing this ledger; "
        "stop that one, or name another file with --ledger\n"
    )
    Shelf(1).commit(books)
    assert settle(books) == [(1, True)]


@pytest.mark.parametrize("simulated", [True, False])
def test_real_and_simulated_disks_share_no_ledger(place: Place, simulated: bool) -> None:
    """A ledger of the other kind is refused with a mend, and left as it was."""
    first = store(place.ledger, place.live, simulated=simulated)
    first.restore()
    shelf = Shelf(1)
    shelf.names = [disk_name(0) if simulated else "wwn-0x5000000000000001"]
    shelf.cycles = dict.fromkeys(shelf.names, 0)
    shelf.tick(first, chance=1.0)
    shelf.commit(first, clean=True)
    settle(first)
    first.close()
    before = place.ledger.read_bytes()
    with pytest.raises(Refusal, match="name another file with --ledger"):
        store(place.ledger, place.live, simulated=not simulated).restore()
    assert place.ledger.read_bytes() == before
    assert store(place.ledger, place.live, simulated=simulated).restore().lost == ""


def test_a_newer_version_is_refused_and_left_alone(place: Place) -> None:
    """A file of a form we do not know is not set aside."""
    place.store().restore()
    with sqlite3.connect(place.ledger) as connection:
        blob = connection.execute("SELECT blob FROM books WHERE kind = ?", (HEAD,)).fetchone()[0]
        blob = blob.replace(b'"version": 1', b'"version": 9')
        connection.execute(
            "UPDATE books SET blob = ?, checksum = ? WHERE kind = ?",
            (blob, row_checksum(HEAD, 0, "", blob), HEAD),
        )
    other = Place(place.folder / "other")
    other.ledger.parent.mkdir()
    shutil.copy(place.ledger, other.ledger)
    with pytest.raises(Refusal, match="form 9, this one knows 1"):
        other.store().restore()
    assert sorted(path.name for path in other.ledger.parent.iterdir()) == [
        "ledger.db",
        "ledger.db.lock",
    ]


def test_migrations_run_one_step_a_transaction(tmp_path: Path) -> None:
    """A step that fails leaves the version before it, whole; run again it is done; a file that
    lacks a row is not migrated."""
    path = tmp_path / "ledger.db"
    LedgerFile.create(path, Head(1, "abc"), [("account", 0, "sim-1", b"one")]).close()
    connection = sqlite3.connect(path, isolation_level=None)

    def rename(file: sqlite3.Connection) -> None:
        checksum = row_checksum("account", 0, "sim-2", b"one")
        file.execute(
            "UPDATE books SET disk = 'sim-2', checksum = ? WHERE kind = 'account'", (checksum,)
        )

    def fail(file: sqlite3.Connection) -> None:
        file.execute("DELETE FROM books WHERE kind = 'account'")
        raise sqlite3.OperationalError("power")

    def whole(version: int, disk: str) -> Head:
        return Head(version, "abc", sum=row_checksum("account", 0, disk, b"one") % 2**64, rows=1)

    head = whole(1, "sim-1")
    with pytest.raises(Unavailable, match="rows are missing"):
        migrate(connection, path, Head(1, "abc", rows=2), {1: rename}, 2)
    with pytest.raises(sqlite3.OperationalError):
        migrate(connection, path, head, {1: rename, 2: fail}, 3)
    disks = connection.execute("SELECT disk FROM books WHERE kind = 'account'").fetchall()
    assert disks == [("sim-2",)]
    again = migrate(connection, path, whole(2, "sim-2"), {2: rename}, 3)
    assert (again.version, again.rows) == (3, 1)
    assert again.sum == row_checksum("account", 0, "sim-2", b"one") % 2**64


def test_a_file_that_is_deleted_while_in_use_is_written_again(place: Place) -> None:
    """Nothing of the books is lost, and it is said once."""
    said: list[str] = []
    books = place.store(say=said.append)
    books.restore()
    shelf = Shelf(3)
    for _ in range(3):
        shelf.tick(books)
        shelf.commit(books)
        settle(books)
        place.ledger.unlink()
    shelf.tick(books)
    shelf.commit(books, clean=True)
    assert settle(books) == [(4, True)]
    books.close()
    assert set(everything(read(place.ledger))) == set(shelf.recorded)
    assert Counter("written again" in text for text in said) == {True: 3}
    assert place.store().restore().lost == ""


@pytest.mark.parametrize("how", ["renamed over it", "copied into it"])
def test_a_file_put_in_place_while_in_use_is_left_alone(place: Place, how: str) -> None:
    """Commits fail with a mend and wait in the live journal; the next start takes that file up."""
    books = place.store()
    books.restore()
    shelf = Shelf(2)
    shelf.tick(books, chance=1.0)
    shelf.commit(books)
    settle(books)
    backup = place.folder / "backup.db"
    shutil.copy(place.ledger, backup)
    shelf.tick(books, chance=1.0)
    shelf.commit(books)
    settle(books)
    put = backup.read_bytes()
    if how == "renamed over it":
        os.replace(backup, place.ledger)
    else:
        place.ledger.write_bytes(put)
    shelf.tick(books, chance=1.0)
    shelf.commit(books)
    assert settle(books) == [(3, False)]
    assert "start the exporter again" in books.status().trouble
    assert place.ledger.read_bytes() == put
    books.close()
    restored = place.store().restore()
    assert restored.lost == "an older copy of the ledger was put in place"
    assert counts(restored) == dict.fromkeys(shelf.names, 1)


def test_a_stalled_disk_stalls_nothing_but_the_file(place: Place) -> None:
    """While a commit hangs, ticks are noted, a second commit is told no, and close() returns."""
    books = place.store()
    books.restore()
    shelf = Shelf(2)
    held = Held(books)
    assert shelf.commit(books)
    shelf.tick(books, chance=1.0)
    assert not shelf.commit(books)
    assert list(books.finished()) == []
    assert set(everything(books.history())) == set(shelf.recorded)
    held.gate.set()
    assert settle(books) == [(1, True)]
    assert shelf.commit(books)


def test_spans_go_after_their_time_and_gaps_and_totals_stay(place: Place) -> None:
    """With `keep_days` 5, the details of the newest 5 days with any are there; days all are."""
    books = store(place.ledger, None, keep_days=5)
    books.restore()
    shelf = Shelf(2, wall_ns=WALL_NS + 12 * HOUR)
    for day in range(12):
        shelf.tick(books, DAY, chance=1.0)
        last = reading(day, shelf.names[0], shelf.at_ns, shelf.wall_ns)
        shelf.waiting.append(last)
        shelf.commit(books)
        settle(books)
    books.close()
    result = read(place.ledger)
    assert len({cycle.number for cycle in result.cycles(shelf.names[0])}) == 5
    assert len(list(result.gaps(shelf.names[0]))) == 12
    days = list(result.days(shelf.names[0]))
    assert [day.day for day in days] == list(range(days[0].day, days[0].day + 12))
    assert [day.totals["cycles"]["yes"] for day in days] == list(range(1, 13))
    assert all(day.reading is not None for day in days)
    assert store(place.ledger, None).restore().number == 12


def test_a_wrong_clock_drops_nothing_but_its_own_days(place: Place) -> None:
    """A wall clock that stands in 1970, or in 2200, for a while makes no span too old."""
    books = store(place.ledger, None, keep_days=30)
    books.restore()
    shelf = Shelf(1)
    shelf.tick(books, HOUR, chance=1.0)
    shelf.commit(books)
    settle(books)
    truth = shelf.wall_ns
    for wrong in (5 * HOUR, 230 * 365 * DAY, truth + DAY):
        shelf.wall_ns = wrong
        shelf.tick(books, HOUR, chance=1.0)
        assert shelf.commit(books)
        assert settle(books)[0][1]
    assert set(everything(books.history())) == set(shelf.recorded)
    books.close()
    assert set(everything(read(place.ledger))) == set(shelf.recorded)
    assert counts(store(place.ledger, None).restore()) == {shelf.names[0]: 4}


def test_older_days_come_from_the_file_and_newer_ones_from_memory(place: Place) -> None:
    """In the running exporter a history beyond 31 days is whole; of 31 days it needs no file."""
    books = store(place.ledger, None)
    books.restore()
    shelf = Shelf(2)
    for _ in range(40):
        shelf.tick(books, DAY, chance=1.0)
        shelf.commit(books)
        settle(books)
    assert set(everything(books.history())) == set(shelf.recorded)
    os.replace(place.ledger, place.folder / "elsewhere.db")
    since = shelf.wall_ns - 20 * DAY
    recent = list(books.history().spans(None, since))
    assert {span.ended_wall_ns > since for span in recent} == {True}
    assert len(recent) >= 40
    with pytest.raises(Unavailable):
        list(books.history().spans())


def test_the_memory_store_keeps_history_and_no_file(tmp_path: Path) -> None:
    """It takes commits at once, tells its history, and restores nothing."""
    books = MemoryStore()
    assert books.restore() == Restored(0, 0, 0, "", {}, (), "")
    shelf = Shelf(2)
    for _ in range(5):
        shelf.tick(books, DAY, chance=1.0)
        assert shelf.commit(books)
        assert list(books.finished()) == [(shelf.number, True)]
    shelf.tick(books, 5 * SECOND, chance=1.0)
    assert set(everything(books.history())) == set(shelf.recorded)
    assert [day.totals["cycles"]["yes"] for day in books.history().days(shelf.names[0])] == [
        1, 2, 3, 4, 5,
    ]  # fmt: skip
    assert books.status().committed_wall_ns == 0
    books.close()


def test_the_schema_is_what_the_documentation_of_the_file_says(place: Place) -> None:
    """Anyone may look with sqlite3: one table, the kinds by name, times in days since 1970."""
    books = place.store()
    books.restore()
    shelf = Shelf(1, wall_ns=WALL_NS + 12 * HOUR)
    shelf.tick(books, chance=1.0)
    shelf.commit(books)
    settle(books)
    with sqlite3.connect(f"file:{place.ledger}?mode=ro", uri=True) as connection:
        assert connection.execute("SELECT sql FROM sqlite_schema").fetchall() == [(SCHEMA,)]
        kinds = connection.execute("SELECT kind, day FROM books ORDER BY kind").fetchall()
    today = WALL_NS // DAY
    assert kinds == [("account", 0), ("detail", today), ("head", 0), ("kept", today)]
