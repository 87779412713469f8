"""Why a disk spins up: every cause, as data.

Rules: `name` is a label value of `spinledger_disk_wakes_total` and a value of the ledger's column
`cause`; `words` go into a sentence, before "by" and who it was. A cause with `counters` comes from
the kernel's counters alone, the others from its trace events, where those can be read.
"""

from __future__ import annotations

from typing import NamedTuple


class Cause(NamedTuple):
    """One row."""

    name: str
    words: str
    meaning: str
    source: str  # what says so; titles are of the documentation of Linux
    counters: bool = False
    remedy: str = "Find out with {actor} what it wants of this disk"  # first, in a finding


READ, WRITE, BOTH, OTHER = "read", "write", "read_and_write", "other"
OWN_PROBE, UNKNOWN = "own_probe", "unknown"

_EVENTS = "include/trace/events/block.h, rwbs of block_bio_queue"
_VM = "Documentation for /proc/sys/vm"

TABLE = (
    Cause(READ, "read", "a program read something that was not cached", _EVENTS, True,
          "Move what {actor} reads off this disk, or have it read less often"),
    Cause(WRITE, "written", "a program wrote, and waited for the disk", _EVENTS, True,
          "Move what {actor} writes off this disk, or have it write less often"),
    Cause("journal", "journal written", "a file system wrote its journal",
          "ext4 General Information, option commit",
          remedy="Find what {actor} writes, and move it off this disk; leave the journal on"),
    Cause("writeback", "cached data written", "the kernel wrote data that a program wrote before",
          f"{_VM}, dirty_expire_centisecs and dirty_writeback_centisecs",
          remedy="Move what {actor} writes off this disk, or have it write less often"),
    Cause("metadata", "metadata written", "access times, or the first set-up of a file system",
          f"{_VM}, dirtytime_expire_seconds; ext4 General Information, option init_itable",
          remedy="Mount with noatime, if nothing needs the access times that {actor} causes"),
    Cause("pool_sync", "pool synchronised", "a pool wrote its own records",
          "RAID arrays, safe_mode_delay; of btrfs and zfs: from memory"),
    Cause("check", "pool checked", "a check, scrub or resynchronisation of a pool",
          "RAID arrays, sync_action; of btrfs and zfs: from memory",
          remedy="Leave the check on; have it run when the disks are in use anyway"),
    Cause("discard", "blocks discarded", "a program released blocks", _EVENTS),
    Cause("passthrough", "command sent", "another program sent a command to the drive itself",
          "SCSI Generic (sg) driver; what moves which counter: measured on Linux 6.1",
          remedy="Have {actor} leave out disks in standby (smartctl: option -n standby)"),
    Cause(OWN_PROBE, "probed", "a probe of this exporter", "our own table of commands",
          remedy="Set `watch: counters` for this disk"),
    Cause("drive", "spun up by itself", "the drive itself: the kernel sent nothing",
          "SCSI mid_low_api, counter iorequest_cnt"),
    Cause(UNKNOWN, "cause unknown", "the kernel's events did not show it", "this exporter"),
    Cause(BOTH, "read and written", "both moved first, by the kernel's counters alone",
          "Block layer statistics in /sys/block/<dev>/stat", True),
    Cause(OTHER, "no data moved", "no data moved, by the kernel's counters alone",
          "Block layer statistics in /sys/block/<dev>/stat", True),
)  # fmt: skip

CAUSES = tuple(cause.name for cause in TABLE)

REMEDIES = {cause.name: cause.remedy for cause in TABLE}

WORDS = {cause.name: cause.words for cause in TABLE}


def where(place: str) -> str:
    """The end of a place that people know: "/srv/photos" of "sda1, ext4 on /srv/photos"."""
    return place.rpartition(" on ")[2].rpartition(", ")[2]
