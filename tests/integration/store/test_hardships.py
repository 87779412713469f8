"""A disk that is full, a folder that may not be written, a path that is no file.

Source: setrlimit(2): past RLIMIT_FSIZE a write gives EFBIG when SIGXFSZ is ignored, as ENOSPC would
on a full disk; chmod(2) and, for the superuser, setuid(2) to the uid 65534.
"""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from spinledger.errors import Refusal
from spinledger.store.file import verify
from spinledger.store.live import live_directory
from tests.integration.store.written import Shelf, everything, expected, settle, store

ROOT = Path(__file__).parents[3]

FULL = """
import resource, signal, sys
from pathlib import Path
from tests.integration.store.written import Shelf, everything, expected, settle, store
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
path, live = Path(sys.argv[1]), Path(sys.argv[2])
said = []
file_store = store(path, live, say=said.append)
file_store.restore()
shelf = Shelf(4)
ended = []
for round in range(9):
    if round == 3:
        resource.setrlimit(resource.RLIMIT_FSIZE, (path.stat().st_size, -1))
    if round == 6:
        resource.setrlimit(resource.RLIMIT_FSIZE, (-1, -1))
    for _ in range(30 if round == 3 else 3):
        shelf.tick(file_store, chance=1.0)
    shelf.commit(file_store)
    ended += [good for _, good in settle(file_store)]
    assert everything(file_store.history()) == expected(shelf.recorded)
print(ended)
trouble = file_store.status().trouble
print(everything(file_store.history()) == expected(shelf.recorded), trouble == "")
print([text for text in said if "not written" in text or "written again" in text])
"""

READ_ONLY = """
import os, sys
from pathlib import Path
from tests.integration.store.written import Shelf, everything, expected, settle, store
if os.geteuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
path, live = Path(sys.argv[1]), Path(sys.argv[2])
shelf = Shelf(2, wall_ns=int(sys.argv[3]))
for run in range(2):
    said = []
    file_store = store(path, live, say=said.append)
    restored = file_store.restore()
    print(sorted(account["cycles"] for account in restored.accounts.values()), restored.lost)
    shelf.cycles = {name: account["cycles"] for name, account in restored.accounts.items()}
    shelf.names = sorted(shelf.cycles) or shelf.names
    shelf.cycles = shelf.cycles or dict.fromkeys(shelf.names, 0)
    shelf.number = restored.number
    shelf.tick(file_store, chance=1.0)
    shelf.commit(file_store)
    print([good for _, good in settle(file_store)], file_store.status().trouble)
    file_store.close()
"""


def python(code: str, *arguments: object) -> list[str]:
    """Lines that a Python of its own printed."""
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": f"exporter{os.pathsep}."},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


