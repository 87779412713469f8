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
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from spinledger import cli
from spinledger.errors import Refusal, Unavailable
from spinledger.model import DAY, HOUR, SECOND, Entry
from spinledger.ports import Commit, Restored
from spinledger.store.days import checksum, packed
from spinledger.store.history import read
from spinledger.store.ledger import FileStore, MemoryStore
from tests.integration.store.written import (
    BOOT,
    WALL_NS,
    Place,
    Shelf,
    disk_name,
    everything,
    expected,
    reading,
    settle,
    store,
)

ROOT = Path(__file__).parents[3]


@pytest.fixture
def place(tmp_path: Path) -> Place:
    """An empty place."""
    return Place(tmp_path)


def counts(restored: Restored) -> dict[str, object]:
    """The count in each restored account."""
    return {name: account["cycles"] for name, account in restored.accounts.items()}


def some(counts: dict[str, int]) -> dict[str, int]:
    """Counts of the disks that have any."""
    return {name: count for name, count in counts.items() if count}


class Held:
    """Stops the store thread before or after it writes, as a stalled disk would."""

    def __init__(self, file_store: FileStore) -> None:
        self.gate = threading.Event()
        self.done = threading.Event()
        writer = file_store._writer
        write = writer.write

        def held(work: Commit) -> object:
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
def test_nothing_is_wrong_after_any_row_of_stops(
    tmp_path_factory: pytest.TempPathFactory, acts: list[str], seed: int
) -> None:
    """A kill loses nothing, even with a commit in flight; a power cut goes back to a commit, and
    says so; an orderly stop loses nothing on any later boot. Entries agree with the counts."""
    place = Place(tmp_path_factory.mktemp("ledger"))
    shelf = Shelf(3, seed)
    boots = 0
    file_store = place.store(f"boot-{boots}")
    assert file_store.restore().lost == ""
    saved: tuple[dict[str, int], list[Entry]] = ({}, [])  # what the file has for sure
    for act in acts:
        if act == "tick":
            shelf.tick(file_store)
            continue
        if act == "commit":
            shelf.commit(file_store, f"boot-{boots}")
            assert [good for _, good in settle(file_store)] == [True]
            saved = (some(shelf.cycles), list(shelf.recorded))
            continue
        old = saved
        if act == "clean":
            shelf.commit(file_store, f"boot-{boots}", clean=True)
            settle(file_store)
            saved = old = (some(shelf.cycles), list(shelf.recorded))
            file_store.close()
            boots += seed % 2  # the host may have been started anew
        else:
            held = Held(file_store)
            if act.endswith("in flight"):
                shelf.commit(file_store, f"boot-{boots}")
                shelf.tick(file_store)
                place.keep("kept")
            elif act.endswith("written"):
                shelf.commit(file_store, f"boot-{boots}")
                held.gate.set()
                assert held.done.wait(30)
                saved = old = (some(shelf.cycles), list(shelf.recorded))
                shelf.tick(file_store)
                place.keep("kept")
            else:
                place.keep("kept")
            held.gate.set()
            file_store.close()
            place.bring_back("kept", journal=act.startswith("kill"))
        if act.startswith("cut"):
            boots += 1
        file_store = place.store(f"boot-{boots}")
        restored = file_store.restore()
        if act.startswith("cut"):
            assert restored.lost
            assert counts(restored) == old[0]
            assert everything(file_store.history()) == expected(old[1])
            shelf.cycles = dict.fromkeys(shelf.names, 0) | old[0]
            shelf.recorded = list(old[1])
            shelf.at_ns += HOUR  # what is recorded again is not the same
            shelf.wall_ns += HOUR
        else:
            assert restored.lost == ""
            assert counts(restored) == some(shelf.cycles)
        assert everything(file_store.history()) == expected(shelf.recorded)
        shelf.number = restored.number
        shelf.waiting, shelf.changed = [], set()
    file_store.close()


def test_an_orderly_stop_leaves_nothing_in_memory(place: Place) -> None:
    """After the last commit the journal is gone, and another boot goes on without a loss."""
    shelf = Shelf(3)
    file_store = place.store()
    file_store.restore()
    for _ in range(5):
        shelf.tick(file_store)
    shelf.commit(file_store, clean=True)
    settle(file_store)
    file_store.close()
    assert list(place.live.glob("*.live")) == []
    assert everything(read(place.ledger)) == expected(shelf.recorded)
    restored = place.store("another boot").restore()
    assert (restored.lost, restored.number, restored.boot_id) == ("", 1, BOOT)
    assert (restored.at_ns, restored.wall_ns) == (shelf.at_ns, shelf.wall_ns)


