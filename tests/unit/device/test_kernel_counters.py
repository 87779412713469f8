"""The free signals, read from small files."""

from __future__ import annotations

import dataclasses
import errno
import os
from pathlib import Path

import pytest

from spinledger.device.kernel_counters import SysfsCounters
from spinledger.errors import Unavailable
from spinledger.model import Counted, Disk, RuntimeStatus
from tests.fakes.facts import DISK
from tests.fakes.sysfs_tree import CONTROLLER, SATA, Tree

# Documentation/block/stat.rst (Linux 6.12) names the fields; each has a value of its own here.
FIELDS = "11 12 13 14 15 16 17 18 19 20 21 22 23 24 25 26 27"
HERE = dataclasses.replace(DISK, diskseq=9)


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    """One disk with counters."""
    tree = Tree(tmp_path)
    tree.disk(
        "sda",
        SATA,
        stat=FIELDS,
        device__iorequest_cnt="0x1f",
        device__power__runtime_status="suspended",
    )
    return tree


def read(tree: Tree, disk: Disk = HERE) -> Counted | None:
    """One reading by a fresh reader."""
    counters = SysfsCounters(str(tree.root))
    try:
        return counters.read(disk, 5)
    finally:
        counters.close()


def test_each_field_is_read_from_its_place(tree: Tree) -> None:
    """stat.rst: sectors read third, sectors written seventh, in_flight ninth, io_ticks tenth,
    time_in_queue eleventh, flushes sixteenth;
    iorequest_cnt is hexadecimal (Linux 6.12 drivers/scsi/scsi_sysfs.c)."""
    assert read(tree) == Counted(
        HERE.identity,
        5,
        sectors_read=13,
        sectors_written=17,
        flushes=26,
        in_flight=19,
        requests=31,
        runtime_status=RuntimeStatus.SUSPENDED,
        busy_ms=20,
        waited_ms=21,
    )


@pytest.mark.parametrize("count", [11, 15])
def test_older_kernels_have_fewer_fields(tree: Tree, count: int) -> None:
    """11 fields before Linux 4.18, 15 before 5.5 (admin-guide/iostats.rst): no flushes then."""
    stat = " ".join(FIELDS.split()[:count])
    tree.write(tree.root / "block/sda", {"stat": stat})
    counted = read(tree)
    assert counted is not None
    assert (counted.sectors_written, counted.in_flight, counted.flushes) == (17, 19, 0)


def test_missing_files_read_as_nothing(tree: Tree) -> None:
    """A disk without a SCSI device's counters is still counted."""
    device = (tree.root / "block/sda/device").resolve()
    (device / "iorequest_cnt").unlink()
    (device / "power/runtime_status").unlink()
    counted = read(tree)
    assert counted is not None
    assert (counted.requests, counted.runtime_status) == (0, RuntimeStatus.ABSENT)


def test_a_request_count_past_31_bits_does_not_jump(tree: Tree) -> None:
    """atomic_read gives an int, which the kernel prints sign-extended to 64 bits (scsi_sysfs.c)."""
    tree.write(tree.root / "block/sda", {"device__iorequest_cnt": "0xffffffff80000000"})
    counted = read(tree)
    assert counted is not None
    assert counted.requests == 0x80000000


def test_paths_are_summed_and_their_coming_moves_nothing(tree: Tree) -> None:
    """A second path adds what it counts from now on, not what it had counted before; losing it
    takes nothing away; the status of a suspended path is the disk's."""
    tree.disk("sdb", CONTROLLER, stat=FIELDS, device__power__runtime_status="active")
    counters = SysfsCounters(str(tree.root))
    both = dataclasses.replace(HERE, nodes=("sda", "sdb"))

    def sectors(disk: Disk) -> int:
        counted = counters.read(disk, 5)
        assert counted is not None
        assert counted.runtime_status is RuntimeStatus.SUSPENDED
        return counted.sectors_read

    assert sectors(HERE) == 13
    assert sectors(both) == 13
    tree.write(tree.root / "block/sdb", {"stat": FIELDS.replace("13", "20")})
    assert sectors(both) == 20
    assert sectors(HERE) == 20
    tree.write(tree.root / "block/sda", {"stat": FIELDS.replace("13", "14")})
    assert sectors(HERE) == 21
    counters.forget(HERE.identity)
    assert sectors(HERE) == 14
    counters.close()


@pytest.mark.parametrize("code", [errno.ENODEV, errno.ENXIO, errno.ENOENT])
def test_a_gone_disk_reads_as_none_and_holds_nothing(
    tree: Tree, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    """sysfs answers ENODEV on an open file of a removed device (fs/kernfs/file.c)."""
    counters = SysfsCounters(str(tree.root))
    before = len(os.listdir("/proc/self/fd"))
    assert counters.read(HERE, 5) is not None
    assert len(os.listdir("/proc/self/fd")) == before + 3

    def gone(*_: object) -> bytes:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "pread", gone)
    assert counters.read(HERE, 6) is None
    assert len(os.listdir("/proc/self/fd")) == before


def test_another_disk_under_the_name_is_not_read(tree: Tree) -> None:
    """diskseq never repeats (Linux 5.15 block/genhd.c), so a successor is recognised."""
    assert read(tree, dataclasses.replace(HERE, diskseq=8)) is None


def test_other_refusals_are_not_taken_for_absence(
    tree: Tree, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Too many open files does not mean that the disk is gone."""

    def full(*_: object) -> int:
        raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))

    monkeypatch.setattr(os, "open", full)
    with pytest.raises(Unavailable, match="sda"):
        read(tree)
