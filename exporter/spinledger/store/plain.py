"""What this program writes are files, never a disk."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from spinledger.errors import BadInput

IS_A_DISK = "is a block device; nothing is written to one"
FIX = "give a file in a folder you may write to"


def is_disk(path: Path) -> bool:
    """Whether a path, or what it links to, is a block device. One that cannot be read is none."""
    with suppress(OSError):
        return path.is_block_device()
    return False


def partial(path: Path) -> Path:
    """The file beside it that is written first, and renamed when it is whole."""
    return Path(f"{path}.partial")


def refuse_disk(option: str, path: Path) -> None:
    """Before a file is opened to be written. Raises BadInput if it, or the one that is written
    first, is a block device.
    """
    for each in (path, partial(path)):
        if is_disk(each):
            raise BadInput(f"{option} {each}", IS_A_DISK, FIX)