def test_an_older_copy_put_back_is_noticed(place: Place) -> None:
    """A copy made after an earlier orderly stop is whole and clean, and yet older than the mark."""
    shelf = Shelf(2)
    for number in range(2):
        file_store = place.store()
        shelf.number = file_store.restore().number
        shelf.tick(file_store, chance=1.0)
        shelf.commit(file_store, clean=True)
        settle(file_store)
        file_store.close()
        if number == 0:
            shutil.copy(place.ledger, place.folder / "backup.db")
    shutil.copy(place.folder / "backup.db", place.ledger)
    said: list[str] = []
    restored = place.store(say=said.append).restore()
    assert restored.lost == "an older copy of the ledger was put in place"
    assert counts(restored) == dict.fromkeys(shelf.names, 1)
    assert len(said) == 1


def test_a_second_writer_is_refused(place: Place) -> None:
    """Another process gets a line with the file, who has it, and what to do; the first goes on."""
    file_store = place.store()
    file_store.restore()
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
    Shelf(1).commit(file_store)
    assert settle(file_store) == [(1, True)]


@pytest.mark.parametrize("simulated", [True, False])
def test_real_and_simulated_disks_share_no_ledger(place: Place, simulated: bool) -> None:
    """A ledger of the other kind is refused with a fix, and left as it was."""
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


def newer(ledger: Path, how: str) -> None:
    """Make a ledger one of a newer version, or as if a bit of its version had changed."""
    with closing(sqlite3.connect(ledger, isolation_level=None)) as connection:
        if how == "a column more":
            connection.execute("ALTER TABLE meta ADD COLUMN more TEXT")
        connection.execute("UPDATE meta SET version = 3")
        if how == "the header agrees":
            connection.execute("PRAGMA user_version = 3")
        if how == "its checksum agrees":
            *row, _ = connection.execute("SELECT * FROM meta").fetchone()
            connection.execute("UPDATE meta SET checksum = ?", (checksum(packed(row)),))


