"""A disk by any name that a screen shows: kernel name, serial number, identity, link in by-id.

Rules of this room: an identity goes first; of the other names one that fits several disks is
refused, with the identities to choose from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from spinledger.config.near import shown
from spinledger.errors import BadInput
from spinledger.model import Disk

Names = Mapping[str, Sequence[str]]
"""The other names of disks by their identity, the kernel's first."""

MOST_SHOWN = 8


def names_of(disk: Disk) -> tuple[str, ...]:
    """The names of a disk beside its identity."""
    return tuple(name for name in (*disk.nodes, disk.serial, *disk.aliases) if name)


def identify(known: Names, name: str, where: str) -> str:
    """The identity of the disk with this name. Raises BadInput where there is not exactly one."""
    plain = name.removeprefix("/dev/").removeprefix("disk/by-id/")
    if plain in known:
        return plain
    found = [identity for identity, names in known.items() if plain in names]
    if len(found) == 1:
        return found[0]
    what = "is a name of several disks" if found else "is no disk here"
    choices = sorted(_both(identity, known[identity]) for identity in found or known)
    words = ", ".join(choices[:MOST_SHOWN])
    more = f" and {len(choices) - MOST_SHOWN} more" if len(choices) > MOST_SHOWN else ""
    raise BadInput(where, f"{shown(name)} {what}", f"choose from: {words or 'none'}{more}")


def _both(identity: str, names: Sequence[str]) -> str:
    return f"{names[0]} ({identity})" if names else identity
