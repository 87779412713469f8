"""Which disks hold a path, on invented trees laid out as sysfs lays them out.

Source: proc(5) for mountinfo, with its octal escapes; Documentation/ABI/testing/sysfs-block for
`slaves` and `partition`; /sys/fs/btrfs/UUID/devices as Linux 6.1 shows it.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from spinledger.device.placement import holding, parse_mount


class Tree:
    """An invented sysfs and mount table; everything below `home` is on one device."""

    def __init__(self, folder: Path) -> None:
        self.sysfs = folder / "sys"
        self.home = folder / "home"
        self.home.mkdir()
        number = self.home.stat().st_dev
        self.device = f"{os.major(number)}:{os.minor(number)}"
        (self.sysfs / "dev" / "block").mkdir(parents=True)
        (self.sysfs / "class" / "block").mkdir(parents=True)
        self.mounts = folder / "mountinfo"
        self.mount("ext4", "/dev/whatever")

    def disk(self, name: str) -> Path:
        """A whole disk."""
        block = self.sysfs / "devices" / "pci" / name
        block.mkdir(parents=True)
        (self.sysfs / "class" / "block" / name).symlink_to(block)
        return block

    def partition(self, disk: Path, name: str) -> Path:
        """A partition of it."""
        block = disk / name
        block.mkdir()
        (block / "partition").write_text("1\n")
        (self.sysfs / "class" / "block" / name).symlink_to(block)
        return block

    def stacked(self, name: str, below: list[Path]) -> Path:
        """A device on others: md, device mapper."""
        block = self.sysfs / "devices" / "virtual" / name
        (block / "slaves").mkdir(parents=True)
        for slave in below:
            (block / "slaves" / slave.name).symlink_to(slave)
        return block

    def holds(self, block: Path) -> None:
        """This device holds `home`."""
        (self.sysfs / "dev" / "block" / self.device).symlink_to(block)

    def mount(self, kind: str, source: str, device: str | None = None) -> None:
        """The one line of the mount table."""
        point = str(self.home).replace(" ", "\\040")
        self.mounts.write_text(
            f"36 35 {device or self.device} / {point} rw,noatime master:1 - {kind} {source} rw\n"
        )

    def disks(self) -> set[str]:
        """What is found for a file that does not exist yet."""
        found = holding(self.home / "new" / "ledger.db", str(self.sysfs), str(self.mounts))
        assert not found.unknown
        return set(found.disks)


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    """A fresh tree."""
    return Tree(tmp_path)


def test_whole_disk(tree: Tree) -> None:
    """A file system on a whole disk."""
    tree.holds(tree.disk("sda"))
    assert tree.disks() == {"sda"}


def test_partition(tree: Tree) -> None:
    """A partition belongs to its disk."""
    tree.holds(tree.partition(tree.disk("sda"), "sda2"))
    assert tree.disks() == {"sda"}


def test_encrypted_volume_on_a_mirror_of_partitions(tree: Tree) -> None:
    """Device mapper on md on partitions: both disks."""
    parts = [tree.partition(tree.disk(name), f"{name}1") for name in ("sda", "sdb")]
    tree.holds(tree.stacked("dm-3", [tree.stacked("md0", parts)]))
    assert tree.disks() == {"sda", "sdb"}


def test_btrfs_over_two_disks(tree: Tree) -> None:
    """The device number of btrfs is of no device; its devices are in sysfs."""
    first = tree.partition(tree.disk("sda"), "sda1")
    second = tree.disk("sdb")
    devices = tree.sysfs / "fs" / "btrfs" / "11111111-2222" / "devices"
    devices.mkdir(parents=True)
    for block in (first, second):
        (devices / block.name).symlink_to(block)
    tree.mount("btrfs", "/dev/sda1", device="0:52")
    assert tree.disks() == {"sda", "sdb"}


def test_memory_holds_no_disk(tree: Tree) -> None:
    """A memory file system is on no disk, and that is known."""
    tree.mount("tmpfs", "tmpfs")
    assert tree.disks() == set()


@pytest.mark.parametrize("kind", ["zfs", "overlay", "nfs4", "fuse.sshfs"])
def test_what_names_no_disk_is_unknown(tree: Tree, kind: str) -> None:
    """The result says that it is not known, not that there is none."""
    tree.mount(kind, "pool/data")
    found = holding(tree.home, str(tree.sysfs), str(tree.mounts))
    assert found.disks == frozenset()
    assert kind in found.unknown


def test_mount_points_with_blanks() -> None:
    """Octal escapes as proc(5) has them."""
    line = "29 1 8:17 / /mnt/photo\\040archive rw,relatime shared:1 - ext4 /dev/sdb1 rw"
    assert parse_mount(line).point == "/mnt/photo archive"


def test_slave_loops_end(tree: Tree) -> None:
    """A tree that leads back to itself ends."""
    block = tree.stacked("dm-0", [])
    (block / "slaves" / "dm-0").symlink_to(block)
    tree.holds(block)
    assert holding(tree.home, str(tree.sysfs), str(tree.mounts)).disks == frozenset()


def test_a_folder_that_may_not_be_searched(tree: Tree, monkeypatch: pytest.MonkeyPatch) -> None:
    """The ledger of the service, for a user who is not root: its nearest visible folder counts.

    stat(2) fails with EACCES there, and Path.exists passes that on (Python 3.11 to 3.13).
    """
    closed = tree.home / "closed" / "ledger.db"
    real = Path.stat

    def stat(path: Path, *, follow_symlinks: bool = True) -> os.stat_result:
        if path == closed:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        return real(path, follow_symlinks=follow_symlinks)

    monkeypatch.setattr(Path, "stat", stat)
    tree.mount("tmpfs", "none")
    assert holding(closed, str(tree.sysfs), str(tree.mounts)).disks == frozenset()
