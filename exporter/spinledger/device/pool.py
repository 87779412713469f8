"""Which pool a disk belongs to: the disks that one access may wake together.

Rules of this module:
- Reads sysfs and udev's database; sends nothing and opens no device.
- A pool on the whole disk counts first, then one on its largest partition: small system partitions
  are often mirrored over all disks, whatever pool holds the data.
- From there upwards through `holders`, the nearest is taken that joins devices: an md array, an
  LVM volume group, anything else with two `slaves`, or a file system that spans devices
  (zfs, btrfs). Encryption and multipath are passed over.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping

from spinledger.device import sysfs

Properties = Callable[[str], Mapping[str, str]]  # udev's properties of a block device, by its name

_LVM = "LVM-"  # how dm/uuid begins, common practice of lvm2
_MULTIPATH = "mpath-"  # likewise of multipath-tools
_HIGHEST = 16  # layers: a guard against a sysfs that changes meanwhile


def pool_of(block: str, name: str, properties: Properties) -> str:
    """The pool of the whole disk `name`, "" for none. `block` is the directory /sys/block."""
    disk = f"{block}/{name}"
    parts = [f"{disk}/{part}" for part in sysfs.names(disk)]
    parts = [part for part in parts if os.path.exists(f"{part}/partition")]
    parts.sort(key=lambda part: sysfs.number(f"{part}/size") or 0, reverse=True)
    return next(filter(None, (_climb(block, start, properties) for start in [disk, *parts])), "")


def _climb(block: str, start: str, properties: Properties) -> str:
    """The nearest pool on or above one disk or partition."""
    layer = [start]
    for _ in range(_HIGHEST):
        for path in layer:
            if found := _joins(path, properties):
                return found
        layer = [f"{block}/{up}" for path in layer for up in sysfs.names(f"{path}/holders")]
        if not layer:
            break
    return ""


def _joins(path: str, properties: Properties) -> str:
    """The name of the pool that this device is, or is a member of; "" if neither."""
    name = os.path.basename(path)
    known = properties(name)
    if os.path.isdir(f"{path}/md"):
        return known.get("MD_DEVNAME") or name
    uuid = sysfs.text(f"{path}/dm/uuid")
    if uuid.startswith(_LVM):
        return _volume_group(sysfs.text(f"{path}/dm/name"))
    if len(sysfs.names(f"{path}/slaves")) > 1 and not uuid.startswith(_MULTIPATH):
        return sysfs.text(f"{path}/dm/name") or name
    if known.get("ID_FS_TYPE") == "zfs_member":
        return known.get("ID_FS_LABEL", "")
    if known.get("ID_FS_TYPE") == "btrfs":
        return known.get("ID_FS_LABEL") or known.get("ID_FS_UUID", "")
    return ""


def _volume_group(name: str) -> str:
    """The group in a device-mapper name `group-volume`; a hyphen inside either is doubled."""
    return name.replace("--", "\0").partition("-")[0].replace("\0", "-")
