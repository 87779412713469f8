"""The live journal: what a torn, flipped, compacted or half-committed one gives back.

Source: fstab(5) for the escapes of the mounts table; the rest are the module's own rules.
"""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spinledger.model import SECOND, Cycle
from spinledger.store import live
from spinledger.store.live import LiveJournal, Opening, Pending, file_system, parse

BOOT = "11111111-2222-4333-8444-555555555555"
DISK = "sim-dome-01"


def opening(number: int = 0) -> Opening:
    """A first line."""
    return Opening("abc", number, BOOT, 0, 0, False, 0)


def journal(folder: Path, number: int = 0) -> LiveJournal:
    """A journal that has begun."""
    made = LiveJournal(folder, folder / "ledger.db")
    made.begin(opening(number), Pending())
    return made


def tick(made: LiveJournal, number: int) -> Cycle:
    """Note one tick in which the disk's count became `number`."""
    cycle = Cycle(number, DISK, number * SECOND, number * SECOND + 5, True)
    made.note(number * SECOND, number * SECOND + 5, {DISK: {"cycles": number}}, [cycle])
    return cycle


def test_a_journal_torn_at_any_byte_gives_the_last_whole_tick(tmp_path: Path) -> None:
    """Cut anywhere, it gives exactly the ticks whose lines are whole."""
    made = journal(tmp_path)
    ends = [made.path.stat().st_size] if made.path else []
    for number in range(1, 6):
        tick(made, number)
        assert made.path is not None
        ends.append(made.path.stat().st_size)
    assert made.path is not None
    data = made.path.read_bytes()
    assert len(data) == ends[-1]
    for cut in range(len(data) + 1):
        left = parse(data[:cut])
        whole = sum(end <= cut for end in ends) - 1
        if whole < 0:
            assert left is None
        else:
            assert left is not None
            assert left.at_ns == whole * SECOND
            assert [e.number for e in left.after(0).entries if isinstance(e, Cycle)] == list(
                range(1, whole + 1)
            )


def test_a_flipped_byte_never_gives_a_wrong_tick(tmp_path: Path) -> None:
    """Any one byte changed: what is read is a beginning of the truth, never something else."""
    made = journal(tmp_path)
    truth = [tick(made, number) for number in range(1, 6)]
    assert made.path is not None
    data = made.path.read_bytes()
    dice = random.Random(3)
    for at in range(len(data)):
        changed = bytearray(data)
        changed[at] ^= 1 << dice.randrange(8)
        left = parse(bytes(changed))
        if left is not None:
            result = left.after(0).entries
            assert result == truth[: len(result)]
            assert left.at_ns == len(result) * SECOND


@settings(max_examples=60)
@given(st.lists(st.sampled_from(["tick", "hand", "good", "bad"]), max_size=40))
def test_the_journal_holds_all_since_any_commit_that_may_be_in_the_file(
    tmp_path_factory: pytest.TempPathFactory, acts: list[str]
) -> None:
    """After each act: read back and matched with the last commit in the file, nothing is missing.

    A commit in flight may be in the file or not: either way what came after it is given.
    """
    made = journal(tmp_path_factory.mktemp("live"))
    count = committed = handed = number = in_file = 0
    flying = False
    for act in acts:
        if act == "tick":
            count += 1
            tick(made, count)
        elif act == "hand" and not flying:
            number += 1
            handed, flying = count, True
            made.handed(number)
        elif act in ("good", "bad") and flying:
            flying = False
            made.finished(number, act == "good", 0)
            if act == "good":
                committed, in_file = handed, number
        left = made.read(BOOT)
        assert left is not None
        result = [e.number for e in left.after(in_file).entries if isinstance(e, Cycle)]
        assert result == list(range(committed + 1, count + 1))
        if flying:
            later = [e.number for e in left.after(number).entries if isinstance(e, Cycle)]
            assert later == list(range(handed + 1, count + 1))


def test_a_long_journal_is_compacted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Past its bound the file shrinks to the newest dump and all entries."""
    monkeypatch.setattr(live, "COMPACT_BYTES", 4000)
    made = journal(tmp_path)
    made.note(1, 1, {DISK: {"blob": "x" * 300, "cycles": 0}}, [])
    sizes = []
    for number in range(1, 200):
        made.note(number * SECOND, number, {DISK: {"blob": "x" * 300, "cycles": number}}, [])
        assert made.path is not None
        sizes.append(made.path.stat().st_size)
    left = made.read(BOOT)
    assert left is not None
    assert left.after(0).dumps[DISK]["cycles"] == 199
    assert left.at_ns == 199 * SECOND
    assert max(sizes) <= 4000


def test_a_still_tick_is_one_short_line(tmp_path: Path) -> None:
    """A tick in which nothing happened costs at most 64 bytes."""
    made = journal(tmp_path)
    assert made.path is not None
    before = made.path.stat().st_size
    made.note(10**18, 2 * 10**18, {}, [])
    assert made.path.stat().st_size - before <= 64


def test_a_journal_of_another_boot_is_not_used(tmp_path: Path) -> None:
    """The boot clock began anew, so the times in it say nothing."""
    made = journal(tmp_path)
    tick(made, 1)
    assert made.read(BOOT) is not None
    assert made.read("other") is None


def test_a_failed_write_leaves_no_journal_with_a_hole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When the memory file system is full the journal goes, and comes back whole."""
    made = journal(tmp_path)
    tick(made, 1)
    real = os.write

    def full(fd: int, data: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    tick(made, 2)
    assert "No space" in made.trouble
    assert made.read(BOOT) is None
    monkeypatch.setattr(os, "write", real)
    tick(made, 3)
    left = made.read(BOOT)
    assert left is not None
    assert [e.number for e in left.after(0).entries if isinstance(e, Cycle)] == [1, 2, 3]
    assert made.trouble == ""


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/run/spinledger", "tmpfs"),
        ("/run/user/7/spinledger", "ext4"),
        ("/dev/shm/x", "tmpfs"),
        ("/srv/with space/x", "ramfs"),
        ("/srv", "ext4"),
        ("/runner", "ext4"),
    ],
)
def test_the_mounts_table_tells_the_file_system(path: str, kind: str) -> None:
    """The longest mount point that holds the path counts, a later line hides an earlier one."""
    table = (
        "/dev/vda1 / ext4 rw 0 0\n"
        "tmpfs /run tmpfs rw 0 0\n"
        "/dev/vda2 /run/user/7 ext4 rw 0 0\n"
        "/dev/vda3 /dev/shm ext4 rw 0 0\n"
        "tmpfs /dev/shm tmpfs rw 0 0\n"
        "ramfs /srv/with\\040space ramfs rw 0 0\n"
    )
    assert file_system(Path(path), table) == kind
