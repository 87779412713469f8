"""The ports: what the core needs of the world. Adapters live in device, sim, store and app.

Rules of this room: Protocols, and the records that cross only one port. An adapter that
can be waited for has `fileno()`, or is woken by its clock. No method blocks beyond what its
docstring says.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from spinledger.facts import Snapshot, Totals
from spinledger.model import (
    Answered,
    Counted,
    Disk,
    Entry,
    Gone,
    Probe,
    Seen,
    Woken,
)


@dataclass(frozen=True, slots=True)
class Commit:
    """What goes into the ledger file in one transaction."""

    number: int  # ascending for the life of a ledger
    at_ns: int
    wall_ns: int
    boot_id: str
    clean: bool  # the last of an orderly stop: nothing was recorded after it
    accounts: Mapping[str, Mapping[str, object]]  # dumps by identity, of those that changed
    totals: Mapping[str, Totals]  # lifetime counters by identity, of those that changed
    entries: tuple[Entry, ...]  # spans, cycles, causes, gaps, readings since then


@dataclass(frozen=True, slots=True)
class Restored:
    """What a store gives back at the start."""

    number: int  # of the last commit; 0: a new ledger
    at_ns: int  # the last time recorded, by the boot clock of `boot_id`
    wall_ns: int
    boot_id: str
    accounts: Mapping[str, Mapping[str, object]]
    entries: tuple[Entry, ...]  # recorded, not committed, saved by the live journal
    lost: str  # "" when nothing was lost; else why exported counters restart from zero
    recent_cycles: Mapping[str, Sequence[int]] = field(default_factory=dict)
    """Observed spin-ups of the last 60 days by identity, ascending, by the boot clock of
    `boot_id`."""


@dataclass(frozen=True, slots=True)
class StoreStatus:
    """How the ledger file is."""

    committed_wall_ns: int  # 0: never
    file_bytes: int
    damaged: int  # files set aside, this one's life long
    trouble: str  # "" or why the last commit failed


TROUBLES = (
    "missing",  # the program is not there, or cannot be run
    "timeout",
    "asleep",  # the disk fell asleep before it was read
    "unsure",  # its power mode could not be determined
    "permission",
    "failed",  # the program says so itself
    "empty",
    "truncated",
    "not_understood",
    "another_disk",
    "crashed",  # our own child ended without an answer
)
"""Why a cross-check gave nothing; label values."""


@dataclass(frozen=True, slots=True)
class CrossChecked:
    """What a cross-check gave for a disk: values by `codec.counters.NAMES`, or a trouble."""

    disk: str
    at_ns: int
    values: Mapping[str, int] = field(default_factory=dict)
    trouble: str = ""  # "" or one of TROUBLES
    detail: str = ""  # for a person


class Source(Protocol):
    """Something the loop may wait for; ready when its descriptor is readable."""

    def fileno(self) -> int:
        """A readable descriptor, or -1 when only time makes it ready (simulated ports)."""


class Clock(Protocol):
    """Boot time and wall time; the only source of either."""

    def now(self) -> int:
        """Nanoseconds of the boot clock, host suspends included."""

    def wall(self) -> int:
        """Nanoseconds since the Unix epoch."""

    def suspended(self) -> int:
        """Nanoseconds the host has been suspended since boot."""

    def boot_id(self) -> str:
        """The kernel's random id of this boot."""

    def wait(self, until_ns: int, sources: Sequence[Source]) -> Sequence[Source]:
        """Return when `now() >= until_ns` or a source is ready; the ready ones."""


class Discoverer(Protocol):
    """Finds rotating disks without sending anything to a drive."""

    def scan(self, at_ns: int) -> tuple[Sequence[Seen], Sequence[tuple[str, str]]]:
        """All disks now, and what was skipped as (kernel name, reason)."""

    def changes(self, at_ns: int) -> Iterable[Seen | Gone]:
        """What came and went since the last call; does not block."""

    def fileno(self) -> int:
        """Readable when changes may be due."""