@pytest.fixture
def roomy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder whose parents anybody may pass, as the superuser gives up its rights in a test."""
    folder = tmp_path_factory.mktemp("roomy")
    if os.geteuid() == 0:
        for parent in [folder, *list(folder.parents)[:3]]:
            if parent != Path("/tmp") and parent.is_relative_to("/tmp"):
                parent.chmod(0o755)
    return folder


def test_a_full_disk_costs_nothing_but_time(tmp_path: Path) -> None:
    """Commits fail while it is full, all is kept, and the first that succeeds writes everything."""
    live = tmp_path / "live"
    live.mkdir()
    lines = python(FULL, tmp_path / "ledger.db", live)
    assert lines[0] == str([True] * 3 + [False] * 3 + [True] * 3)
    assert lines[1] == "True True"
    assert lines[2].count("not written") == 1
    assert lines[2].count("written again") == 1


def test_a_folder_that_may_not_be_written(roomy: Path) -> None:
    """What can be read is read; what is recorded stays in the live journal over a restart."""
    path = roomy / "ledger.db"
    file_store = store(path, None)
    file_store.restore()
    shelf = Shelf(2)
    shelf.tick(file_store, chance=1.0)
    shelf.commit(file_store, clean=True)
    settle(file_store)
    file_store.close()
    for file in (*roomy.iterdir(), roomy):
        file.chmod(0o555 if file.is_dir() else 0o444)
    live = roomy.parent / f"{roomy.name}-live"
    live.mkdir()
    live.chmod(0o777)
    try:
        lines = python(READ_ONLY, path, live, shelf.wall_ns)
    finally:
        roomy.chmod(0o755)
    assert lines[0] == "[1, 1] "
    assert lines[1].startswith(f"[False] {path}")
    assert lines[2] == "[2, 2] "
    assert lines[3].startswith(f"[False] {path}")


def test_a_file_that_may_not_be_read_is_no_loss_of_what_came_since(roomy: Path) -> None:
    """It is said that the ledger cannot be read; the live journal still carries this boot."""
    path = roomy / "ledger.db"
    store(path, None).restore()
    for file in (*roomy.iterdir(), roomy):
        file.chmod(0o555 if file.is_dir() else 0o000)
    live = roomy.parent / f"{roomy.name}-live"
    live.mkdir()
    live.chmod(0o777)
    try:
        lines = python(READ_ONLY, path, live, 0)
    finally:
        roomy.chmod(0o755)
    assert lines[0].startswith("[] the ledger cannot be read")
    assert lines[2] == "[1, 1] "


def test_a_missing_live_journal_is_said_and_is_no_failing_ledger(tmp_path: Path) -> None:
    """The file is written, so `spinledger_ledger_write_failing` stays 0 and no alert begins."""
    said: list[str] = []
    file_store = store(tmp_path / "ledger.db", None, say=said.append)
    file_store.restore()
    assert file_store.status().trouble == ""
    assert [line for line in said if line.startswith("no live journal")] != []


def test_a_folder_at_the_path_is_said_to_be_one(tmp_path: Path) -> None:
    """The exporter runs on, and the trouble names the path and the fix."""
    (tmp_path / "ledger.db").mkdir()
    file_store = store(tmp_path / "ledger.db", None)
    assert "is a folder; name a file with --ledger" in file_store.restore().lost
    shelf = Shelf(1)
    shelf.tick(file_store, chance=1.0)
    shelf.commit(file_store)
    assert settle(file_store) == [(1, False)]
    assert file_store.status().trouble.endswith("is a folder; name a file with --ledger")
    (tmp_path / "ledger.db").rmdir()
    shelf.tick(file_store, chance=1.0)
    shelf.commit(file_store)
    assert settle(file_store) == [(2, True)]
    assert everything(file_store.history()) == expected(shelf.recorded)


@pytest.mark.parametrize("size", [0, 100, 8192], ids=["emptied", "a part of a page", "two pages"])
def test_a_file_that_is_cut_while_in_use_costs_nothing(tmp_path: Path, size: int) -> None:
    """truncate(2) by another program: what memory holds goes into a new file at the next commit,
    which is whole by SQLite's own check and by ours.
    """
    path = tmp_path / "ledger.db"
    file_store = store(path, None)
    file_store.restore()
    shelf = Shelf(4)
    for number in range(3):
        for _ in range(30):
            shelf.tick(file_store, chance=1.0)
        shelf.commit(file_store)
        assert settle(file_store) == [(number + 1, True)]
    assert path.stat().st_size > 8192
    os.truncate(path, size)
    shelf.tick(file_store, chance=1.0)
    shelf.commit(file_store, clean=True)
    assert settle(file_store) == [(4, True)]
    assert everything(file_store.history()) == expected(shelf.recorded)
    file_store.close()
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA quick_check").fetchall() == [("ok",)]
    assert list(verify(path)) == []
    again = store(path, None)
    again.restore()
    assert everything(again.history()) == expected(shelf.recorded)


def test_a_missing_folder_is_made_in_the_state_directory_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There the last folder has mode 0700, and the files are ours alone too. Elsewhere the path is
    mistyped: one line, and no folder is made.
    """
    path = tmp_path / "a" / "b" / "ledger.db"
    with pytest.raises(Refusal) as refused:
        store(path, None).restore()
    assert str(refused.value) == (
        f"{path}: its folder does not exist; create it, or correct the path"
    )
    assert list(tmp_path.iterdir()) == []
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "a"))
    store(path, None).restore()
    assert path.parent.stat().st_mode & 0o777 == 0o700
    assert path.stat().st_mode & 0o077 == 0


def test_the_live_journal_lies_in_memory() -> None:
    """Where there is a folder for it, the kernel says that it is in a memory file system."""
    folder = live_directory()
    assert folder is not None
    assert folder.stat().st_mode & 0o022 == 0
    done = subprocess.run(
        ["stat", "-f", "-c", "%T", folder], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() in ("tmpfs", "ramfs")


def test_no_memory_file_system_means_no_journal(tmp_path: Path) -> None:
    """A table of mounts without one gives None, and nothing is made on a disk."""
    table = tmp_path / "mounts"
    table.write_text("/dev/vda1 / ext4 rw 0 0\n")
    assert live_directory(table) is None
