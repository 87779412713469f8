"""Threads of the kernel that do I/O for others: what that says of the cause, and whom they hide.

Rules: the first row whose pattern is the thread's name counts. A row without a cause leaves it to
the request (read or write). A row with `hides` is a boundary: no event of this kernel says who
asked. In the other rows the programs that made the data dirty are looked for.
"""

from __future__ import annotations

import re
from typing import NamedTuple


class Thread(NamedTuple):
    """One row."""

    pattern: str  # of the whole name, cut off after 15 bytes as comm is in proc(5)
    cause: str  # one of causes.CAUSES; "": read or write, as the request says
    boundary: str  # what stands where an actor would, where nobody is named
    hides: bool  # nothing beyond it can be named
    source: str


_SEEN = "seen in the laboratory on Linux 6.1"
_MEMORY = "from memory"
KWORKER = r"kworker/.*"

TABLE = (
    Thread(r"jbd2/.*", "journal", "journal of ext4", False, f"fs/jbd2/journal.c; {_SEEN}"),
    Thread(r"ext4lazyinit", "metadata", "first set-up of ext4", True, "fs/ext4/super.c"),
    Thread(r"xfsaild/.*", "journal", "log of xfs", False, "fs/xfs/xfs_trans_ail.c"),
    Thread(r"btrfs-transacti.*", "journal", "transaction of btrfs", False, "fs/btrfs/disk-io.c"),
    Thread(r"btrfs-.*", "writeback", "btrfs", False, "fs/btrfs/disk-io.c"),
    Thread(r"md\w+_(resync|reshape|recover).*", "check", "md check", True, "drivers/md/md.c"),
    Thread(r"md\w+_raid\d+", "pool_sync", "md", False, f"drivers/md/md.c; {_SEEN}"),
    Thread(r"txg_sync|z_wr_.*|zio_.*", "pool_sync", "zfs", True, _MEMORY),
    Thread(r"z_rd_.*|zvol.*|z_.*|spl_.*", "", "zfs", True, _MEMORY),
    Thread(r"nfsd.*", "", "nfsd", True, "fs/nfsd/nfssvc.c"),
    Thread(r"ksmbd.*", "", "ksmbd", True, "fs/smb/server"),
    Thread(r"vhost-.*", "", "a guest's disk", True, "drivers/vhost/vhost.c"),
    Thread(r"loop\d+", "", "a loop file", True, "drivers/block/loop.c"),
    Thread(r"iscsi_.*|target_.*", "", "a disk exported to another host", True, _MEMORY),
    Thread(r"kcryptd.*|dmcrypt_write.*", "", "encryption", False, "drivers/md/dm-crypt.c"),
    Thread(r"kswapd\d+", "write", "swap", True, "mm/vmscan.c"),
    Thread(KWORKER, "writeback", "kernel worker", False, f"fs/fs-writeback.c; {_SEEN}"),
)  # fmt: skip

_ROWS = tuple((re.compile(row.pattern), row) for row in TABLE)


def known(name: str) -> Thread | None:
    """The row of a thread's name; None where there is none."""
    return next((row for pattern, row in _ROWS if pattern.fullmatch(name)), None)
