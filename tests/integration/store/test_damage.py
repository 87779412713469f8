"""A ledger file of which a bit changed, or more.

Source: the demand is the ledger's own: it starts every time, and what it then shows is right; a
change is noticed at the opening in accounts, days and the newest 31 days, elsewhere when the day is
read, and by `check --ledger`. The file is set aside, which is said once and counted. The truth is
held by the test.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import sqlite3
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from time import sleep

import pytest

from spinledger import cli
from spinledger.errors import Refusal, Unavailable
from spinledger.model import DAY, HOUR
from spinledger.ports import Commit
from spinledger.store.file import verify
from spinledger.store.history import PastGap, PastSpan, read
from spinledger.store.ledger import FileStore
from spinledger.store.schema import TABLES
from tests.integration.store.written import (
    BOOT,
    WALL_NS,
    Shelf,
    everything,
    made,
    reading,
    settle,
    store,
    totals,
)

FLIPS = int(os.environ.get("SPINLEDGER_TEST_FLIPS", "120"))
DISKS, DAYS, KEEP = 3, 44, 40


class Written:
    """A ledger after an orderly stop, with what it should give; old spans have been dropped."""

    def __init__(self, folder: Path) -> None:
        path = folder / "ledger.db"
        file_store = store(path, None, keep_days=KEEP)
        file_store.restore()
        self.shelf = Shelf(DISKS, wall_ns=WALL_NS + 12 * HOUR)
        for day in range(DAYS):
            self.shelf.tick(file_store, DAY, 1.0)
            at, wall = self.shelf.at_ns, self.shelf.wall_ns
            self.shelf.waiting += [reading(day, name, at, wall) for name in self.shelf.names]
            self.shelf.commit(file_store, clean=day == DAYS - 1)
            settle(file_store)
        file_store.close()
        self.data = path.read_bytes()
        self.mark = path.with_name("ledger.db.mark").read_bytes()
        self.truth = everything(read(path))
        self.newest = self.shelf.wall_ns // DAY

    def put(self, folder: Path, data: bytes) -> Path:
        """A folder with these bytes as its ledger, and the mark beside it."""
        folder.mkdir()
        path = folder / "ledger.db"
        path.write_bytes(data)
        path.with_name("ledger.db.mark").write_bytes(self.mark)
        return path


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Written:
    """The same ledger for all tests."""
    return Written(tmp_path_factory.mktemp("written"))


def aside(path: Path) -> list[str]:
    """Files set aside beside a ledger."""
    return [name for name in os.listdir(path.parent) if ".damaged-" in name]


def go_on(file_store: FileStore, written: Written, number: int, clean: bool) -> bool:
    """One more day and commit; whether it is in the file."""
    shelf = written.shelf
    at, wall = shelf.at_ns + number * DAY, shelf.wall_ns + number * DAY
    entries = tuple(made(1000 + number, shelf.names[0], at, wall))
    some = {name: totals(1) for name in shelf.names}
    assert file_store.commit(Commit(1000 + number, at, wall, BOOT, clean, {}, some, entries))
    return settle(file_store) == [(1000 + number, True)]


def test_a_changed_bit_is_harmless_or_noticed(tmp_path: Path, written: Written) -> None:
    """One bit at a time, a fifth of them in the header. It starts; what it shows is right, or the
    file is set aside, or reading the day that was hit is refused; `verify` finds the same. Commits
    go on, and the next start has the same accounts."""
    dice = random.Random(5)
    seen: Counter[str] = Counter()
    truth = dict.fromkeys(written.shelf.names, DAYS)
    for number in range(FLIPS):
        at = dice.randrange(len(written.data)) if number % 5 else dice.randrange(100)
        data = bytearray(written.data)
        data[at] ^= 1 << dice.randrange(8)
        path = written.put(tmp_path / str(number), bytes(data))
        damage = list(verify(path))
        said: list[str] = []
        file_store = store(path, None, keep_days=KEEP, say=said.append)
        restored = file_store.restore()
        given = {name: account["cycles"] for name, account in restored.accounts.items()}
        assert set(everything(file_store.remembered())) <= set(written.truth)
        try:
            history = everything(file_store.history())
        except Unavailable as refused:
            damage = damage and [*damage, str(refused)]
            assert "damaged" in damage[-1]
            assert not restored.lost
            assert given == truth
            outcome = "noticed when read"
        else:
            if restored.lost:
                assert damage
                assert len(aside(path)) == 1
                assert file_store.status().damaged == 1
                assert sum(aside(path)[0] in text for text in said) == 1
                assert given.items() <= truth.items()
                assert set(history) <= set(written.truth)
                outcome = "noticed at the opening"
            else:
                assert aside(path) == []
                assert (given, history) == (truth, written.truth)
                outcome = "found by the check alone" if damage else "harmless"
        seen[outcome] += 1
        assert go_on(file_store, written, 1, clean=False)
        assert go_on(file_store, written, 2, clean=True)
        file_store.close()
        assert file_store.status().damaged == int(bool(restored.lost)) or damage
        file_store = store(path, None, keep_days=KEEP)
        again = file_store.restore()
        assert again.lost == ""
        assert {name: account["cycles"] for name, account in again.accounts.items()} == given
        file_store.close()
        shutil.rmtree(path.parent)
    print(f"{FLIPS} flips of {len(written.data)} bytes: {dict(seen)}")
    assert min(seen["noticed at the opening"], seen["noticed when read"], seen["harmless"]) > 0


def columns() -> list[tuple[str, str]]:
    """Each table, and each of its columns that is stored."""
    with closing(sqlite3.connect(":memory:")) as connection:
        found = []
        for table, statement in TABLES.items():
            connection.execute(statement)
            rows = connection.execute(f"PRAGMA table_xinfo({table})").fetchall()
            found += [(table, row[1]) for row in rows if row[6] == 0]
        return found


def change(path: Path, table: str, column: str, day: int | None) -> None:
    """Change one column of one row, of a day if the table has days."""
    where = f"day = {day}" if day is not None else "1"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        key = [row[1] for row in connection.execute(f"PRAGMA table_info({table})") if row[5]]
        query = f"SELECT {', '.join(key)} FROM {table} WHERE {where} LIMIT 1"
        row = connection.execute(query).fetchone()
        assert row is not None, (table, day)
        (kind,) = connection.execute(f"SELECT typeof({column}) FROM {table} LIMIT 1").fetchone()
        new = f"{column} || ' '" if kind == "text" else f"ifnull({column}, 0) + 1000"
        at = " AND ".join(f"{name} = ?" for name in key)
        connection.execute(f"UPDATE {table} SET {column} = {new} WHERE {at}", row)


@pytest.mark.parametrize(("table", "column"), columns())
def test_every_column_is_covered(tmp_path: Path, written: Written, table: str, column: str) -> None:
    """A value that another program changed is noticed at the opening, in the newest days and in
    all rows of meta, disks, accounts and days; in older days when the day is read."""
    of_days = table in ("cycles", "readings", "spans", "gaps")
    newest = written.newest if of_days or table == "days" else None
    path = written.put(tmp_path / "new", written.data)
    change(path, table, column, newest)
    assert list(verify(path))
    restored = store(path, None, keep_days=KEEP).restore()
    assert "set aside" in restored.lost
    if newest is None:
        return
    path = written.put(tmp_path / "old", written.data)
    change(path, table, column, newest - 38)
    assert list(verify(path))
    file_store = store(path, None, keep_days=KEEP)
    restored = file_store.restore()
    noticed = "set aside" in restored.lost
    if table == "days":
        assert noticed
    elif table in ("spans", "gaps"):
        assert not noticed
    if not noticed:
        with pytest.raises(Unavailable, match="damaged"):
            everything(file_store.history())
    file_store.close()


def test_the_command_says_what_is_damaged(
    tmp_path: Path, written: Written, capsys: pytest.CaptureFixture[str]
) -> None:
    """`check --ledger`: 0 for a whole file, 1 and a line for a damaged one, which it leaves as it
    is."""
    path = written.put(tmp_path / "here", written.data)
    assert cli.main(["check", "--ledger", str(path)]) == 0
    assert capsys.readouterr().out == f"{path}: every row is whole\n"
    change(path, "gaps", "length_ms", written.newest - 38)
    before = path.read_bytes()
    assert cli.main(["check", "--ledger", str(path)]) == 1
    line = f"{path}: day {written.newest - 38} of disk 1 is damaged"
    assert capsys.readouterr().out == f"! {line}\n"
    assert cli.main(["check", "--ledger", str(path), "--json"]) == 1
    assert json.loads(capsys.readouterr().out) == {"ledger": str(path), "damage": [line]}
    assert path.read_bytes() == before


def test_rows_of_no_day_are_no_figure_and_are_found(tmp_path: Path, written: Written) -> None:
    """What another program inserts is shown by no history, and `verify` names the table."""
    path = written.put(tmp_path / "here", written.data)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("INSERT INTO gaps VALUES (20000, 1, 1, 60000, 0)")
    assert everything(read(path)) == written.truth
    assert list(verify(path)) == [f"{path}: gaps has rows of day 20000, disk 1, and days none"]


def test_damage_in_an_older_day_is_found_soon_after_a_start(
    tmp_path: Path, written: Written
) -> None:
    """The thread reads it, and the next commit sets the file aside. No account
    is lost by that, nor any other day."""
    path = written.put(tmp_path / "old", written.data)
    change(path, "gaps", "length_ms", written.newest - 38)
    said: list[str] = []
    file_store = store(path, None, say=said.append)
    assert file_store.restore().lost == ""
    writer = file_store._writer
    for _ in range(3000):
        if writer._broken is not None:
            break
        sleep(0.01)
    assert go_on(file_store, written, 1, clean=True)
    assert file_store.status().damaged == 1
    assert len([text for text in said if aside(path)[0] in text]) == 1
    file_store.close()
    kept = everything(read(path))
    missing = set(written.truth) - set(kept)
    assert {type(one) for one in missing} == {PastSpan, PastGap}
    assert len({one.disk for one in missing}) == 1
    assert len(missing) == 3  # a day of a disk: two spans and a gap
    assert list(verify(path)) == []


def test_a_bit_of_the_application_id_is_damage_not_another_program(
    tmp_path: Path, written: Written
) -> None:
    """Each of its 32 bits, and one bit in every other byte of the header: nothing is lost, even
    where no mark says that a ledger was here."""
    bits = [*range(68 * 8, 72 * 8), *(byte * 8 + byte % 8 for byte in range(0, 100, 2))]
    for bit in bits:
        data = bytearray(written.data)
        data[bit // 8] ^= 1 << bit % 8
        path = written.put(tmp_path / str(bit), bytes(data))
        path.with_name("ledger.db.mark").unlink()
        file_store = store(path, None, keep_days=KEEP)
        restored = file_store.restore()
        if 68 * 8 <= bit < 72 * 8:
            assert "set aside" in restored.lost
        assert {one["cycles"] for one in restored.accounts.values()} == {DAYS}
        assert everything(file_store.history()) == written.truth
        file_store.close()
        shutil.rmtree(path.parent, ignore_errors=True)


def other_database(path: Path) -> None:
    """A database of another program."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE readings (room TEXT, kelvin REAL)")
        connection.execute("PRAGMA application_id = 1234567")
        connection.commit()


