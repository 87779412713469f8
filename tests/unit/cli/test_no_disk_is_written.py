"""A disk that is named where a file is written is refused, in one line, before it is opened.

st_size of a block device is 0 (inode(7), from memory), so it would pass for an empty ledger. The
path here is a file that is taken for a block device.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from spinledger import cli
from spinledger.app import reporting
from spinledger.cli import history
from spinledger.errors import BadInput
from spinledger.store import plain


@pytest.fixture
def disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The path; whoever opens it fails the test."""
    path = tmp_path / "sdx"
    path.touch()
    opened = os.open

    def refused(name: Any, *rest: Any, **more: Any) -> int:
        assert str(name) != str(path), "opened"
        return opened(name, *rest, **more)

    monkeypatch.setattr(os, "open", refused)
    monkeypatch.setattr(Path, "is_block_device", lambda self: self == path)
    return path


def trace(folder: Path) -> Path:
    """A day with two reads."""
    made = folder / "trace.csv"
    made.write_text("timestamp_seconds,op\n0,begin\n3600,read\n40000,read\n86400,end\n")
    return made


@pytest.mark.parametrize("command", ["serve", "openmetrics", "plot", "capture"])
def test_each_command_refuses_it(
    disk: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    """Exit code 2, and nothing is written."""
    serve = ["serve", "--shelf", "simulated", "--listen", "127.0.0.1:0", "--for", "1"]
    arguments = {
        "serve": [*serve, "--ledger", str(disk)],
        "openmetrics": ["rehearse", "--days", "1", "--openmetrics", str(disk)],
        "plot": ["replay", "--trace", str(trace(tmp_path)), "--plot", str(disk)],
        "capture": ["capture", "--for", "1", "--out", str(disk)],
    }[command]
    assert cli.main(arguments) == 2
    said = capsys.readouterr().err
    assert f"{disk}" in said
    assert plain.IS_A_DISK in said
    assert disk.stat().st_size == 0


def test_what_is_put_in_place_whole_refuses_it_too(disk: Path) -> None:
    """A rename would put a file where the disk's node was."""
    with pytest.raises(BadInput, match=plain.IS_A_DISK):
        history._write(disk, [])
    with pytest.raises(BadInput, match=plain.IS_A_DISK):
        reporting.writable(disk)
    assert list(disk.parent.iterdir()) == [disk]
