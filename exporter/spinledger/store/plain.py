"""What this program writes are files, never a disk."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

IS_A_DISK = "is a block device; nothing is written to one"


def is_disk(path: Path) -> bool:
    """Whether a path, or what it links to, is a block device. One that cannot be read is none."""
    with suppress(OSError):
        return path.is_block_device()
    return False
