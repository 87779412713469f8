"""A ledger file of which a byte changed, or more.

Source: the demand is the ledger's own: it starts every time, and what it then tells is right, or
the file is set aside, which is said once and counted. The truth is held by the test.
"""

from __future__ import annotations

import os
import random
from collections import Counter
from pathlib import Path

import pytest

from spinledger.model import DAY, HOUR
from spinledger.ports import Commit
from spinledger.store.history import read
from spinledger.store.ledger import FileStore
from tests.integration.store.written import (
    BOOT,
    WALL_NS,
    Shelf,
    everything,
    made,
    settle,
    store,
    totals,
)

FLIPS = int(os.environ.get("SPINLEDGER_TEST_FLIPS", "150"))
DISKS, DAYS, KEEP = 4, 24, 8


class Written:
    """A ledger after an orderly stop, with what it should tell; old details have been dropped."""

    def __init__(self, folder: Path) -> None:
        path = folder / "ledger.db"
        books = store(path, None, keep_days=KEEP)
        books.restore()
        self.shelf = Shelf(DISKS, wall_ns=WALL_NS + 12 * HOUR)
        for day in range(DAYS):
            self.shelf.tick(books, DAY, 1.0)
            self.shelf.commit(books, clean=day == DAYS - 1)
            settle(books)
        books.close()
        self.data = path.read_bytes()
        self.mark = path.with_name("ledger.db.mark").read_bytes()
        self.truth = set(everything(read(path)))

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


def go_on(books: FileStore, written: Written, number: int, clean: bool) -> bool:
    """One more day and commit; whether it is in the file."""
    shelf = written.shelf
    at, wall = shelf.at_ns + number * DAY, shelf.wall_ns + number * DAY
    entries = tuple(made(1000 + number, shelf.names[0], at, wall))
    some = {name: totals(1) for name in shelf.names}
    assert books.commit(Commit(1000 + number, at, wall, BOOT, clean, {}, some, entries))
    return settle(books) == [(1000 + number, True)]


def test_a_changed_byte_is_harmless_or_noticed(tmp_path: Path, written: Written) -> None:
    """One byte at a time, a third of them in the header: it starts, what it tells is right or the
    file is set aside and said so; commits go on, and the next start tells the same."""
    dice = random.Random(5)
    seen: Counter[str] = Counter()
    truth = dict.fromkeys(written.shelf.names, DAYS)
    for number in range(FLIPS):
        at = dice.randrange(len(written.data)) if number % 3 else dice.randrange(100)
        data = bytearray(written.data)
        data[at] = (data[at] + dice.randrange(1, 256)) % 256
        path = written.put(tmp_path / str(number), bytes(data))
        said: list[str] = []
        books = store(path, None, keep_days=KEEP, say=said.append)
        restored = books.restore()
        given = {name: account["cycles"] for name, account in restored.accounts.items()}
        history = set(everything(books.history()))
        if restored.lost:
            assert len(aside(path)) == 1
            assert books.status().damaged == 1
            assert sum(aside(path)[0] in text for text in said) == 1
            assert given.items() <= truth.items()
            assert history <= written.truth
        else:
            assert aside(path) == []
            assert (given, history) == (truth, written.truth)
        seen["set aside" if restored.lost else "harmless"] += 1
        seen["all accounts"] += given == truth
        assert go_on(books, written, 1, clean=False)
        assert go_on(books, written, 2, clean=True)
        books.close()
        books = store(path, None, keep_days=KEEP)
        again = books.restore()
        assert again.lost == ""
        assert {name: account["cycles"] for name, account in again.accounts.items()} == given
        books.close()
    print(f"{FLIPS} flips of {len(written.data)} bytes: {dict(seen)}")
    assert min(seen["set aside"], seen["harmless"]) > 0


@pytest.mark.parametrize(
    "data",
    [
        pytest.param(b"not a ledger at all\n", id="text"),
        pytest.param(b"SQLite format 3\0" + b"\0" * 5000, id="a header alone"),
        pytest.param(b"\0" * 100_000, id="zeros"),
    ],
)
def test_what_is_no_ledger_is_set_aside(tmp_path: Path, written: Written, data: bytes) -> None:
    """Whatever lies at the path is renamed, not overwritten, and a new ledger begins."""
    path = written.put(tmp_path / "here", data)
    books = store(path, None)
    restored = books.restore()
    assert "set aside" in restored.lost
    assert (path.parent / aside(path)[0]).read_bytes() == data
    assert go_on(books, written, 1, clean=True)
    assert books.status().damaged == 1


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_a_cut_off_file_is_set_aside_and_what_is_whole_kept(
    tmp_path: Path, written: Written, share: float
) -> None:
    """Of a file cut off somewhere, no row that is told is wrong."""
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
        books = store(path, None)
        books.restore()
        assert books.status().damaged == number
        assert go_on(books, written, number, clean=True)
        books.close()
        path.write_bytes(b"again")
    assert len(set(aside(path))) == 3


def test_damage_while_in_use_is_set_aside_and_commits_go_on(
    tmp_path: Path, written: Written
) -> None:
    """Overwritten pages are found at a commit; accounts and what is whole go on, nothing falls."""
    path = written.put(tmp_path / "used", written.data)
    said: list[str] = []
    books = store(path, None, say=said.append)
    books.restore()
    with path.open("r+b") as file:
        file.write(b"\xff" * len(written.data))
    assert go_on(books, written, 1, clean=True)
    assert len(aside(path)) == 1
    assert books.status().damaged == 1
    assert any("was damaged and is set aside" in text for text in said)
    books.close()
    again = store(path, None).restore()
    assert again.lost == ""
    given = {name: account["cycles"] for name, account in again.accounts.items()}
    assert given == dict.fromkeys(written.shelf.names, DAYS)
