"""The store that serves: a ledger file, a live journal, and one thread for the file.

Rules: only the store thread waits for the file; `note`, `commit`, `finished` and `status` return at
once. One commit is in flight; each entry is handed over once, and the store keeps what did not
reach the file and writes it with the next commit, what an earlier run left included. A line for
the operator comes from the caller's thread, each once.
"""

from __future__ import annotations

import os
import queue
import select
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from spinledger.errors import Misuse, Refusal
from spinledger.model import Entry
from spinledger.ports import Commit, Restored, StoreStatus
from spinledger.store.beside import Lock, read_mark
from spinledger.store.file import Row, rows_of
from spinledger.store.history import History
from spinledger.store.live import Left, LiveJournal, Opening
from spinledger.store.verdict import Found, judge
from spinledger.store.work import Dumps, Pending, Work
from spinledger.store.writer import Outcome, Writer

CLOSE_S = 2.0
KEEP_DAYS = 400
SIMULATED = "sim-"

Say = Callable[[str], None]


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
        self._accounts: Dumps = {}
        self._status = StoreStatus(0, 0, 0, "")
        self._offset_ns = 0  # wall minus boot time, at the last tick
        self._at_ns = 0
        self._busy = False
        self._clean = False
        self._event = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._to_do: queue.SimpleQueue[Work | None] = queue.SimpleQueue()
        self._done: queue.SimpleQueue[Outcome] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None

    @property
    def path(self) -> Path:
        """The ledger file, absolute."""
        return self._path

    @property
    def busy(self) -> bool:
        """A commit was handed over, and `finished` has not told its end."""
        return self._busy

    @property
    def keep_days(self) -> int:
        """For how many days spans are kept."""
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
        with suppress(OSError):  # the writer says why
            self._path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        for lock in self._locks:
            lock.take(self._path)
        writer = self._writer
        mark = read_mark(writer.mark_path)
        left = self._live.read(self._boot_id)
        found, accounts = writer.look()
        lost, use = judge(found, mark, left)
        head = found.head
        pending = Pending()
        if left is not None and use:
            pending = left.after(head.number if head else -1)
        newest: Dumps = {**accounts, **pending.dumps}
        check_kind(self._path, newest, self._simulated)
        known = left if use else None
        if found.damaged and known is None and mark is not None:
            identity, number = (head.id, head.number) if head else (mark.id, mark.number)
        elif head is not None:
            identity, number = head.id, head.number
        elif known is not None:
            identity, number = known.opening.id, max(known.numbers())
        else:
            identity, number = os.urandom(8).hex(), 0
        damaged = max(
            head.damaged if head else 0,
            mark.damaged if mark else 0,
            known.opening.damaged if known else 0,
        )
        aside = writer.take_up(identity, number, {**accounts}, damaged, found)
        writer.carry(pending)
        if aside:
            lost = f"{lost} as {aside}"
        restored = self._restored(found, known, pending, newest, number, lost)
        self._begin(identity, number, found, known, pending, restored)
        return restored

    def _restored(
        self,
        found: Found,
        left: Left | None,
        pending: Pending,
        accounts: Dumps,
        number: int,
        lost: str,
    ) -> Restored:
        head = found.head
        at_ns, wall_ns, boot_id = (head.at_ns, head.wall_ns, head.boot_id) if head else (0, 0, "")
        if left is not None and left.at_ns:  # 0: no tick was noted
            at_ns, wall_ns, boot_id = left.at_ns, left.wall_ns, self._boot_id
        return Restored(number, at_ns, wall_ns, boot_id, accounts, tuple(pending.entries), lost)

    def _begin(
        self,
        identity: str,
        number: int,
        found: Found,
        left: Left | None,
        pending: Pending,
        restored: Restored,
    ) -> None:
        head = found.head
        whole = left.opening.whole if left else head is None and not restored.accounts
        opening = Opening(
            identity,
            number,
            self._boot_id,
            restored.at_ns,
            restored.wall_ns,
            whole,
            self._writer.damaged,
        )
        if left is None and restored.boot_id != self._boot_id:
            opening = Opening(identity, number, self._boot_id, 0, 0, whole, self._writer.damaged)
        self._live.begin(opening, Pending(dict(pending.dumps), list(pending.entries)))
        self._accounts = dict(restored.accounts)
        committed = head.wall_ns if head and not found.damaged else 0
        self._at_ns, self._offset_ns = restored.at_ns, restored.wall_ns - restored.at_ns
        self._status = StoreStatus(
            committed, self._writer.bytes(), self._writer.damaged, self._writer.trouble
        )
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
        """Hand over all that was booked since the last commit that was taken; False: not now."""
        if self._thread is None:
            raise Misuse("restore() comes first")
        if self._busy:
            return False
        self._busy = True
        self._clean = False
        self._accounts.update(commit.accounts)
        self._live.handed(commit.number)
        self._to_do.put(Work.of(commit))
        return True

    def settle(self) -> None:
        """Wait at most 2 s for the commit in flight; `finished` then tells how it ended."""
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
        """How the file is; `trouble` is the file's, else the live journal's."""
        given = self._status
        if given.trouble or not self._live.trouble:
            return given
        return StoreStatus(
            given.committed_wall_ns, given.file_bytes, given.damaged, self._live.trouble
        )

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
        """The books as they are now; may be read by any thread.

        Days beyond the newest 31 are read from the file, which may wake its disk.
        """
        recent = self._writer.recent
        pending = self._live.noted()
        accounts = dict(self._accounts)
        # What waits is copied before the rows are read, so that nothing is missed between.

        def rows(kind: str, first_day: int, disk: str | None) -> Iterable[Row]:
            first = recent.first_day()
            if first is not None and first_day < first:
                for row in rows_of(self._path, kind, first_day, disk):
                    if row[1] >= first:
                        break
                    yield row
            yield from recent.rows(kind, first_day, disk)

        return History(rows, pending, self._offset_ns, accounts, self._at_ns)

    def remembered(self) -> History:
        """The newest days alone, from memory: reading them never touches the file."""
        pending = self._live.noted()
        accounts = dict(self._accounts)
        return History(self._writer.recent.rows, pending, self._offset_ns, accounts, self._at_ns)

    def _run(self) -> None:
        while (work := self._to_do.get()) is not None:
            self._done.put(self._writer.write(work))
            os.eventfd_write(self._event, 1)
        self._writer.close()

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


def check_kind(path: Path, accounts: Mapping[str, Mapping[str, object]], simulated: bool) -> None:
    """Raise Refusal when a ledger holds disks of the other kind."""
    for disk in accounts:
        if disk.startswith(SIMULATED) != simulated:
            kind, other = ("real", "simulated") if simulated else ("simulated", "real")
            raise Refusal(
                f"{path}: holds {kind} disks ({disk}), and these are {other}; "
                "name another file with --ledger"
            )
