"""Bad files, each paired with the one line that a person gets to read.

The messages are the project's own; which files are bad follows from the configuration's manual,
and for the file as a whole from YAML 1.2 (unique keys 3.2.1, no tabs in indentation 6.1, printable
characters 5.1) and UTF-8 (RFC 3629).
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from spinledger.config.load import load
from spinledger.config.schema import FIELDS, Field
from spinledger.errors import BadConfig

DATA = Path(__file__).parents[2] / "data" / "config"
BAD = sorted(path.stem for path in DATA.glob("bad-*.yaml"))


@pytest.mark.parametrize("stem", BAD)
def test_a_bad_file_gives_its_exact_line(stem: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each bad file is refused with the text beside it: place, fault and fix in one line."""
    monkeypatch.chdir(DATA)
    with pytest.raises(BadConfig) as caught:
        load(Path(f"{stem}.yaml"), zone="UTC")
    assert f"{caught.value}\n" == (DATA / f"{stem}.txt").read_text(encoding="utf-8")
    assert re.fullmatch(rf"{re.escape(stem)}\.yaml:[1-9][0-9]*: [^\n]+; [^\n]+", str(caught.value))


def test_texts_and_files_are_paired() -> None:
    """No text is left over without its file, and there are files at all."""
    assert sorted(path.stem for path in DATA.glob("bad-*.txt")) == BAD
    assert BAD


@pytest.mark.parametrize("row", FIELDS, ids=lambda row: row.path)
def test_every_key_has_a_bad_file(row: Field) -> None:
    """Whoever adds a key adds a bad file named after it, whose text names the key."""
    stem = "bad-" + "-".join(part for part in row.parts if part not in "*#")
    text = (DATA / f"{stem}.txt").read_text(encoding="utf-8")
    steps = [part for part in row.parts if part != "#"]
    pattern = r"\.".join(r"\w+" if step == "*" else re.escape(step) for step in steps)
    shorter = r"\.".join(r"\w+" if step == "*" else re.escape(step) for step in steps[:-1])
    assert re.search(rf"(^|[ :]){pattern}\b", text) or (
        re.search(rf"(^|[ :]){shorter} has no {re.escape(steps[-1])}\b", text)
    )


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    """A path without a file gives the path and no Python words."""
    path = tmp_path / "none.yaml"
    with pytest.raises(BadConfig) as caught:
        load(path)
    assert str(caught.value) == f"{path}: there is no such file; check the path"


def test_a_folder_is_not_a_file(tmp_path: Path) -> None:
    """A folder in place of a file is refused with the system's reason (EISDIR, POSIX read())."""
    with pytest.raises(BadConfig) as caught:
        load(tmp_path)
    why = "cannot be read (is a directory); check the path and its permissions"
    assert str(caught.value) == f"{tmp_path}: {why}"


def test_an_unreadable_file_is_refused(tmp_path: Path) -> None:
    """An open that fails, here by a loop of links (ELOOP, POSIX open()), gives the reason."""
    path = tmp_path / "loop.yaml"
    path.symlink_to(path)
    with pytest.raises(BadConfig) as caught:
        load(path)
    why = "cannot be read (too many levels of symbolic links); check the path and its permissions"
    assert str(caught.value) == f"{path}: {why}"


def test_a_path_that_no_system_takes(tmp_path: Path) -> None:
    """A path with a NUL, which POSIX forbids, is refused on one printable line."""
    with pytest.raises(BadConfig) as caught:
        load(tmp_path / "a\0b\nc.yaml")
    assert str(caught.value).startswith(f"{tmp_path}/a\\x00b\\nc.yaml: cannot be read")


def test_an_endless_file_is_not_read_to_its_end() -> None:
    """A device that never ends is refused after a megabyte."""
    with pytest.raises(BadConfig) as caught:
        load(Path("/dev/zero"))
    assert str(caught.value) == (
        "/dev/zero: is larger than 1048576 bytes; check that it is a configuration"
    )


def test_the_first_fault_is_reported_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of two faults the one that stands first is reported, by every reading."""
    monkeypatch.chdir(DATA)
    lines = set()
    for _ in range(3):
        with pytest.raises(BadConfig) as caught:
            load(Path("bad-first-of-two.yaml"))
        lines.add(str(caught.value))
    assert len(lines) == 1
    assert lines.pop().startswith("bad-first-of-two.yaml:1: wear.every")
