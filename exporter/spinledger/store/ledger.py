"""The two stores: a ledger file with its live journal, and one that keeps nothing.

Rules: only the store thread waits for the file; `note`, `commit`, `finished` and `status` return at
once. One commit is in flight; each entry is handed over once, and the store keeps what did not
reach the file and writes it with the next commit, what an earlier run left included. A line for
the operator comes from the caller's thread, each once. When the thread has nothing to write it
checks what the opening did not: all pages before its first commit, then the older days, unless a
watched disk holds the file.
"""

from __future__ import annotations

import os
import queue
import select
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from spinledger.errors import Misuse, Refusal
from spinledger.model import DAY, MILLISECOND, Cycle, Entry
from spinledger.ports import Commit, Restored, StoreStatus
from spinledger.store.beside import Found, Lock, judge, read_mark
from spinledger.store.days import CycleRow, DiskDay, Recent, changed
from spinledger.store.file import CYCLE_DAYS, read_days
from spinledger.store.history import DaysFrom, History
from spinledger.store.live import Left, LiveJournal, Opening, Pending
from spinledger.store.plain import IS_A_DISK, is_disk
from spinledger.store.schema import VERSION, Dump, Meta
from spinledger.store.writer import Outcome, Writer

CLOSE_S = 2.0
KEEP_DAYS = 400
SIMULATED = "sim-"
RECENT_NS = CYCLE_DAYS * DAY  # how far back spin-ups are given at a start

DONE = object()

Say = Callable[[str], None]


STATE = Path("/var/lib/spinledger")