def version_1(path: Path) -> None:
    """A ledger of the first version: one table of compressed blobs."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE books (kind, day, disk, blob, checksum)")
        connection.commit()


@pytest.mark.parametrize(
    ("make", "words"),
    [
        pytest.param(
            lambda path: path.write_text("a text of some length\n" * 30),
            "is not a ledger of this program",
            id="text",
        ),
        pytest.param(
            lambda path: path.write_bytes(b"\0" * 9000),
            "is not a ledger of this program",
            id="zeros",
        ),
        pytest.param(other_database, "is not a ledger of this program", id="another program's"),
        pytest.param(version_1, "is a ledger of version 1", id="version 1"),
    ],
)
def test_what_is_none_of_ours_is_refused_and_left_alone(
    tmp_path: Path,
    make: Callable[[Path], None],
    words: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One line, exit code 2, by each command; no byte and no name in the folder changes."""
    path = tmp_path / "here" / "notes"
    path.parent.mkdir()
    make(path)
    before = path.read_bytes()
    with pytest.raises(Refusal, match=words):
        store(path, None).restore()
    for command in (
        ["history", "--ledger", str(path)],
        ["replay", "--ledger", str(path), "--disk", "sda"],
        ["check", "--ledger", str(path)],
        ["serve", "--shelf", "simulated", "--ledger", str(path), "--listen", "127.0.0.1:0"],
    ):
        assert cli.main(command) == 2
        error = capsys.readouterr().err
        assert error.count("\n") == 1
        assert words in error
    assert path.read_bytes() == before
    assert {one.name for one in path.parent.iterdir()} <= {"notes", "notes.lock"}


