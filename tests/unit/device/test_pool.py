"""Which pool a disk belongs to, read from holders, slaves and udev's properties."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from spinledger.device.pool import pool_of
from tests.fakes.sysfs_tree import CONTROLLER, SATA, Tree


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    """An empty sysfs."""
    return Tree(tmp_path)


def pool(tree: Tree, name: str, udev: Mapping[str, Mapping[str, str]] | None = None) -> str:
    """The pool by the tree and udev's properties."""
    return pool_of(str(tree.root / "block"), name, lambda of: (udev or {}).get(of, {}))


def test_the_largest_partition_counts(tree: Tree) -> None:
    """A small system mirror does not hide the data array (common practice of storage boxes)."""
    disk = tree.disk("sda", SATA)
    tree.stacked("md0", tree.part(disk, "sda1", 4_000_000), md__level="raid1")
    tree.stacked("md7", tree.part(disk, "sda2", 7_800_000_000), md__level="raid6")
    assert pool(tree, "sda") == "md7"
    assert pool(tree, "sda", {"md7": {"MD_DEVNAME": "photos"}}) == "photos"


def test_encryption_is_passed_over(tree: Tree) -> None:
    """Disks encrypted one by one below one array share the array."""
    first, second = tree.disk("sda", SATA), tree.disk("sdb", CONTROLLER)
    locked = [
        tree.stacked(f"dm-{number}", disk, dm__uuid="CRYPT-LUKS2-x", dm__name=f"locked_{number}")
        for number, disk in enumerate((first, second))
    ]
    tree.stacked("md0", *locked, md__level="raid1")
    assert (pool(tree, "sda"), pool(tree, "sdb")) == ("md0", "md0")


def test_multipath_is_passed_over(tree: Tree) -> None:
    """Two paths of one disk are no pool; what stands on them may be one."""
    paths = tree.disk("sda", SATA), tree.disk("sdb", CONTROLLER)
    path = tree.stacked("dm-0", *paths, dm__uuid="mpath-3500", dm__name="mpatha")
    assert pool(tree, "sda") == ""
    tree.stacked("dm-1", path, dm__uuid="LVM-abc", dm__name="dome--archive-raw--2025")
    assert pool(tree, "sda") == "dome-archive"


def test_a_device_with_two_slaves_is_a_pool(tree: Tree) -> None:
    """Any other mapping over two disks joins them."""
    disks = tree.disk("sda", SATA), tree.disk("sdb", CONTROLLER)
    tree.stacked("dm-0", *disks, dm__uuid="", dm__name="striped")
    assert (pool(tree, "sda"), pool(tree, "sdb")) == ("striped", "striped")


@pytest.mark.parametrize(
    ("udev", "expected"),
    [
        ({"ID_FS_TYPE": "zfs_member", "ID_FS_LABEL": "frames"}, "frames"),
        ({"ID_FS_TYPE": "btrfs", "ID_FS_LABEL": "photos", "ID_FS_UUID": "1-2"}, "photos"),
        ({"ID_FS_TYPE": "btrfs", "ID_FS_UUID": "1-2"}, "1-2"),
        ({"ID_FS_TYPE": "ext4", "ID_FS_LABEL": "lone"}, ""),
    ],
)
def test_file_systems_that_span_devices(tree: Tree, udev: dict[str, str], expected: str) -> None:
    """By udev's properties of a partition (udev's blkid builtin; from memory)."""
    tree.part(tree.disk("sda", SATA), "sda1", 100)
    assert pool(tree, "sda", {"sda1": udev}) == expected


def test_a_lone_encrypted_disk_is_in_no_pool(tree: Tree) -> None:
    """One slave joins nothing."""
    tree.stacked("dm-0", tree.disk("sda", SATA), dm__uuid="CRYPT-LUKS2-x", dm__name="locked")
    assert pool(tree, "sda") == ""