class FileStore:
    """ports.Store over a ledger file.

    `boot_id` is this boot's; `live` the folder of the live journal (live.live_directory()), None:
    none; `simulated` whether this run's disks are; `keep_days` how long spans are kept.
    """

    def __init__(
        self,
        path: Path,
        *,
        boot_id: str,
        live: Path | None,
        simulated: bool = False,
        keep_days: int = KEEP_DAYS,
        say: Say = lambda line: None,
    ) -> None:
        self._path = Path(os.path.abspath(path))
        self._boot_id = boot_id
        self._simulated = simulated
        self._say_line = say
        self._live = LiveJournal(live, self._path)
        self._locks = [Lock(self._path.with_name(self._path.name + ".lock"))]
        if self._live.lock_path is not None:
            self._locks.append(Lock(self._live.lock_path))
        self._writer = Writer(self._path, keep_days)
        self._said: set[str] = set()
        self._accounts: dict[str, Dump] = {}
        self._status = StoreStatus(0, 0, 0, "")
        self._offset_ns = 0  # wall minus boot time, at the last tick
        self._at_ns = 0
        self._busy = False
        self._clean = False
        self._event = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._to_do: queue.SimpleQueue[Commit | None] = queue.SimpleQueue()
        self._done: queue.SimpleQueue[Outcome] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None

    @property
    def path(self) -> Path:
        """The ledger file, absolute."""
        return self._path

    @property
    def busy(self) -> bool:
        """A commit was handed over, and `finished` has not given its end."""
        return self._busy

    @property
    def keep_days(self) -> int:
        """How many days that have spans or gaps keep them. A change holds from the next commit."""
        return self._writer.keep_days

    @keep_days.setter
    def keep_days(self, days: int) -> None:
        self._writer.keep_days = days

    def flush_all(self, wanted: bool) -> None:
        """After each commit leave nothing for the file system to write later, on a watched disk."""
        self._writer.flush_all = wanted

    def restore(self) -> Restored:
        """Take the ledger, read it, and begin a run.

        Raises Refusal: another exporter has it, it is of a newer version, or it holds simulated
        disks and these are real, or the reverse. Nothing is changed then.
        """
        if self._thread is not None:
            raise Misuse("restore() is called once")
        try:
            restored = self._restore()
        except BaseException:
            self._release()
            raise
        self._thread = threading.Thread(target=self._run, name="store", daemon=True)
        self._thread.start()
        return restored

    def _restore(self) -> Restored:
        make_folder(self._path)
        for lock in self._locks:
            lock.take(self._path)
        writer = self._writer
        mark = read_mark(writer.mark_path)
        left = self._live.read(self._boot_id)
        found, accounts = writer.inspect(ours=mark is not None)
        lost, use = judge(found, mark, left)
        meta = found.meta
        known = left if use else None
        pending = known.after(meta.number if meta else -1) if known else Pending()
        newest = {**accounts, **pending.dumps}
        check_kind(self._path, newest, self._simulated)
        if found.damaged and known is None and mark is not None:
            identity, number = (meta.owner, meta.number) if meta else (mark.id, mark.number)
        elif meta is not None:
            identity, number = meta.owner, meta.number
        elif known is not None:
            identity, number = known.opening.id, max(known.numbers())
        else:
            identity, number = os.urandom(8).hex(), 0
        damaged = max(
            meta.damaged if meta else 0,
            mark.damaged if mark else 0,
            known.opening.damaged if known else 0,
        )
        taken = replace(meta or Meta(VERSION, ""), owner=identity, number=number, damaged=damaged)
        lost += writer.take_up(taken, accounts, found)
        writer.carry(pending)
        restored = self._restored(found, known, pending, newest, number, lost)
        self._begin(identity, number, found, known, pending, restored)
        return restored

    def _restored(
        self,
        found: Found,
        left: Left | None,
        pending: Pending,
        accounts: dict[str, Dump],
        number: int,
        lost: str,
    ) -> Restored:
        meta = found.meta
        at_ns, wall_ns, boot_id = (meta.at_ns, meta.wall_ns, meta.boot_id) if meta else (0, 0, "")
        if left is not None and left.at_ns:  # 0: no tick was noted
            at_ns, wall_ns, boot_id = left.at_ns, left.wall_ns, self._boot_id
        boot = meta.boot if meta is not None and meta.boot_id == boot_id else None
        rows = self._writer.cycles()
        cycles = recent_cycles(rows, pending.entries, at_ns, wall_ns, boot)
        entries = tuple(pending.entries)
        return Restored(number, at_ns, wall_ns, boot_id, accounts, entries, lost, cycles)

    def _begin(
        self,
        identity: str,
        number: int,
        found: Found,
        left: Left | None,
        pending: Pending,
        restored: Restored,
    ) -> None:
        meta = found.meta
        damaged = self._writer.meta.damaged
        whole = left.opening.whole if left else meta is None and not restored.accounts
        opening = Opening(
            identity, number, self._boot_id, restored.at_ns, restored.wall_ns, whole, damaged
        )
        if left is None and restored.boot_id != self._boot_id:
            opening = replace(opening, at_ns=0, wall_ns=0)
        self._live.begin(opening, Pending(dict(pending.dumps), list(pending.entries)))
        self._accounts = dict(restored.accounts)
        committed = meta.wall_ns if meta and not found.damaged else 0
        self._at_ns, self._offset_ns = restored.at_ns, restored.wall_ns - restored.at_ns
        self._status = StoreStatus(committed, self._writer.bytes(), damaged, self._writer.trouble)
        if restored.lost:
            self._say(f"{self._path}: {restored.lost}; exported counters start from zero")
        self._say_trouble()

    def note(
        self,
        at_ns: int,
        wall_ns: int,
        changed: Mapping[str, Mapping[str, object]],
        entries: Sequence[Entry],
    ) -> None:
        """Keep a tick in the live journal. A dump must not be changed afterwards."""
        self._offset_ns = wall_ns - at_ns
        self._at_ns = at_ns
        self._accounts.update(changed)
        self._live.note(at_ns, wall_ns, changed, entries)
        if self._live.trouble:
            self._say_trouble()

    def commit(self, commit: Commit) -> bool:
        """Hand over all that was recorded since the last commit that was taken; False: not now."""
        if self._thread is None:
            raise Misuse("restore() comes first")
        if self._busy:
            return False
        self._busy = True
        self._clean = False
        self._accounts.update(commit.accounts)
        self._live.handed(commit.number)
        self._to_do.put(commit)
        if commit.clean:
            self._writer.hurry = True
        return True

    def settle(self) -> None:
        """Wait at most 2 s for the commit in flight; `finished` then gives how it ended."""
        if self._busy:
            select.select([self._event], [], [], CLOSE_S)

    def finished(self) -> Iterable[tuple[int, bool]]:
        """Commits that ended: number, and whether it is in the file."""
        with suppress(BlockingIOError):
            os.eventfd_read(self._event)
        ended: list[tuple[int, bool]] = []
        while not self._done.empty():
            outcome = self._done.get()
            self._busy = False
            self._clean = outcome.ok and outcome.clean
            self._live.finished(outcome.number, outcome.ok, outcome.damaged)
            given = self._status
            committed = outcome.wall_ns if outcome.ok else given.committed_wall_ns
            self._status = StoreStatus(
                committed, outcome.file_bytes, outcome.damaged, outcome.trouble
            )
            if outcome.ok and given.trouble:
                self._said.clear()
                self._say_line("the ledger is written again")
            for text in outcome.said:
                self._say_line(text)
            self._say_trouble()
            ended.append((outcome.number, outcome.ok))
        return ended

    def status(self) -> StoreStatus:
        """How the file is. Trouble with the live journal is only reported in words."""
        return self._status

    def fileno(self) -> int:
        """Readable when a commit has ended."""
        return self._event

    def close(self) -> None:
        """Wait at most 2 s for the commit in flight, and let the file go.

        A thread that still waits for the disk then ends with the process, and the live journal
        stays for the next start.
        """
        thread, self._thread = self._thread, None
        if thread is None:
            return
        self._writer.hurry = True
        self._to_do.put(None)
        ends = time.monotonic() + CLOSE_S
        thread.join(max(0.0, ends - time.monotonic()))
        for _ in self.finished():
            pass
        if self._clean and self._live.nothing_noted():
            self._live.remove()
        self._live.close()
        if not thread.is_alive():
            self._release()
            os.close(self._event)
            self._event = -1

    def history(self) -> History:
        """The history up to now; may be read by any thread.

        Days beyond the newest 31 are read from the file, which may wake its disk.
        """
        recent = self._writer.recent

        def days(first: int, disk: str | None, spans: bool) -> Iterator[DiskDay]:
            held = recent.first_day()
            if held is not None and first < held:
                yield from read_days(self._path, first, held, disk, spans)
            yield from recent.days(first, disk)

        return self._history(days)

    def remembered(self) -> History:
        """The newest days alone, from memory: reading them never touches the file."""
        return self._history(self._writer.recent.days)

    def _history(self, days: DaysFrom) -> History:
        # What waits is copied before days are read, so that nothing is missed between.
        pending = self._live.noted()
        return History(days, pending, self._offset_ns, dict(self._accounts), self._at_ns)

    def _run(self) -> None:
        writer = self._writer
        checks = writer.checks()
        more = next(checks, DONE) is not DONE  # all pages: nothing is written before
        while True:
            try:
                work = self._to_do.get(block=not more)
            except queue.Empty:
                more = not writer.flush_all and next(checks, DONE) is not DONE
                continue
            if work is None:
                break
            self._done.put(writer.write(work))
            os.eventfd_write(self._event, 1)
        writer.close()

    def _release(self) -> None:
        self._writer.close()
        for lock in self._locks:
            lock.release()

    def _say_trouble(self) -> None:
        if self._status.trouble:
            self._say(f"the ledger is not written: {self._status.trouble}")
        if self._live.trouble:
            self._say(f"no live journal, a kill may lose a minute: {self._live.trouble}")

    def _say(self, text: str) -> None:
        if text not in self._said:
            self._said.add(text)
            self._say_line(text)


