"""The two small files beside the ledger, the lock and the mark, and what a start concludes.

Rules: one exporter a ledger, held by an advisory lock that the kernel lets go when the process
ends, however it ends (flock(2)). The mark says which ledger was in use here, up to which commit it
is known to reach, and whether an exporter is using it now: it is written twice a run, at the start
before anything is exported and after the last commit of an orderly stop. So an older copy that is
put back, and a stop that left no live journal, are both noticed.

Nothing was lost only if that can be shown: the live journal is of this boot and names the file's
last commit; or the last commit was that of an orderly stop and the mark agrees; or there never was
a ledger here. Anything else is reported, and exported counters restart from zero. What cannot be
noticed: a folder put back whole, mark included, to an orderly stop of earlier days.
"""

from __future__ import annotations

import ctypes
import fcntl
import json
import os
import zlib
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from spinledger.errors import Refusal
from spinledger.model import SECOND
from spinledger.store.live import Left
from spinledger.store.schema import Meta

MODE = 0o600


class Lock:
    """Holds a lock file until `release`. A file that cannot be made locks nothing."""

    def __init__(self, path: Path) -> None:
        self._fd = -1
        self._path = path

    def take(self, ledger: Path) -> None:
        """Raises Refusal, naming the holder where that can be read, if another process has it."""
        writable = True
        try:
            fd = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, MODE)
        except OSError:
            writable = False
            try:
                fd = os.open(self._path, os.O_RDONLY | os.O_CLOEXEC)
            except OSError:
                return
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = _holder(fd)
            os.close(fd)
            raise Refusal(
                f"{ledger}: another exporter{holder} is writing this ledger; stop that one, or "
                "name another file with --ledger"
            ) from None
        except OSError:
            os.close(fd)  # a file system without locks
            return
        self._fd = fd
        if writable:
            with suppress(OSError):
                os.ftruncate(fd, 0)
                os.pwrite(fd, f"{os.getpid()}\n".encode("ascii"), 0)

    def release(self) -> None:
        """Let go; may be called twice. The file stays: removing it would let two in."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1


def _holder(fd: int) -> str:
    with suppress(OSError, ValueError):
        return f" (process {int(os.pread(fd, 32, 0))})"
    return ""


@dataclass(frozen=True, slots=True)
class Mark:
    """What is known of the ledger that was in use at this path."""

    id: str
    number: int  # of the last commit when it was written
    open: bool  # an exporter uses the ledger, or was ended by force
    damaged: int  # files set aside so far


def read_mark(path: Path) -> Mark | None:
    """The mark; None when there is none, or none that can be trusted."""
    try:
        checksum, _, text = path.read_bytes().partition(b" ")
        if int(checksum, 16) != zlib.crc32(text):
            return None
        return Mark(**json.loads(text))
    except (OSError, ValueError, TypeError):
        return None


def write_mark(path: Path, mark: Mark) -> None:
    """Replace the mark, and wait until it is on the disk. OSError when that cannot be."""
    text = json.dumps(asdict(mark)).encode("ascii")
    partial = path.with_name(path.name + ".partial")
    fd = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, MODE)
    try:
        os.write(fd, b"%08x " % zlib.crc32(text) + text)
        os.fsync(fd)
    finally:
        os.close(fd)
    os.replace(partial, path)
    sync_folder(path.parent)


_LIBC = ctypes.CDLL(None)


def flush_file_system(path: Path) -> None:
    """Write out all that waits on the file system of a folder (syncfs(2)).

    After a commit the file system still holds metadata of it, and would write them some seconds to
    half a minute later: to a disk that has gone to sleep by then.
    """
    fd = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        _LIBC.syncfs(fd)
    finally:
        os.close(fd)


def sync_folder(path: Path) -> None:
    """Wait until the names in a folder are on the disk."""
    fd = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


@dataclass(frozen=True, slots=True)
class Found:
    """The file at the start: its `meta` where that was read whole, else why not.

    `damaged`: it is there and not whole. `unusable`: it may be there, and the system does not let
    us see.
    """

    meta: Meta | None = None
    damaged: bool = False
    unusable: str = ""


def judge(found: Found, mark: Mark | None, left: Left | None) -> tuple[str, bool]:
    """Why exported counters restart ("" when they need not), and whether the journal is used."""
    if found.unusable:
        whole = left is not None and left.opening.whole
        return "" if whole else f"the ledger cannot be read ({found.unusable})", whole
    if found.damaged:
        use = left is not None and (found.meta is None or _continues(found.meta, left))
        return "the ledger was damaged", use
    if found.meta is None:
        return _absent(mark, left)
    return _read(found.meta, mark, left)


def _absent(mark: Mark | None, left: Left | None) -> tuple[str, bool]:
    if left is not None and left.opening.whole:
        return "", True
    if left is not None:
        return "the ledger is gone; what the live journal had was kept", True
    return ("the ledger is gone" if mark is not None else ""), False


def _read(meta: Meta, mark: Mark | None, left: Left | None) -> tuple[str, bool]:
    if left is not None:
        if _continues(meta, left):
            return "", True
        if left.opening.id != meta.owner:
            return "another ledger was put in place", False
        if meta.number < left.opening.number:
            return "an older copy of the ledger was put in place", False
    if mark is not None and mark.id != meta.owner:
        return "another ledger was put in place", False
    if mark is not None and meta.number < mark.number:
        return "an older copy of the ledger was put in place", False
    if mark is None or (not mark.open and mark.number == meta.number):
        return ("" if meta.clean or not meta.number else _cut(meta)), False
    return _cut(meta), False


def _continues(meta: Meta, left: Left) -> bool:
    return left.opening.id == meta.owner and meta.number in left.numbers()


def _cut(meta: Meta) -> str:
    if not meta.wall_ns:
        return "nothing was kept of the last run (power cut, or a kill without a live journal)"
    moment = datetime.fromtimestamp(meta.wall_ns // SECOND, UTC)
    return (
        f"nothing was kept after {moment:%Y-%m-%d %H:%M:%S} UTC "
        "(power cut, or a kill without a live journal)"
    )
