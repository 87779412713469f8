"""Which disks hold a path: through partitions, device mapper, md, btrfs and bind mounts.

Rules: reads sysfs and the mount table; opens no device. Where it cannot be known (ZFS, overlays, a
network or user-space file system) `Holding.unknown` has the reason. Source for the mount table:
proc(5), /proc/PID/mountinfo; for stacked devices: Documentation/ABI/testing/sysfs-block (slaves)
and /sys/fs/btrfs/UUID/devices.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

MEMORY = frozenset({"tmpfs", "ramfs", "devtmpfs"})
_DEEPEST = 16  # layers of stacked devices


@dataclass(frozen=True, slots=True)
class Holding:
    """Kernel names of the whole disks under a path, and why that may not be all."""

    disks: frozenset[str]
    unknown: str = ""


@dataclass(frozen=True, slots=True)
class Mount:
    """One line of the mount table."""

    device: str  # major:minor
    point: str
    kind: str
    source: str


def holding(path: Path, sysfs: str = "/sys", mounts: str = "/proc/self/mountinfo") -> Holding:
    """The disks under a path that may not exist yet: its nearest existing parent counts."""
    there = path.absolute()
    # Not Path.exists, which raises where a folder may not be searched (Python 3.11 to 3.13).
    while not os.path.exists(there) and there != there.parent:
        there = there.parent
    try:
        number = there.stat().st_dev
        table = [parse_mount(line) for line in Path(mounts).read_text().splitlines()]
    except (OSError, ValueError) as error:
        return Holding(frozenset(), f"{there}: {error}")
    device = f"{os.major(number)}:{os.minor(number)}"
    mount = _mount_of(there, device, table)
    if mount is not None and mount.kind in MEMORY:
        return Holding(frozenset())
    if mount is not None and mount.kind == "btrfs":
        return _btrfs(mount, sysfs)
    found = _under(device, sysfs)
    if found:
        return Holding(found)
    kind = mount.kind if mount else "unknown"
    return Holding(frozenset(), f"{there} is on a file system ({kind}) that names no disk")


def parse_mount(line: str) -> Mount:
    """One line: id, parent, major:minor, root, mount point, options, ... - type, source, more."""
    before, _, after = line.partition(" - ")
    left, right = before.split(" "), after.split(" ")
    if len(left) < 6 or len(right) < 2:
        raise ValueError(f"not a line of a mount table: {line[:60]!r}")
    return Mount(left[2], _plain(left[4]), right[0], _plain(right[1]))


def _plain(text: str) -> str:
    """Undo the octal escapes of blank, tab, newline and backslash."""
    for escape, character in (("\\040", " "), ("\\011", "\t"), ("\\012", "\n"), ("\\134", "\\")):
        text = text.replace(escape, character)
    return text


def _mount_of(path: Path, device: str, table: list[Mount]) -> Mount | None:
    """The mount with the longest point above the path; that of the same device first."""
    above = [m for m in table if path.is_relative_to(m.point)]
    same = [m for m in above if m.device == device]
    return max(same or above, key=lambda m: len(m.point), default=None)


def _btrfs(mount: Mount, sysfs: str) -> Holding:
    """All devices of the file system that has this one among its devices."""
    name = Path(os.path.realpath(mount.source)).name
    for devices in Path(f"{sysfs}/fs/btrfs").glob("*/devices"):
        members = [member.name for member in devices.iterdir()]
        if name in members:
            disks: frozenset[str] = frozenset()
            for member in members:
                disks |= _whole(Path(f"{sysfs}/class/block/{member}"), 0)
            return Holding(disks)
    return Holding(frozenset(), f"{mount.point}: the devices of this btrfs are not in sysfs")


def _under(device: str, sysfs: str) -> frozenset[str]:
    return _whole(Path(f"{sysfs}/dev/block/{device}"), 0)


def _whole(block: Path, depth: int) -> frozenset[str]:
    """Whole disks under a block device; empty when it is none."""
    if depth > _DEEPEST or not block.exists():
        return frozenset()
    real = block.resolve()
    if (real / "partition").exists():
        return _whole(real.parent, depth + 1)
    slaves = real / "slaves"
    below = sorted(slaves.iterdir()) if slaves.is_dir() else []
    if not below:
        return frozenset({real.name})
    found: frozenset[str] = frozenset()
    for slave in below:
        found |= _whole(slave, depth + 1)
    return found
