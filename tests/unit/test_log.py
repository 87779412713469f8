"""Lines for the operator, where standard error is broken in every way that a host knows.

Outside authority: full(4), pipe(7), sd-daemon(3) for the priorities, systemd.exec(5) for
JOURNAL_STREAM.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from spinledger.log import fail, say, warn


def test_a_full_disk_does_not_raise(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each write to /dev/full fails with ENOSPC."""
    with open("/dev/full", "w", encoding="utf-8") as full:
        monkeypatch.setattr(sys, "stderr", full)
        fail("the disk is full")


def test_a_reader_that_is_gone_does_not_raise(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pipe whose other end is closed: EPIPE."""
    read, write = os.pipe()
    os.close(read)
    with open(write, "w", encoding="utf-8") as gone:
        monkeypatch.setattr(sys, "stderr", gone)
        say("nobody reads")


def test_a_reader_that_does_not_read_holds_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pipe that is full: these return though nothing is ever read; what fits is whole lines."""
    read, write = os.pipe()
    with open(write, "w", encoding="utf-8") as stuck:
        monkeypatch.setattr(sys, "stderr", stuck)
        for _ in range(50):
            warn("x" * 5000)
        lines = os.read(read, 1 << 20).splitlines(keepends=True)
    os.close(read)
    assert {len(line) for line in lines} == {4000}
    assert all(line.endswith(b"x\n") for line in lines)


@pytest.mark.parametrize("closed", [None, "closed"])
def test_no_standard_error_does_not_raise(
    closed: str | None, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Started with descriptor 2 closed, Python has no stream; a closed one has no descriptor."""
    stream = None
    if closed:
        stream = (tmp_path / "log").open("w")
        stream.close()
    monkeypatch.setattr(sys, "stderr", stream)
    say("nowhere")


def test_priorities_are_for_the_journal_alone(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """JOURNAL_STREAM names device and inode of the stream; it may be inherited from elsewhere."""
    path = tmp_path / "log"
    with path.open("w") as stream:
        monkeypatch.setattr(sys, "stderr", stream)
        its = os.fstat(stream.fileno())
        for named in (f"{its.st_dev}:{its.st_ino}", "1:2", ""):
            monkeypatch.setenv("JOURNAL_STREAM", named)
            for call in (say, warn, fail):
                call("a")
    assert path.read_text().splitlines() == [
        "<6>spinledger: a",
        "<4>spinledger: a",
        "<3>spinledger: a",
        *["spinledger: a"] * 6,
    ]