@pytest.mark.parametrize("how", ["a column more", "the header agrees", "its checksum agrees"])
def test_a_newer_version_is_refused_and_left_alone(
    place: Place, how: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """By the store and by each command that opens the file: one line, exit code 2, no change."""
    shelf = Shelf(1)
    file_store = place.store()
    file_store.restore()
    shelf.tick(file_store, chance=1.0)
    shelf.commit(file_store, clean=True)
    settle(file_store)
    file_store.close()
    newer(place.ledger, how)
    before = place.ledger.read_bytes()
    with pytest.raises(Refusal, match=r"newer version of this program \(schema 3, this one knows"):
        place.store().restore()
    path = str(place.ledger)
    for command in (
        ["history", "--ledger", path],
        ["replay", "--ledger", path, "--disk", shelf.names[0]],
        ["check", "--ledger", path],
        ["serve", "--shelf", "simulated", "--ledger", path, "--listen", "127.0.0.1:0"],
    ):
        assert cli.main(command) == 2
        error = capsys.readouterr().err
        assert error.count("\n") == 1
        assert "newer version" in error, command
    assert place.ledger.read_bytes() == before


def test_a_version_that_one_changed_bit_made_is_damage(place: Place) -> None:
    """3 where 2 was, and nothing else that says so: the file is set aside."""
    place.store().restore()
    newer(place.ledger, "a bit")
    other = Place(place.folder / "other")
    shutil.copy(place.ledger, other.ledger)
    assert "set aside" in other.store().restore().lost


def test_a_file_that_is_deleted_while_in_use_is_written_again(place: Place) -> None:
    """Nothing recorded is lost, and it is said once."""
    said: list[str] = []
    file_store = place.store(say=said.append)
    file_store.restore()
    shelf = Shelf(3)
    for _ in range(3):
        shelf.tick(file_store)
        shelf.commit(file_store)
        settle(file_store)
        place.ledger.unlink()
    shelf.tick(file_store)
    shelf.commit(file_store, clean=True)
    assert settle(file_store) == [(4, True)]
    file_store.close()
    assert everything(read(place.ledger)) == expected(shelf.recorded)
    assert Counter("written again" in text for text in said) == {True: 3}
    assert place.store().restore().lost == ""


@pytest.mark.parametrize("how", ["renamed over it", "copied into it"])
def test_a_file_put_in_place_while_in_use_is_left_alone(place: Place, how: str) -> None:
    """Commits fail with a fix and wait in the live journal; the next start uses that file."""
    file_store = place.store()
    file_store.restore()
    shelf = Shelf(2)
    shelf.tick(file_store, chance=1.0)
    shelf.commit(file_store)
    settle(file_store)
    backup = place.folder / "backup.db"
    shutil.copy(place.ledger, backup)
    shelf.tick(file_store, chance=1.0)
    shelf.commit(file_store)
    settle(file_store)
    put = backup.read_bytes()
    if how == "renamed over it":
        os.replace(backup, place.ledger)
    else:
        place.ledger.write_bytes(put)
    shelf.tick(file_store, chance=1.0)
    shelf.commit(file_store)
    assert settle(file_store) == [(3, False)]
    assert "start the exporter again" in file_store.status().trouble
    assert place.ledger.read_bytes() == put
    file_store.close()
    restored = place.store().restore()
    assert restored.lost == "an older copy of the ledger was put in place"
    assert counts(restored) == dict.fromkeys(shelf.names, 1)


def test_a_stalled_disk_stalls_nothing_but_the_file(place: Place) -> None:
    """While a commit hangs, ticks are noted, a second commit is not taken, and close() returns."""
    file_store = place.store()
    file_store.restore()
    shelf = Shelf(2)
    held = Held(file_store)
    assert shelf.commit(file_store)
    shelf.tick(file_store, chance=1.0)
    assert not shelf.commit(file_store)
    assert list(file_store.finished()) == []
    assert everything(file_store.history()) == expected(shelf.recorded)
    held.gate.set()
    assert settle(file_store) == [(1, True)]
    assert shelf.commit(file_store)


def test_spans_and_gaps_go_after_their_time_and_the_rest_stays(place: Place) -> None:
    """With `keep_days` 5, spans and gaps of the newest 5 days are there; spin-ups, readings and
    days all are. A change of `keep_days` holds from the next commit on, in memory too."""
    file_store = store(place.ledger, None, keep_days=5)
    file_store.restore()
    shelf = Shelf(2, wall_ns=WALL_NS + 12 * HOUR)

    def day(number: int) -> None:
        shelf.tick(file_store, DAY, chance=1.0)
        shelf.waiting.append(reading(number, shelf.names[0], shelf.at_ns, shelf.wall_ns))
        shelf.commit(file_store)
        settle(file_store)

    for number in range(12):
        day(number)
    for seen in (file_store.history(), read(place.ledger)):
        assert [len(list(seen.gaps(name))) for name in shelf.names] == [5, 5]
        assert [len(list(seen.spans(name))) for name in shelf.names] == [10, 10]
        assert [len(list(seen.cycles(name))) for name in shelf.names] == [12, 12]
    file_store.keep_days = 2
    day(12)
    assert len(list(file_store.history().gaps())) == len(list(read(place.ledger).gaps())) == 4
    file_store.close()
    days = list(read(place.ledger).days(shelf.names[0]))
    assert [one.day for one in days] == list(range(days[0].day, days[0].day + 13))
    assert [one.totals.observed_cycles for one in days] == list(range(1, 14))
    assert [one.reading and one.reading.worn.loads for one in days] == list(range(200, 213))
    assert store(place.ledger, None).restore().number == 13


def test_a_wrong_clock_drops_nothing_but_its_own_days(place: Place) -> None:
    """A wall clock that stands in 1970, or in 2200, for a while makes no span too old."""
    file_store = store(place.ledger, None, keep_days=30)
    file_store.restore()
    shelf = Shelf(1)
    shelf.tick(file_store, HOUR, chance=1.0)
    shelf.commit(file_store)
    settle(file_store)
    truth = shelf.wall_ns
    for wrong in (5 * HOUR, 230 * 365 * DAY, truth + DAY):
        shelf.wall_ns = wrong
        shelf.tick(file_store, HOUR, chance=1.0)
        assert shelf.commit(file_store)
        assert settle(file_store)[0][1]
    assert everything(file_store.history()) == expected(shelf.recorded)
    file_store.close()
    assert everything(read(place.ledger)) == expected(shelf.recorded)
    assert counts(store(place.ledger, None).restore()) == {shelf.names[0]: 4}


def test_older_days_come_from_the_file_and_newer_ones_from_memory(place: Place) -> None:
    """In the running exporter a history beyond 31 days is whole; of 31 days it needs no file."""
    file_store = store(place.ledger, None)
    file_store.restore()
    shelf = Shelf(2)
    for _ in range(40):
        shelf.tick(file_store, DAY, chance=1.0)
        shelf.commit(file_store)
        settle(file_store)
    assert everything(file_store.history()) == expected(shelf.recorded)
    os.replace(place.ledger, place.folder / "elsewhere.db")
    since = shelf.wall_ns - 20 * DAY
    recent = list(file_store.history().spans(None, since))
    assert {span.ended_wall_ns > since for span in recent} == {True}
    assert len(recent) >= 40
    with pytest.raises(Unavailable):
        list(file_store.history().spans())


def test_the_memory_store_keeps_history_and_no_file(tmp_path: Path) -> None:
    """It takes commits at once, has its history, and restores nothing."""
    file_store = MemoryStore()
    assert file_store.restore() == Restored(0, 0, 0, "", {}, (), "", {})
    shelf = Shelf(2)
    for _ in range(5):
        shelf.tick(file_store, DAY, chance=1.0)
        assert shelf.commit(file_store)
        assert list(file_store.finished()) == [(shelf.number, True)]
    shelf.tick(file_store, 5 * SECOND, chance=1.0)
    assert everything(file_store.history()) == expected(shelf.recorded)
    assert [day.totals.observed_cycles for day in file_store.history().days(shelf.names[0])] == [
        1, 2, 3, 4, 5,
    ]  # fmt: skip
    assert file_store.status().committed_wall_ns == 0
    file_store.close()
