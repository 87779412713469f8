"""From events to what woke a disk: the first request, who made it, and how long it waited.

Rules of this module:
- The first request that moves sectors is the one that wakes a disk in standby; a flush moves none.
  Its wait runs from its queueing to its completion, whatever else is in flight meanwhile.
- A program that submits a request itself is the actor. Behind a thread of the kernel
  (`device.kernel_threads`) the program is looked for that made the data dirty: by the inode that is
  being flushed, else by the file system, within the time that dirty data is kept at most. Of
  several it is the last, then the busiest. A writer that has ended is known by its cgroup.
- A command that is no request for data wakes a disk only if it is slow: a drive in standby answers
  within milliseconds, common practice, no source.
- A request through stacked devices is joined to the one at the top: by thread, or where a thread of
  the pool submits it, by direction.
- After a loss of events nothing is concluded: cause and actor are unknown.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from spinledger.causes import OWN_PROBE, READ, UNKNOWN, WRITE
from spinledger.codec.trace_events import Event
from spinledger.codec.trace_sums import Dirtied
from spinledger.device.actors import Actors
from spinledger.device.kernel_threads import KWORKER, Thread, known
from spinledger.device.layers import Stack
from spinledger.model import HOUR, MILLISECOND, SECOND, Woken

SUMS_EVERY_NS = 30 * SECOND
KEPT_NS = 75 * SECOND
"""How far back dirtying is looked for: vm.dirty_expire_centisecs (30 s), twice
vm.dirty_writeback_centisecs (5 s), and the time between two readings of the sums."""
KEPT_TIMES_NS = 12 * HOUR + KEPT_NS
"""Likewise of access times under lazytime: vm.dirtytime_expire_seconds."""
SLOW_NS = 300 * MILLISECOND
STACKED_NS = 60 * SECOND  # a request to a pool and its members' requests lie closer together
MOST_SUMS = 4096

# include/linux/fs.h
_I_DIRTY_SYNC, _I_DIRTY_TIME = 1 << 0, 1 << 11
_OWN = "spinledger"


@dataclass(slots=True)
class Writer:
    """One sum of who made data dirty."""

    key: Dirtied
    inode: int
    flags: int
    data: bool  # pages, not only an inode
    count: int
    last_ns: int


@dataclass(slots=True)
class Sleeper:
    """A disk in standby, and what was seen of its wake."""

    stack: Stack
    since_ns: int
    first: Event | None = None
    found: Woken | None = None  # of the first request, without its wait
    uppers: dict[int, Event] = field(default_factory=dict)  # by stacked device
    commands: list[Event] = field(default_factory=list)  # no data; not done yet
    touched: bool = False  # something came from others, even if it cannot have woken it
    lost: bool = False
    done: bool = False


class Joiner:
    """Of all disks in standby."""

    def __init__(self, actors: Actors, own: Callable[[int], bool]) -> None:
        self._actors = actors
        self._own = own
        self._sleepers: dict[str, Sleeper] = {}
        self._writers: dict[tuple[str, str, Dirtied], Writer] = {}
        self._names: dict[tuple[int, bytes], str | None] = {}  # None: a thread of the kernel
        self._flushing: dict[int, Event] = {}  # by thread: the inode it writes out
        self._summed_ns = 0
        self._ready: list[Woken] = []

    def sleeps(self, node: str, stack: Stack, now_ns: int) -> None:
        """A disk is in standby."""
        before = self._sleepers.get(node)
        if before is not None and before.found is not None and not before.done:
            self._ready.append(before.found)
        self._sleepers[node] = Sleeper(stack, now_ns)

    def left(self, node: str, now_ns: int) -> None:
        """It no longer is. A request that is on its way to it is followed to its end."""
        sleeper = self._sleepers[node]
        if sleeper.found is None and not sleeper.commands:
            if not (sleeper.lost or sleeper.touched):
                self._ready.append(Woken(node, now_ns, "drive", "", node, None))
            sleeper.done = True

    def waiting(self) -> Mapping[str, Stack]:
        """Disks whose wake was not seen to its end."""
        return {node: one.stack for node, one in self._sleepers.items() if not one.done}

    def lost(self) -> None:
        """Events of disks in standby were lost."""
        for sleeper in self._sleepers.values():
            sleeper.lost = sleeper.lost or (sleeper.found is None and not sleeper.done)

    def wants_sums(self, traced: Iterable[Event], now_ns: int) -> bool:
        """The sums must be read before these events are taken, or it is time to."""
        if now_ns - self._summed_ns >= SUMS_EVERY_NS:
            return True
        disks = {one.stack.disk.dev for one in self._sleepers.values() if one.first is None}
        return any(
            event.name == "block_bio_queue" and event.numbers["dev"] in disks for event in traced
        )

    def dirtied(self, event: str, keys: str, counts: Mapping[Dirtied, int], now_ns: int) -> None:
        """Sums of one table since it was read last."""
        self._summed_ns = now_ns
        for key, count in counts.items():
            self._name(key.pid, key.comm)
            writer = self._writers.get((event, keys, key))
            if writer is None:
                inode = key.detail if ",ino," in keys else 0
                flags = key.detail if ",flags," in keys else 0
                data = "folio" in event
                writer = self._writers[(event, keys, key)] = Writer(key, inode, flags, data, 0, 0)
            writer.count, writer.last_ns = writer.count + count, now_ns
        self._forget(now_ns)

    def take(self, traced: Iterable[Event]) -> list[Woken]:
        """Events in order of time; what woke disks, by kernel name."""
        for event in traced:
            if event.name == "writeback_single_inode_start":
                self._flushing[event.pid] = event
                continue
            for node, sleeper in self._sleepers.items():
                if not sleeper.done and event.numbers["dev"] in sleeper.stack.devices:
                    self._step(node, sleeper, event)
        ready, self._ready = self._ready, []
        return ready

    def _step(self, node: str, sleeper: Sleeper, event: Event) -> None:
        dev, rwbs = event.numbers["dev"], event.texts["rwbs"]
        moves = event.numbers["nr_sector"] > 0 and not rwbs.startswith(b"N")
        if dev != sleeper.stack.disk.dev:
            if event.name == "block_bio_queue" and moves:
                sleeper.uppers[dev] = event
        elif event.name == "block_bio_queue":
            sleeper.touched = True
            if moves and sleeper.first is None:
                sleeper.first = event
                sleeper.found = self._explain(node, sleeper, event)
        elif rwbs.startswith(b"N"):
            self._command(node, sleeper, event)
        elif event.name == "block_rq_complete" and moves:
            self._complete(node, sleeper, event)

    def _command(self, node: str, sleeper: Sleeper, event: Event) -> None:
        """A command that is no request for data: sent, or answered."""
        if event.name == "block_rq_issue":
            sleeper.commands.append(event)
            sleeper.touched = sleeper.touched or not self._own(event.pid)
            return
        if event.name != "block_rq_complete" or not sleeper.commands:
            return
        sent = sleeper.commands.pop(0)
        wait_ns = event.at_ns - sent.at_ns
        if wait_ns < SLOW_NS or (sleeper.first is not None and sleeper.first.at_ns < sent.at_ns):
            return
        own = self._own(sent.pid)
        actor = _OWN if own else self._actors.of_process(sent.pid, sent.texts["comm"])
        cause = OWN_PROBE if own else "passthrough"
        sleeper.found = Woken(node, sent.at_ns, cause, actor, node, None)
        self._finish(sleeper, wait_ns)

    def _complete(self, node: str, sleeper: Sleeper, event: Event) -> None:
        first, begin = sleeper.first, event.numbers["sector"]
        if first is None:  # it was queued before the tracing began
            sleeper.found = Woken(node, event.at_ns, UNKNOWN, "", "", None)
            self._finish(sleeper, None)
        elif begin <= first.numbers["sector"] < begin + event.numbers["nr_sector"]:
            self._finish(sleeper, event.at_ns - first.at_ns)

    def _finish(self, sleeper: Sleeper, wait_ns: int | None) -> None:
        found = sleeper.found
        if found is not None:
            wait_ns = None if sleeper.lost else wait_ns
            self._ready.append(
                Woken(
                    found.disk, found.at_ns, found.cause, found.actor, found.place, wait_ns,
                    found.boundary,
                )
            )  # fmt: skip
        sleeper.done = True

    def _explain(self, node: str, sleeper: Sleeper, first: Event) -> Woken:
        """Cause, actor and place of the first request."""
        upper = self._upper(sleeper, first)
        place = sleeper.stack.place(
            first.numbers["sector"], upper.numbers["dev"] if upper else None
        )
        if sleeper.lost:
            return Woken(node, first.at_ns, UNKNOWN, "", place, None)
        asked = upper or first
        comm, pid = asked.texts["comm"], asked.pid
        row = known(comm.decode("utf-8", "replace"))
        if row is None and self._actors.is_kernel_thread(pid):
            row = Thread("", "", comm.decode("utf-8", "replace"), True, "")
        direction = _direction(asked.texts["rwbs"])
        if row is None or self._actors.is_process(pid):
            actor = self._actors.of_process(pid, comm)
            return Woken(node, first.at_ns, direction, actor, place, None)
        cause = (
            direction
            if direction in (READ, "discard") and row.cause != "check"
            else (row.cause or direction)
        )
        if row.hides or cause == READ:
            return Woken(node, first.at_ns, cause, "", place, None, row.boundary)
        if cause == "writeback" and _is_log(asked.texts["rwbs"]):
            cause = "journal"
        actor, times_only = self._writer(sleeper.stack, first.at_ns, self._flushing.get(pid))
        if times_only:
            cause = "metadata"
        boundary = "" if actor else (_shared(row, cause, place) or row.boundary)
        return Woken(node, first.at_ns, cause, actor, place, None, boundary)

    def _upper(self, sleeper: Sleeper, first: Event) -> Event | None:
        """The request to the topmost stacked device that this one is part of."""
        row = known(first.texts["comm"].decode("utf-8", "replace"))
        serves = row is not None and (row.cause == "pool_sync" or row.boundary == "encryption")
        kind = _direction(first.texts["rwbs"])
        found = [
            event
            for event in sleeper.uppers.values()
            if first.at_ns - event.at_ns <= STACKED_NS
            and (event.pid == first.pid or (serves and _direction(event.texts["rwbs"]) == kind))
        ]
        above = sleeper.stack.above
        return max(
            found,
            key=lambda event: (len(above[event.numbers["dev"]].below), event.at_ns),
            default=None,
        )

    def _writer(self, stack: Stack, at_ns: int, flushing: Event | None) -> tuple[str, bool]:
        """Who made dirty what is written now, and whether that was nothing but times of access."""
        inode = unit = None
        backing = b"" if flushing is None else flushing.texts["name"]
        if flushing is not None and backing.decode("ascii", "replace") in stack.backing:
            inode = flushing.numbers["ino"]
            unit = self._actors.of_inode(flushing.numbers["cgroup_ino"])
        here = [
            (name, writer)
            for writer in self._writers.values()
            if _on(stack, writer.key.where)
            and writer.last_ns >= at_ns - _kept(writer)
            and (name := self._name(writer.key.pid, writer.key.comm)) is not None
        ]
        same = [pair for pair in here if inode and pair[1].inode == inode]
        chosen = max(same or here, key=lambda pair: (pair[1].last_ns, pair[1].count), default=None)
        if chosen is None:
            return unit or "", False
        actor = chosen[0]
        theirs = [writer for name, writer in here if name == actor]
        flags = [writer.flags for writer in theirs if writer.flags]
        times_only = (
            bool(flags)
            and not any(writer.data for writer in theirs)
            and all(flag & ~(_I_DIRTY_SYNC | _I_DIRTY_TIME) == 0 for flag in flags)
        )
        return unit or actor, times_only

    def _name(self, pid: int, comm: bytes) -> str | None:
        """The actor of a writer, looked up as early as possible; None for the kernel's threads."""
        if (pid, comm) not in self._names:
            kernel = self._actors.is_kernel_thread(pid)
            kernel = kernel or known(comm.decode("utf-8", "replace")) is not None
            self._names[(pid, comm)] = None if kernel else self._actors.of_process(pid, comm)
        return self._names[(pid, comm)]

    def _forget(self, now_ns: int) -> None:
        """Drop what is too old to matter, and beyond a bound the oldest."""
        if len(self._writers) < MOST_SUMS // 2:
            return
        fresh = {
            key: writer
            for key, writer in self._writers.items()
            if now_ns - writer.last_ns <= _kept(writer)
        }
        newest = sorted(fresh, key=lambda key: fresh[key].last_ns)[-MOST_SUMS:]
        self._writers = {key: fresh[key] for key in newest}
        named = {(writer.key.pid, writer.key.comm) for writer in self._writers.values()}
        self._names = {key: name for key, name in self._names.items() if key in named}


def _kept(writer: Writer) -> int:
    return KEPT_TIMES_NS if writer.flags & _I_DIRTY_TIME else KEPT_NS


def _on(stack: Stack, where: str) -> bool:
    return int(where) in stack.devices if where.isdecimal() else where in stack.backing


def _shared(row: Thread, cause: str, place: str) -> str:
    """What a thread did that serves all file systems: the log of xfs."""
    if row.pattern != KWORKER:
        return ""
    kind, mounted, _ = place.rpartition(", ")[2].partition(" on ")
    work = {"journal": "log", "writeback": "write-back"}.get(cause)
    return f"{work} of {kind}" if mounted and work else ""


def _direction(rwbs: bytes) -> str:
    """By the letters of blk_fill_rwbs in kernel/trace/blktrace.c (Linux 6.12)."""
    kind = rwbs.removeprefix(b"F")[:1]
    return {b"R": READ, b"D": "discard"}.get(kind, WRITE)


def _is_log(rwbs: bytes) -> bool:
    """A write of metadata that somebody waits for, or with a flush before it: that of a log."""
    return rwbs.startswith(b"F") or (b"S" in rwbs and b"M" in rwbs)
