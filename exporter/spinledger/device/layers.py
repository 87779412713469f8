"""What stands on a disk: partitions, md, device mapper, file systems; and where a sector lies.

Rules:
- Reads sysfs, the mount table and the list of swap areas; opens no device.
- One table for the coordinates: a request names the whole disk and a sector of it, also where it
  goes to a partition; a journal's change names the partition; dirtied data names the backing
  device, which is that of the whole disk, of the md or dm device, or of a btrfs (all seen in the
  laboratory on Linux 6.1). Sectors have 512 bytes (Documentation/ABI/stable/sysfs-block).
- Sources: Documentation/ABI/stable/sysfs-block (start, size, holders), proc(5) for mountinfo,
  fs/btrfs/sysfs.c for /sys/fs/btrfs/UUID/bdi, Documentation/ABI/testing/sysfs-block-dm for the
  name of a volume.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from spinledger.device import sysfs
from spinledger.device.histogram import device_number
from spinledger.device.placement import Mount, parse_mount

_HIGHEST = 16  # layers of stacked devices


@dataclass(frozen=True, slots=True)
class Layer:
    """One block device: the disk itself, or what stands on it."""

    name: str
    dev: int
    below: tuple[str, ...]  # names from the disk up to here, the disk itself left out
    start: int = 0  # of a partition, in sectors of the disk
    size: int = 0
    label: str = ""  # of a dm device: its name, of a logical volume "GROUP-VOLUME"


@dataclass(frozen=True, slots=True)
class Stack:
    """A disk and all that stands on it."""

    disk: Layer
    above: Mapping[int, Layer]  # by device number
    mounts: Mapping[str, str]  # by name of a block device: "ext4 on /srv/photos"
    backing: frozenset[str]  # names of the backing devices of its file systems

    @property
    def devices(self) -> frozenset[int]:
        """Device numbers, the disk's own included."""
        return frozenset({self.disk.dev, *self.above})

    def place(self, sector: int, upper: int | None) -> str:
        """Where a request went: by the stacked device that it came through, else by its sector."""
        layer = self.above.get(upper) if upper is not None else None
        if layer is None:
            layer = self._at(sector)
        labels = {one.name: one.label or one.name for one in self.above.values()}
        chain = [*layer.below, layer.name] if layer is not self.disk else []
        top = layer
        while layer is not None:  # upwards, as long as there is one way only
            top = layer
            ups = [one for one in self.above.values() if one.below and one.below[-1] == layer.name]
            ups = ups or [one for one in self.above.values() if self._only(one, layer)]
            layer = ups[0] if len(ups) == 1 and top.name not in self.mounts else None
            chain += [layer.name] if layer is not None else []
        mounted = self.mounts.get(top.name, "")
        names = [labels.get(name, name) for name in chain] or [self.disk.name]
        return ", ".join([*names, *([mounted] if mounted else [])])

    def _only(self, one: Layer, layer: Layer) -> bool:
        return layer is self.disk and not one.below and one.size == 0

    def _at(self, sector: int) -> Layer:
        for layer in self.above.values():
            if layer.size and layer.start <= sector < layer.start + layer.size:
                return layer
        return self.disk


def stack(name: str, root: str = "/sys", proc: str = "/proc") -> Stack | None:
    """What stands on the whole disk `name` now; None when there is no such disk."""
    number = device_number(sysfs.text(f"{root}/class/block/{name}/dev"))
    if number is None:
        return None
    disk = Layer(name, number, ())
    above = {layer.dev: layer for layer in _above(root, disk)}
    names = {name, *(layer.name for layer in above.values())}
    mounts, spanning = _mounted(names, root, proc)
    numbers = {number, *above}
    backing = {f"{dev >> 20}:{dev & 0xFFFFF}" for dev in numbers} | spanning
    return Stack(disk, above, mounts, frozenset(backing))


def _above(root: str, disk: Layer) -> Iterator[Layer]:
    folder = f"{root}/class/block/{disk.name}"
    lowest = [disk]
    for part in sysfs.names(folder):
        start = sysfs.number(f"{folder}/{part}/start")
        number = device_number(sysfs.text(f"{folder}/{part}/dev"))
        if start is not None and number is not None:
            size = sysfs.number(f"{folder}/{part}/size") or 0
            lowest.append(Layer(part, number, (), start, size))
    yield from lowest[1:]
    layer, seen = lowest, {one.name for one in lowest}
    for _ in range(_HIGHEST):
        found = []
        for one in layer:
            for holder in sysfs.names(f"{root}/class/block/{one.name}/holders"):
                number = device_number(sysfs.text(f"{root}/class/block/{holder}/dev"))
                if holder in seen or number is None:
                    continue
                seen.add(holder)
                below = (*one.below, one.name) if one is not disk else ()
                label = sysfs.text(f"{root}/class/block/{holder}/dm/name")
                found.append(Layer(holder, number, below, label=label))
        yield from found
        layer = found
        if not layer:
            return


def _mounted(names: set[str], root: str, proc: str) -> tuple[dict[str, str], set[str]]:
    """What is mounted from, or swaps to, these devices; and backing devices that span several."""
    found: dict[str, str] = {}
    spanning: set[str] = set()
    for mount in sorted(_mounts(proc), key=lambda one: len(one.point)):
        name = os.path.basename(os.path.realpath(f"{root}/dev/block/{mount.device}"))
        members = {name}
        if mount.kind == "btrfs":
            name = os.path.basename(os.path.realpath(mount.source))
            members, backing = _btrfs(name, root)
            if members & names:
                spanning.add(backing)
        for member in members & names:
            found.setdefault(member, f"{mount.kind} on {mount.point}")
    for line in sysfs.text(f"{proc}/swaps").splitlines()[1:]:
        area = os.path.basename(os.path.realpath(line.split()[0]))
        if area in names:
            found[area] = "swap"
    return found, spanning


def _mounts(proc: str) -> list[Mount]:
    """The mount table of the first process, else our own, which may be a private one."""
    for process in ("1", "self"):
        try:
            lines = Path(f"{proc}/{process}/mountinfo").read_text().splitlines()
            return [parse_mount(line) for line in lines]
        except (OSError, ValueError):
            continue
    return []


def _btrfs(name: str, root: str) -> tuple[set[str], str]:
    """The devices of the btrfs that has this one, and the name of its backing device."""
    for uuid in sysfs.names(f"{root}/fs/btrfs"):
        members = set(sysfs.names(f"{root}/fs/btrfs/{uuid}/devices"))
        if name in members:
            backing = os.path.basename(os.path.realpath(f"{root}/fs/btrfs/{uuid}/bdi"))
            return members, backing
    return {name}, ""