class Counters(Protocol):
    """Free signals from the kernel."""

    def read(self, disk: Disk, at_ns: int) -> Counted | None:
        """The counters now; None when the disk is gone."""

    def forget(self, identity: str) -> None:
        """Close what is held for a disk."""


class Prober(Protocol):
    """Probes drives. One outstanding command a disk; the reply may come hours later."""

    def send(self, probe: Probe, disk: Disk) -> None:
        """Send one command of the closed table; returns at once."""

    def replies(self, at_ns: int) -> Iterable[Answered]:
        """Answers that have arrived; does not block."""

    def forget(self, disk: Disk) -> None:
        """Close the disk's descriptor once nothing is outstanding."""

    def fileno(self) -> int:
        """Readable when answers are due."""


class WakeSource(Protocol):
    """Says what woke a disk. What it says of a wake may come seconds after the spin-up."""

    def watch(self, disks: Mapping[str, Disk]) -> None:
        """The disks now in standby, by identity; replaces those of the last call."""

    def woken(self, at_ns: int) -> Iterable[Woken]:
        """What was seen since the last call; does not block."""

    def lost(self) -> Mapping[str, int]:
        """Events lost so far, by identity."""

    def untraced(self) -> str:
        """Why nothing can be said, one sentence; "": it can."""

    def fileno(self) -> int:
        """Readable when `woken` has something."""


class CrossChecker(Protocol):
    """Reads a disk's own counters by another way than ours. One disk at a time over all."""

    def start(self, disk: Disk, at_ns: int) -> bool:
        """Begin to read a disk, and return at once; False: it cannot be read, or one is now."""

    def results(self, at_ns: int) -> Iterable[CrossChecked]:
        """What came of it; one for each start, at `due_ns` at the latest. Does not block."""

    def due_ns(self) -> int | None:
        """When `results` has something to say at the latest; None while nothing is read."""

    def fileno(self) -> int:
        """Readable when a result is due."""


class Store(Protocol):
    """The ledger file and its live journal."""

    def restore(self) -> Restored:
        """What was kept; called once, before anything else."""

    def note(
        self,
        at_ns: int,
        wall_ns: int,
        changed: Mapping[str, Mapping[str, object]],
        entries: Sequence[Entry],
    ) -> None:
        """Keep one tick in the live journal before it is published; never blocks on a disk.

        `changed` are dumps of the accounts that did more than stay still.
        """

    def commit(self, commit: Commit) -> bool:
        """Hand over a commit; False while one is in flight. The file is written elsewhere."""

    def settle(self) -> None:
        """Wait for the commit in flight, for a bounded time."""

    def finished(self) -> Iterable[tuple[int, bool]]:
        """Commits that ended since the last call: number, and whether it is in the file."""

    def status(self) -> StoreStatus:
        """How the file is."""

    def fileno(self) -> int:
        """Readable when a commit has ended."""

    def close(self) -> None:
        """Settle, and let the file go."""


class Publisher(Protocol):
    """Takes snapshots; the web server and the text file are publishers."""

    def wants(self, at_ns: int) -> bool:
        """True when a snapshot at this time would be used."""

    def publish(self, snapshot: Snapshot) -> None:
        """Replace the current snapshot; atomic."""

    def taken(self) -> bool:
        """True once whoever reads has had time to read a snapshot."""


class Moment(Protocol):
    """What quiet hours say of one moment."""

    @property
    def quiet(self) -> bool:
        """Inside quiet hours."""

    @property
    def until_wall_ns(self) -> int:
        """When that next changes; far in the future where it never does."""

    @property
    def began_wall_ns(self) -> int | None:
        """When the present or last window began; None: there was none."""


class QuietHours(Protocol):
    """Quiet hours in local time."""

    def at(self, wall_ns: int) -> Moment:
        """What holds at a wall time."""
