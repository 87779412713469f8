"""What woke a disk, by the kernel's trace events, in a tracing instance of our own.

Rules of this module:
- Two sides. *Requests* to disks in standby and to what stands on them are copied out, from the
  standby on to the first request's completion: they name the program of a read or a direct write,
  and give the wait. *Dirtying* names the program of a buffered write, up to half a minute earlier:
  the kernel only sums it up, always, by backing device and program, and for file systems of
  disks in standby by inode as well. `device.joining` joins the two.
- Nothing outside our instance is touched, no module is loaded, nothing is sent to a drive. The
  instance is removed at the end; what a killed process left behind, at the next start.
- Events that the kernel had no room for are counted; a wake among them has no actor.
- The clock of the instance is the boot clock (Documentation/trace/ftrace.rst, trace_clock).
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
import select
import time
from collections.abc import Callable, Collection, Iterable, Mapping

from spinledger.codec import trace_sums
from spinledger.codec.trace_events import Event, Format, Header, events, parse_format
from spinledger.device import sysfs
from spinledger.device.actors import Actors
from spinledger.device.joining import Joiner
from spinledger.device.layers import stack
from spinledger.device.tracing import LONGEST_FILTER, TRACEFS, Folder, refused
from spinledger.errors import Unavailable
from spinledger.model import Woken

INTERVAL_S = 30.0
"""How often the sums are read at least: vm.dirty_expire_centisecs is 30 s by default."""
BUFFER_KIB = 256  # a processor
PLACES = 1024  # of a table; a power of two
FINE_PLACES = 4096

QUEUE = "block_bio_queue"
ISSUE = "block_rq_issue"
DONE = "block_rq_complete"
FLUSHING = "writeback_single_inode_start"
# Events that are copied out, their group, and the fields that are needed.
COPIED = {
    QUEUE: ("block", ("dev", "sector", "nr_sector", "rwbs", "comm")),
    ISSUE: ("block", ("dev", "sector", "nr_sector", "rwbs", "comm")),
    DONE: ("block", ("dev", "sector", "nr_sector", "rwbs")),
    FLUSHING: ("writeback", ("name", "ino", "cgroup_ino")),
}
# Events that are summed up always, and the keys before the program; then those for disks in
# standby only. The last is there once a file system with that journal was mounted. A buffer that
# makes its page dirty raises writeback_dirty_folio too (mark_buffer_dirty in fs/buffer.c), so
# block_dirty_buffer would only add cost.
ALWAYS = {
    "writeback/writeback_dirty_folio": "name",
    "writeback/writeback_dirty_inode": "name,flags",
}
ASLEEP = {
    "writeback/writeback_dirty_folio": "name,ino",
    "jbd2/jbd2_handle_start": "dev",
}


class WakeTracing:
    """The tracing of one process. Raises Unavailable when the kernel does not allow it.

    The process calls `read` when `fileno()` is readable, and at least every INTERVAL_S.
    """

    def __init__(self, tracefs: str = TRACEFS, root: str = "/sys", proc: str = "/proc") -> None:
        self._root, self._proc = root, proc
        self._asleep: frozenset[str] = frozenset()
        self._armed: frozenset[str] = frozenset()
        self._triggers: list[tuple[str, str]] = []  # of disks in standby
        self._before: dict[tuple[str, str], Mapping[trace_sums.Dirtied, int]] = {}
        self._pipes: dict[int, str] = {}
        self.lost: dict[str, int] = {}
        """Events that found no room since the start, by kernel name of a disk in standby."""
        self._joiner = Joiner(Actors(proc), self._own)
        self._poll = select.epoll()
        try:
            self._folder = Folder("wakes", tracefs)
        except BaseException:
            self._poll.close()
            raise
        try:
            self._header, self._formats = self._layouts(tracefs)
            self._start()
        except OSError as error:
            self.close()
            raise refused(error, "the kernel refused to trace requests") from error
        except BaseException:
            self.close()
            raise

    def fileno(self) -> int:
        """Readable when something was traced."""
        return self._poll.fileno()

    def watch(self, nodes: Collection[str], now_ns: int) -> list[Woken]:
        """The disks in standby now, by kernel name. `disk` of what is given is a kernel name."""
        given = self.read(now_ns)
        for node in self._asleep - frozenset(nodes):
            self._joiner.left(node, now_ns)
        for node in frozenset(nodes) - self._asleep:
            if found := stack(node, self._root, self._proc):
                self._joiner.sleeps(node, found, now_ns)
        self._asleep = frozenset(nodes)
        given += self._joiner.take(())
        self._arm()
        return given

    def read(self, now_ns: int) -> list[Woken]:
        """What woke disks since the last call; does not block."""
        traced = self._traced()
        if self._joiner.wants_sums(traced, now_ns):
            self._sum(now_ns)
        given = self._joiner.take(traced)
        if given:
            self._arm()
        return given

    def close(self) -> None:
        """Remove the instance."""
        self.end()
        self._poll.close()

    def end(self) -> None:
        """Remove the instance; `fileno()` stays what it is, and is never readable again."""
        for pipe in self._pipes:
            os.close(pipe)
        self._pipes.clear()
        with contextlib.suppress(Unavailable):
            self._folder.close()

    def _own(self, pid: int) -> bool:
        """A thread of this process: it sends probes."""
        return os.path.exists(f"{self._proc}/self/task/{pid}")

    def _layouts(self, tracefs: str) -> tuple[Header, dict[int, Format]]:
        header = Header.parse(sysfs.text(f"{tracefs}/events/header_page"))
        formats = {}
        for name, (group, fields) in COPIED.items():
            text = self._folder.read(f"events/{group}/{name}/format").decode("ascii", "replace")
            layout = parse_format(name, text, fields)
            formats[layout.number] = layout
        return header, formats

    def _start(self) -> None:
        self._folder.write("trace_clock", "boot")
        self._folder.write("buffer_size_kb", str(BUFFER_KIB))
        self._folder.write("buffer_percent", "0")
        for event, keys in ALWAYS.items():
            self._folder.write(f"events/{event}/trigger", _sum(keys, PLACES))
        for cpu in sysfs.names(f"{self._folder.path}/per_cpu"):
            path = f"{self._folder.path}/per_cpu/{cpu}/trace_pipe_raw"
            pipe = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
            self._pipes[pipe] = cpu
            self._poll.register(pipe, select.EPOLLIN)

    def _arm(self) -> None:
        """Trace requests to the disks whose wake is not known yet; nothing where there is none."""
        waiting = self._joiner.waiting()
        nodes = frozenset(waiting)
        if nodes == self._armed:
            return
        stacks = waiting.values()
        disks = {one.disk.dev for one in stacks}
        devices = {dev for one in stacks for dev in one.devices}
        backing = {name for one in stacks for name in one.backing}
        filters = {QUEUE: _numbers(devices), ISSUE: _numbers(disks), DONE: _numbers(disks)}
        filters[FLUSHING] = _names(backing)
        for name, (group, _) in COPIED.items():
            event = f"events/{group}/{name}"
            if not nodes or not self._armed:
                self._folder.write(f"{event}/enable", "0")
            if nodes:
                self._folder.write(f"{event}/filter", filters[name] or "0")
                self._folder.write(f"{event}/enable", "1")
        if not self._armed or not nodes or nodes - self._armed:
            self._sum_finely(devices, backing)
        self._armed = nodes

    def _sum_finely(self, devices: Collection[int], backing: Collection[str]) -> None:
        for event, trigger in self._triggers:
            with contextlib.suppress(OSError):
                self._folder.write(f"events/{event}/trigger", "!" + trigger)
            self._before.pop((event, _keys(ASLEEP[event])), None)
        self._triggers.clear()
        if not devices:
            return
        for event, keys in ASLEEP.items():
            only = _names(backing) if keys.startswith("name") else _numbers(devices)
            trigger = _sum(keys, FINE_PLACES) + (f" if {only}" if only else "")
            with contextlib.suppress(OSError):  # this kernel has no such event, or not yet
                self._folder.write(f"events/{event}/trigger", trigger)
                self._triggers.append((event, trigger))

    def _traced(self) -> list[Event]:
        """Events of all processors in order of time."""
        found: list[Event] = []
        for pipe in self._pipes:
            while True:
                try:
                    page = os.read(pipe, 65536)
                except BlockingIOError:
                    break
                if not page:
                    break
                taken, lost = events(page, self._header, self._formats)
                found += taken
                if lost:
                    self._losing(lost)
        return sorted(found, key=lambda event: event.at_ns)

    def _losing(self, count: int) -> None:
        for node in self._joiner.waiting():
            self.lost[node] = self.lost.get(node, 0) + count
        self._joiner.lost()

    def _sum(self, now_ns: int) -> None:
        """Read the sums, and hand on what came since the last time."""
        for event in dict.fromkeys([*ALWAYS, *ASLEEP]):
            try:
                tables = trace_sums.parse(self._folder.read(f"events/{event}/hist"))
            except OSError:
                continue
            full = False
            for table in tables:
                before = self._before.get((event, table.keys), {})
                self._joiner.dirtied(event, table.keys, _since(before, table.counts), now_ns)
                self._before[(event, table.keys)] = table.counts
                full = full or table.dropped > 0 or table.entries * 4 > PLACES * 3
                if table.dropped:
                    self._losing(table.dropped)
            if full:
                self._clear(event)

    def _clear(self, event: str) -> None:
        """Begin the event's tables anew."""
        orders = [(event, _sum(ALWAYS[event], PLACES))] if event in ALWAYS else []
        orders += [one for one in self._triggers if one[0] == event]
        for _, trigger in orders:
            head, condition, only = trigger.partition(" if ")
            self._folder.write(f"events/{event}/trigger", f"{head}:clear{condition}{only}")
        for table in [*self._before]:
            if table[0] == event:
                del self._before[table]