@pytest.mark.parametrize(
    "data",
    [
        pytest.param(b"not a ledger at all\n", id="text"),
        pytest.param(b"SQLite format 3\0" + b"\0" * 5000, id="a header alone"),
        pytest.param(b"\0" * 100_000, id="zeros"),
    ],
)
def test_where_a_ledger_was_what_cannot_be_recognised_is_set_aside(
    tmp_path: Path, written: Written, data: bytes
) -> None:
    """The mark beside it says that a ledger was here: it is renamed, and a new one begins."""
    path = written.put(tmp_path / "here", data)
    file_store = store(path, None)
    restored = file_store.restore()
    assert "set aside" in restored.lost
    assert (path.parent / aside(path)[0]).read_bytes() == data
    assert go_on(file_store, written, 1, clean=True)
    assert file_store.status().damaged == 1


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_a_cut_off_file_is_set_aside_and_what_is_whole_kept(
    tmp_path: Path, written: Written, share: float
) -> None:
    """Of a file cut off somewhere, no row that is given is wrong."""
    path = written.put(tmp_path / "cut", written.data[: int(len(written.data) * share)])
    restored = store(path, None).restore()
    assert "set aside" in restored.lost
    given = {name: account["cycles"] for name, account in restored.accounts.items()}
    assert given.items() <= dict.fromkeys(written.shelf.names, DAYS).items()


