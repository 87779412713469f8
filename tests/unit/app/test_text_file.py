"""The text file is whole and readable at any moment (own rules; umask(2), rename(2))."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from spinledger.app.publishers import TextFile
from tests.fakes.snapshots import snapshot, view


def test_an_agent_of_another_user_may_read_it(tmp_path: Path) -> None:
    """Also under the umask of the service's unit; nothing else is left in the folder."""
    before = os.umask(0o027)
    try:
        TextFile(tmp_path).publish(snapshot(view(0)))
    finally:
        os.umask(before)
    (only,) = tmp_path.iterdir()
    assert only.name == "spinledger.prom"
    assert stat.S_IMODE(only.stat().st_mode) == 0o644


def test_a_reader_keeps_the_file_that_it_has_opened(tmp_path: Path) -> None:
    """The next one takes its place under another inode, so nobody reads half of it."""
    text_file = TextFile(tmp_path)
    text_file.publish(snapshot(view(0)))
    with (tmp_path / "spinledger.prom").open("rb") as file:
        whole = os.fstat(file.fileno()).st_size
        text_file.publish(snapshot(view(0), view(1)))
        assert len(file.read()) == whole
        assert (tmp_path / "spinledger.prom").stat().st_ino != os.fstat(file.fileno()).st_ino
