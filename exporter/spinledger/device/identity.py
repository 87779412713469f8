"""From kernel nodes to disks: which nodes are paths of one disk.

Rules of this module:
- Pure: a function of the nodes that are here now, so the outcome does not depend on who came first.
- `wwn-0x<hex>` where the drive has a world-wide name, else `<bus>-<model>_<serial>`.
- Nodes of one world-wide name, one serial and one size that stand at different targets are paths
  of one disk. Any other nodes of one identity each get their port as a suffix, and are reported: a
  duplicate label value would fail the whole scrape.
- An alias that two disks claim belongs to neither.
"""

from __future__ import annotations

import dataclasses
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from spinledger.model import Disk

_UNCLEAN = re.compile(r"[^A-Za-z0-9._-]+")
_HEX = re.compile(r"(?:0x|naa\.)([0-9a-f]{16}(?:[0-9a-f]{16})?)$")


@dataclass(frozen=True, slots=True)
class Node:
    """One kernel node, described as if it were a disk's only path."""

    disk: Disk
    port: str  # where it is plugged in; survives a reboot where udev knows the path
    address: str  # host:channel:target:lun
    sectors: int  # 512 bytes each

    @property
    def name(self) -> str:
        """The kernel name."""
        return self.disk.kernel_name

    @property
    def target(self) -> str:
        """host:channel:target."""
        return self.address.rpartition(":")[0]


def clean(text: str) -> str:
    """Only [A-Za-z0-9._-]; each run of anything else becomes one underscore."""
    return _UNCLEAN.sub("_", text.strip()).strip("_")


def wwn_of(*candidates: str) -> str:
    """The first world-wide name among the candidates, as 0x and 16 or 32 digits; "" for none.

    Understood are `0x<hex>` (udev) and `naa.<hex>` (sysfs wwid). All zeros and all ones are what
    unprogrammed devices show; NAA 0h and Fh are no assigned formats (SPC-4, from memory).
    """
    for candidate in candidates:
        found = _HEX.match(candidate.strip().lower())
        if found and found[1][0] not in "0f":
            return f"0x{found[1]}"
    return ""


def name_of(bus: str, wwn: str, model: str, serial: str, port: str) -> str:
    """The identity of one node: its port stands for a serial that is missing."""
    return f"wwn-{wwn}" if wwn else plain_name(bus, model, serial or port)


def plain_name(bus: str, model: str, serial: str) -> str:
    """The identity by model and serial."""
    return f"{bus}-{clean(model)}_{clean(serial)}"


def assemble(nodes: Iterable[Node]) -> tuple[tuple[Disk, ...], tuple[str, ...]]:
    """The disks behind the nodes, in kernel order; and a sentence for each collision."""
    alike: dict[str, list[Node]] = {}
    for node in sorted(nodes, key=_kernel_order):
        alike.setdefault(node.disk.identity, []).append(node)
    disks: list[Disk] = []
    collisions: list[str] = []
    for identity, group in alike.items():
        units = _units(group)
        if len(units) == 1:
            disks.append(_merged(units[0], identity))
            continue
        for unit, suffix in zip(units, _suffixes(units), strict=True):
            disks.append(_merged(unit, f"{identity}.{suffix}"))
        names = ", ".join(node.name for node in group)
        collisions.append(
            f"{identity} is claimed by {names}: each is named by its port as well, so a move to "
            "another port makes it another disk"
        )
    return _without_shared_aliases(disks), tuple(collisions)


def _kernel_order(node: Node) -> tuple[int, str]:
    return len(node.name), node.name  # sdz before sdaa


def _units(group: Sequence[Node]) -> list[list[Node]]:
    """Nodes of one identity, parted into disks."""
    units: list[list[Node]] = []
    for node in group:
        for unit in units:
            if _same(unit, node):
                unit.append(node)
                break
        else:
            units.append([node])
    return units


def _same(unit: Sequence[Node], node: Node) -> bool:
    first = unit[0]
    return (
        bool(node.disk.wwn and node.disk.serial)
        and first.disk.serial == node.disk.serial
        and first.sectors == node.sectors
        and node.target not in (other.target for other in unit)
    )


def _suffixes(units: Sequence[Sequence[Node]]) -> list[str]:
    """Different for each; by port where the ports differ."""
    ports = [clean(unit[0].port) for unit in units]
    return ports if len({*ports}) == len(ports) else [clean(unit[0].address) for unit in units]


def _merged(unit: Sequence[Node], identity: str) -> Disk:
    aliases = {alias for node in unit for alias in node.disk.aliases} - {identity}
    first = unit[0].disk
    return dataclasses.replace(
        first,
        identity=identity,
        device=identity if first.device == first.identity else first.device,
        nodes=tuple(node.name for node in unit),
        pool=next((node.disk.pool for node in unit if node.disk.pool), ""),
        aliases=tuple(sorted(aliases)),
    )


def _without_shared_aliases(disks: Sequence[Disk]) -> tuple[Disk, ...]:
    claims = Counter(alias for disk in disks for alias in disk.aliases)
    claims.update(disk.identity for disk in disks)
    return tuple(
        dataclasses.replace(disk, aliases=tuple(a for a in disk.aliases if claims[a] == 1))
        for disk in disks
    )