def _keys(keys: str) -> str:
    return f"{keys},common_pid.execname"


def _sum(keys: str, places: int) -> str:
    return f"hist:keys={_keys(keys)}:size={places}"


def _numbers(devices: Iterable[int]) -> str:
    """A filter by device number; "" where it would be too long for the kernel."""
    text = " || ".join(f"dev == {dev}" for dev in sorted(devices))
    return text if len(text) <= LONGEST_FILTER else ""


def _names(backing: Iterable[str]) -> str:
    text = " || ".join(f'name == "{name}"' for name in sorted(backing) if name)
    return text if len(text) <= LONGEST_FILTER else ""


def _since(
    before: Mapping[trace_sums.Dirtied, int], now: Mapping[trace_sums.Dirtied, int]
) -> dict[trace_sums.Dirtied, int]:
    gained = {key: count - before.get(key, 0) for key, count in now.items()}
    return {key: count for key, count in gained.items() if count > 0}


class Session:
    """The tracing as the prober process runs it: messages in, messages out.

        standby NODE...      the disks in standby now; replaces those of the last one
    and back come
        untraced REASON      to `standby`, where the kernel does not allow it
        woken [...]          the fields of a model.Woken as JSON; `disk` is a kernel name
        lost NODE COUNT      events lost so far
    """

    def __init__(self, tracefs: str = TRACEFS, root: str = "/sys", proc: str = "/proc") -> None:
        self.untraced = ""
        self._lost: dict[str, int] = {}
        self._tracing: WakeTracing | None = None
        try:
            self._tracing = WakeTracing(tracefs, root, proc)
        except Unavailable as error:
            self.untraced = str(error)

    def fileno(self) -> int:
        """Readable when something was traced; -1: nothing is."""
        return self._tracing.fileno() if self._tracing else -1

    def standby(self, nodes: Collection[str]) -> list[str]:
        """Take the disks that are in standby now; messages that are due."""
        tracing = self._tracing
        return self._messages(lambda: tracing.watch(nodes, _now()) if tracing else [], True)

    def due(self) -> list[str]:
        """Messages that are due; to be called when readable, and every INTERVAL_S at least."""
        tracing = self._tracing
        return self._messages(lambda: tracing.read(_now()) if tracing else [], False)

    def close(self) -> None:
        """Remove the instance."""
        if self._tracing is not None:
            self._tracing.close()

    def _messages(self, seen: Callable[[], list[Woken]], asked: bool) -> list[str]:
        """What fails here ends the tracing, and never the process: that probes drives."""
        if self.untraced:
            return [f"untraced {self.untraced}"] if asked else []
        try:
            woken = seen()
        except (OSError, Unavailable) as error:
            self.untraced = str(error)
            if self._tracing is not None:
                self._tracing.end()
            return [f"untraced {self.untraced}"]
        found = [f"woken {json.dumps(dataclasses.astuple(one))}" for one in woken]
        now = dict(self._tracing.lost) if self._tracing else {}
        found += [f"lost {node} {n}" for node, n in now.items() if n != self._lost.get(node)]
        self._lost = now
        return found


def woken(message: str) -> Woken:
    """What a `woken` message says. Raises ValueError for anything else."""
    fields = json.loads(message.removeprefix("woken "))
    try:
        return Woken(*fields)
    except TypeError as error:
        raise ValueError(str(error)) from None


def _now() -> int:
    """The boot clock, that of the events."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)