def test_two_files_set_aside_have_two_names_and_are_counted(
    tmp_path: Path, written: Written
) -> None:
    """The count goes on in the new file, in the same second too."""
    path = written.put(tmp_path / "twice", b"one")
    for number in (1, 2, 3):
        file_store = store(path, None)
        file_store.restore()
        assert file_store.status().damaged == number
        assert go_on(file_store, written, number, clean=True)
        file_store.close()
        path.write_bytes(b"again")
    assert len(set(aside(path))) == 3


def test_damage_while_in_use_is_set_aside_and_commits_go_on(
    tmp_path: Path, written: Written
) -> None:
    """Overwritten pages are found at a commit; accounts and what is whole go on, nothing falls."""
    path = written.put(tmp_path / "used", written.data)
    said: list[str] = []
    file_store = store(path, None, say=said.append)
    file_store.restore()
    with path.open("r+b") as file:
        file.write(b"\xff" * len(written.data))
    assert go_on(file_store, written, 1, clean=True)
    assert len(aside(path)) == 1
    assert file_store.status().damaged == 1
    assert any("was damaged and is set aside" in text for text in said)
    file_store.close()
    again = store(path, None).restore()
    assert again.lost == ""
    given = {name: account["cycles"] for name, account in again.accounts.items()}
    assert given == dict.fromkeys(written.shelf.names, DAYS)