def make_folder(ledger: Path) -> None:
    """Make a ledger's folder inside the state directory. Raises Refusal for one elsewhere that is
    not there: the path is mistyped, or a file system is not mounted. Likewise for a block device,
    which would pass for an empty file.
    """
    if is_disk(ledger):
        raise Refusal(f"{ledger}: {IS_A_DISK}; name a file")
    folder = ledger.parent
    if any(folder.absolute().is_relative_to(state) for state in state_directories()):
        with suppress(OSError):  # the writer says why
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        return
    try:
        folder.lstat()
    except FileNotFoundError:
        what = "its folder does not exist; create it, or correct the path"
        raise Refusal(f"{ledger}: {what}") from None
    except OSError:
        pass  # the writer says why


def state_directories() -> list[Path]:
    """/var/lib/spinledger, and what systemd names: systemd.exec(5), StateDirectory."""
    named = os.environ.get("STATE_DIRECTORY", "")
    return [STATE, *(Path(one) for one in named.split(":") if one)]


def recent_cycles(
    rows: Iterable[tuple[str, CycleRow]],
    noted: Iterable[Entry],
    at_ns: int,
    wall_ns: int,
    boot: int | None,
) -> Mapping[str, tuple[int, ...]]:
    """Observed spin-ups of the last 60 days by disk, ascending, by the boot clock.

    A row of the boot `boot` has that clock's time; of an older one the wall time counts, less
    the present offset of the two clocks. `noted` entries are of the present boot.
    """
    found: dict[str, set[int]] = {}
    for disk, row in rows:
        if row.observed:
            other = row.at_ms * MILLISECOND - (wall_ns - at_ns)
            found.setdefault(disk, set()).add(row.boot_ns if row.boot == boot else other)
    for entry in noted:
        if isinstance(entry, Cycle) and entry.observed:
            found.setdefault(entry.disk, set()).add(entry.at_ns)
    return {
        disk: tuple(sorted(time for time in times if time > at_ns - RECENT_NS))
        for disk, times in found.items()
    }


