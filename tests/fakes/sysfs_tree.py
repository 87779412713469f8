"""A small sysfs in a directory, with the kernel's own links, for tests of what is read there."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

SATA = "pci0000:00/0000:00:1f.2/ata3/host2/target2:0:0/2:0:0:0"
SAS = "pci0000:00/0000:02:00.0/host4/port-4:1/end_device-4:1/target4:0:1/4:0:1:0"
USB = "pci0000:00/0000:00:14.0/usb2/2-1/2-1:1.0/host6/target6:0:0/6:0:0:0"
CONTROLLER = "pci0000:00/0000:03:00.0/host5/target5:2:0/5:2:0:0"


class Tree:
    """A root that stands for /sys."""

    def __init__(self, root: Path) -> None:
        self.root = root
        (root / "block").mkdir()
        (root / "devices/virtual/block").mkdir(parents=True)

    def disk(self, name: str, above: str, *, vendor: str = "ATA", **files: str | bytes) -> Path:
        """A whole disk below a SCSI device. A file's name has `__` for a slash."""
        device = self.root / "devices" / above
        block = device / "block" / name
        block.mkdir(parents=True)
        (block / "device").symlink_to("../..")
        usual: dict[str, str | bytes] = {
            "size": "7814037168",
            "queue__rotational": "1",
            "queue__iostats": "1",
            "diskseq": "9",
            "device__vendor": vendor.ljust(8),
            "device__model": "LAB HDD 5400    ",
            "device__rev": "LAB1",
            "device__type": "0",
        }
        self.write(block, usual | files)
        (self.root / "block" / name).symlink_to(os.path.relpath(block, self.root / "block"))
        return block

    def part(self, disk: Path, name: str, sectors: int) -> Path:
        """A partition."""
        self.write(disk / name, {"partition": "1", "size": str(sectors)})
        return disk / name

    def stacked(self, name: str, *members: Path, **files: str | bytes) -> Path:
        """A device on top of others: md0, dm-0."""
        block = self.root / "devices/virtual/block" / name
        usual: dict[str, str | bytes] = {"size": "7814037168", "queue__rotational": "1"}
        self.write(block, usual | files)
        (self.root / "block" / name).symlink_to(os.path.relpath(block, self.root / "block"))
        for member in members:
            for folder, link in ((member / "holders", block), (block / "slaves", member)):
                folder.mkdir(exist_ok=True)
                (folder / link.name).symlink_to(os.path.relpath(link, folder))
        return block

    @staticmethod
    def write(folder: Path, files: Mapping[str, str | bytes]) -> None:
        """Attributes of a device."""
        for name, content in files.items():
            path = folder / name.replace("__", "/")
            # not through `..` of a link: the kernel's files stand where they are
            path = path.parent.resolve() / path.name
            path.parent.mkdir(parents=True, exist_ok=True)
            raw = content if isinstance(content, bytes) else f"{content}\n".encode()
            path.write_bytes(raw)
