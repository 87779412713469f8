"""Discovery: the rotating disks of this host, and what comes and goes.

Rules of this module:
- Sends nothing to a drive and opens no device node: udev's database, its netlink monitor, and what
  the kernel cached in sysfs.
- The monitor listens before the first enumeration, so that nothing slips between them.
- What is here is a function of the nodes that are here (see `identity`); an event changes one node,
  and the difference to the disks before it is reported. A disk that keeps a path is not gone.
- A burst of events about stacked devices (partitions, md, device mapper) re-reads the pools once.
- Lost events (a full netlink buffer) lead to a new enumeration.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Mapping, Sequence

import pyudev

from spinledger.device.identity import Node, assemble
from spinledger.device.node import read_node
from spinledger.device.pool import pool_of
from spinledger.errors import Unavailable
from spinledger.model import Disk, Gone, Seen

_UDEV = "udev is not available: rotating disks cannot be found without it"


class Discovery:
    """Finds rotating disks through udev; implements ports.Discoverer.

    `collisions` holds a sentence for each identity that more than one disk claims.
    """

    def __init__(self, sysfs: str = "/sys") -> None:
        self._sysfs = sysfs
        self._nodes: dict[str, Node] = {}
        self._skipped: dict[str, str] = {}
        self._disks: tuple[Disk, ...] = ()
        self.collisions: tuple[str, ...] = ()
        try:
            self._context = pyudev.Context()
            self._monitor = pyudev.Monitor.from_netlink(self._context)
            self._monitor.filter_by("block")
            self._monitor.start()
        except (ImportError, OSError) as error:
            raise Unavailable("no_udev", f"{_UDEV} ({error})") from error

    @property
    def disks(self) -> tuple[Disk, ...]:
        """The disks here, as of the last scan or change."""
        return self._disks

    @property
    def skipped(self) -> tuple[tuple[str, str], ...]:
        """(kernel name, reason) of the whole disks that are not watched, likewise."""
        return tuple(self._skipped.items())

    def scan(self, at_ns: int) -> tuple[Sequence[Seen], Sequence[tuple[str, str]]]:
        """All disks now, and what was skipped as (kernel name, reason)."""
        self._enumerate()
        self._disks, self.collisions = assemble(self._nodes.values())
        return [Seen(disk, at_ns) for disk in self._disks], self.skipped

    def changes(self, at_ns: int) -> Iterable[Seen | Gone]:
        """What came, went or became different since the last call; does not block."""
        found: list[Seen | Gone] = []
        stacks_moved = False
        try:
            while (event := self._monitor.poll(0)) is not None:
                name = event.sys_name
                stacks_moved |= name not in self._nodes
                if event.device_type != "disk":
                    continue
                self._nodes.pop(name, None)
                self._skipped.pop(name, None)
                if event.action != "remove":
                    self._take(name)
                found += self._difference(at_ns)
        except OSError:
            self._enumerate()
            found += self._difference(at_ns)
        if stacks_moved:
            self._read_pools()
            found += self._difference(at_ns)
        return found

    def fileno(self) -> int:
        """Readable when changes may be due."""
        return int(self._monitor.fileno())

    def _enumerate(self) -> None:
        self._nodes.clear()
        self._skipped.clear()
        try:
            for device in self._context.list_devices(subsystem="block", DEVTYPE="disk"):
                self._take(device.sys_name)
        except OSError as error:
            raise Unavailable("no_udev", f"{_UDEV} ({error})") from error

    def _take(self, name: str) -> None:
        """Describe one node as it is now."""
        described = read_node(self._sysfs, name, self._properties)
        if isinstance(described, Node):
            self._nodes[name] = described
        else:
            self._skipped[name] = described

    def _properties(self, name: str) -> Mapping[str, str]:
        """What udev knows of a block device; nothing when it has just gone."""
        try:
            return dict(pyudev.Devices.from_name(self._context, "block", name).properties)
        except (pyudev.DeviceNotFoundError, OSError):
            return {}

    def _read_pools(self) -> None:
        for name, node in self._nodes.items():
            pool = pool_of(f"{self._sysfs}/block", name, self._properties)
            disk = dataclasses.replace(node.disk, pool=pool)
            self._nodes[name] = dataclasses.replace(node, disk=disk)

    def _difference(self, at_ns: int) -> Iterator[Seen | Gone]:
        """Assemble the disks anew, and report how they differ from those before."""
        before = {disk.identity: disk for disk in self._disks}
        self._disks, self.collisions = assemble(self._nodes.values())
        here = {disk.identity for disk in self._disks}
        yield from (Gone(identity, at_ns) for identity in before if identity not in here)
        yield from (Seen(d, at_ns) for d in self._disks if before.get(d.identity) != d)