def check_kind(path: Path, accounts: Mapping[str, Mapping[str, object]], simulated: bool) -> None:
    """Raise Refusal when a ledger holds disks of the other kind."""
    for disk in accounts:
        if disk.startswith(SIMULATED) != simulated:
            kind, other = ("real", "simulated") if simulated else ("simulated", "real")
            raise Refusal(
                f"{path}: holds {kind} disks ({disk}), and these are {other}; "
                "name another file with --ledger"
            )


class MemoryStore:
    """ports.Store without a file: `--ledger memory`.

    The newest 31 days are held for /history. A commit ends at once; nothing is ever restored, so
    nothing is ever lost.
    """

    def __init__(self) -> None:
        self._event = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._ended: list[tuple[int, bool]] = []
        self._recent = Recent()
        self._noted: list[Entry] = []
        self._accounts: dict[str, Dump] = {}
        self._offset_ns = 0
        self._at_ns = 0

    def restore(self) -> Restored:
        """Nothing."""
        return Restored(0, 0, 0, "", {}, (), "")

    def note(
        self,
        at_ns: int,
        wall_ns: int,
        changed: Mapping[str, Mapping[str, object]],
        entries: Sequence[Entry],
    ) -> None:
        """Hold the entries and the open spans for /history."""
        self._offset_ns = wall_ns - at_ns
        self._at_ns = at_ns
        self._accounts.update(changed)
        self._noted += entries

    def commit(self, commit: Commit) -> bool:
        """Put the entries into their days; always True."""
        recent = self._recent
        days = changed(commit, 1, recent.get, recent.numbers())
        for (day, disk), rows in days.items():
            recent.put(day, disk, rows)
        self._noted = []
        self._ended.append((commit.number, True))
        os.eventfd_write(self._event, 1)
        return True

    def settle(self) -> None:
        """A commit has always ended."""

    def finished(self) -> Iterable[tuple[int, bool]]:
        """Commits since the last call."""
        with suppress(BlockingIOError):
            os.eventfd_read(self._event)
        ended, self._ended = self._ended, []
        return ended

    def status(self) -> StoreStatus:
        """Never committed to a file."""
        return StoreStatus(0, 0, 0, "")

    def fileno(self) -> int:
        """Readable after a commit."""
        return self._event

    def close(self) -> None:
        """Let the descriptor go; may be called twice."""
        if self._event >= 0:
            os.close(self._event)
            self._event = -1

    def history(self) -> History:
        """The newest 31 days; may be read by any thread."""
        noted = list(self._noted)  # before the days, so that nothing is missed
        return History(self._recent.days, noted, self._offset_ns, dict(self._accounts), self._at_ns)

    def remembered(self) -> History:
        """The same: there is nothing but memory."""
        return self.history()
