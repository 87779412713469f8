"""The file side of the store: opens, writes, sets aside, makes anew. Used by one thread at a time.

Rules: whatever the file system does, the program goes on: what cannot be written is carried into
the next commit, and each commit tries again; entries are sets in their days, so none is recorded
twice. A file that is damaged is renamed, never deleted, and what is whole in it goes into a new
one. A file that somebody else puts at the path is left alone; one that was moved away or deleted
while in use is written again from the open descriptor.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from operator import itemgetter
from pathlib import Path

from spinledger.errors import Refusal, SpinledgerError, Unavailable
from spinledger.ports import Commit
from spinledger.store.access import DAMAGED, REPLACED, trouble
from spinledger.store.beside import Found, Mark, flush_file_system, sync_folder, write_mark
from spinledger.store.days import CycleRow, Day, DiskDay, Recent, changed, day_of
from spinledger.store.file import Contents, LedgerFile
from spinledger.store.live import MOST_ENTRIES, Pending
from spinledger.store.salvage import salvage, salvaged_days
from spinledger.store.schema import VERSION, Dump, Meta


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a commit ended; `said` are lines for the operator."""

    number: int
    ok: bool
    wall_ns: int
    clean: bool
    file_bytes: int
    damaged: int
    trouble: str
    said: tuple[str, ...]


@dataclass
class Writer:
    """The ledger file of a run. `meta` is what the run goes on from."""

    path: Path
    keep_days: int
    meta: Meta = field(default_factory=lambda: Meta(VERSION, ""))
    recent: Recent = field(default_factory=Recent)
    trouble: str = ""
    flush_all: bool = False  # leave nothing for the file system to write later
    hurry: bool = False  # end the step of `checks` that the thread is in
    _file: LedgerFile | None = None
    _aside: Path | None = None  # a damaged file that a new one takes over
    _accounts: dict[str, Dump] = field(default_factory=dict)  # the newest dump of each
    _carried: Commit | None = None
    _marked_open: bool = False
    _broken: Unavailable | None = None  # damage that a check found
    _tidied: tuple[int, int] | None = None  # the day, and `keep_days`, when spans were dropped
    _older_cycles: Sequence[tuple[str, CycleRow]] = ()  # than the days in memory
    _said: list[str] = field(default_factory=list)

    @property
    def mark_path(self) -> Path:
        """The mark beside the ledger."""
        return self.path.with_name(self.path.name + ".mark")

    def inspect(self, ours: bool) -> tuple[Found, Mapping[str, Dump]]:
        """Read and check the file, changing nothing but what a kill left half written.

        What was found, and the accounts. `ours`: a ledger is known to have been here. Raises
        Refusal for a newer version's file, and for one of somebody else.
        """
        try:
            if not self._there():
                return Found(), {}
            self._file, contents = LedgerFile.open(self.path, ours)
        except Unavailable as refused:
            if refused.reason != DAMAGED:
                return Found(unusable=refused.detail), {}
            meta, accounts = salvage(self.path)
            return Found(meta, damaged=True), accounts
        self._take(self._file, contents)
        return Found(self._file.meta), contents.accounts

    def take_up(self, meta: Meta, accounts: Mapping[str, Dump], found: Found) -> str:
        """Make the file ready to be written; where a damaged one was set aside, words about that.

        What fails is reported by `trouble`, and tried again at the first commit.
        """
        self.meta = meta
        self._accounts = dict(accounts)
        words = ""
        try:
            if found.damaged:
                words = self._set_aside()
            if self._file is None:
                words += self._ready()[1]
            self._mark(open=True)
        except Unavailable as refused:
            self.trouble = refused.detail
        return words

    def cycles(self) -> Iterator[tuple[str, CycleRow]]:
        """Disk and row of the spin-ups of the last two months."""
        yield from self._older_cycles
        for _, disk, rows in self.recent.days():
            for row in rows.cycles:
                yield disk, row

    def carry(self, pending: Pending) -> None:
        """What an earlier run left for the file, to go in with the first commit."""
        if pending.dumps or pending.entries:
            accounts = dict(pending.dumps)
            self._carried = Commit(0, 0, 0, "", False, accounts, {}, tuple(pending.entries))

    def checks(self) -> Iterator[None]:
        """Check, step by step, what the opening did not; the next commit acts upon damage."""
        file = self._file
        if file is None:
            return
        try:
            for damage in file.checks(lambda: self.hurry):
                if damage:
                    raise Unavailable(DAMAGED, damage)
                yield
                if self._file is not file:
                    return
        except Unavailable as refused:
            if refused.reason == DAMAGED:
                self._broken = refused

    def write(self, commit: Commit) -> Outcome:
        """Put a commit into the file; never raises for what the system does."""
        self._accounts.update(commit.accounts)
        before = self._carried
        if before is not None:
            entries = tuple(dict.fromkeys(before.entries + commit.entries))
            commit = replace(
                commit,
                accounts={**before.accounts, **commit.accounts},
                totals={**before.totals, **commit.totals},
                entries=entries[-MOST_ENTRIES:],
            )
        try:
            self._write(commit)
            if self.flush_all:
                with suppress(OSError):
                    flush_file_system(self.path.parent)
        except Exception as refused:  # the thread must go on, whatever happened
            self._carried = commit
            self.trouble = _words(self.path, refused)
            return self._outcome(commit, ok=False)
        self._carried = None
        self.trouble = ""
        return self._outcome(commit, ok=True)

    def bytes(self) -> int:
        """The file's size; 0 when it is not open."""
        return self._file.bytes() if self._file else 0

    def close(self) -> None:
        """Let the file go."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _write(self, commit: Commit) -> None:
        try:
            if self._broken is not None:
                raise self._broken
            file, _ = self._ready()
            if not commit.clean:
                self._mark(open=True)
            self._put(file, commit)
        except Unavailable as refused:
            if refused.reason != DAMAGED:
                raise
            words = self._set_aside()
            file, more = self._ready()
            self._said.append(f"{self.path}: was damaged{words}{more}")
            self._put(file, commit)
        if commit.clean:
            self._mark(open=False)

    def _put(self, file: LedgerFile, commit: Commit) -> None:
        """One transaction, and what it changed in memory."""
        last = file.meta
        boot = last.boot + (commit.boot_id != last.boot_id)
        meta = replace(
            last,
            number=commit.number,
            at_ns=commit.at_ns,
            wall_ns=commit.wall_ns,
            boot=boot,
            boot_id=commit.boot_id,
            clean=int(commit.clean),
            damaged=self.meta.damaged,
        )

        def get(day: int, disk: str) -> Day | None:
            first = self.recent.first_day()
            held = first is None or day >= first
            return self.recent.get(day, disk) if held else file.day(day, disk)

        today = day_of(commit.wall_ns)
        dropped = []
        days = changed(commit, boot, get, self.recent.numbers())
        with file.transaction(meta):
            for disk, dump in commit.accounts.items():
                file.put_account(disk, dump)
            for (day, disk), rows in sorted(days.items(), key=itemgetter(0)):
                file.put_day(day, disk, get(day, disk), rows)
            if self._tidied != (today, self.keep_days):
                dropped = file.drop_spans(self.keep_days)
        self._tidied = today, self.keep_days
        for (day, disk), rows in days.items():
            self.recent.put(day, disk, rows)
        for day, disk in dropped:
            held = self.recent.get(day, disk)
            if held is not None:
                self.recent.put(day, disk, held._replace(spans=b"", gaps=b""))
        self.meta = file.meta

    def _outcome(self, commit: Commit, ok: bool) -> Outcome:
        said, self._said = tuple(self._said), []
        return Outcome(
            commit.number,
            ok,
            commit.wall_ns,
            commit.clean,
            self.bytes(),
            self.meta.damaged,
            self.trouble,
            said,
        )

    def _ready(self) -> tuple[LedgerFile, str]:
        """The open file: the one we have, the one that came back, or a new one.

        With words about what a new one took over from a damaged one.
        """
        file = self._file
        if file is not None:
            if self._there():
                return file, ""
            if file.cut():
                raise Unavailable(DAMAGED, f"{self.path}: was emptied while in use")
            file.copy_to(self.path)
            self.close()
            self._said.append(f"{self.path}: was moved or deleted while in use; written again")
        if not self._there():
            return self._anew()
        try:
            file, contents = LedgerFile.open(self.path)
        except Refusal as refused:
            raise Unavailable(REPLACED, str(refused)) from None
        if (file.meta.owner, file.meta.number) != (self.meta.owner, self.meta.number):
            file.close()
            raise Unavailable(
                REPLACED,
                f"{self.path}: a ledger is there now that was not at the start; "
                "start the exporter again to use it",
            )
        self._file = file
        self._take(file, contents)
        return file, ""

    def _anew(self) -> tuple[LedgerFile, str]:
        """A new file of all that is known: accounts, days in memory, days of a damaged file."""
        found = Recent()
        count = 0

        def days() -> Iterator[DiskDay]:
            nonlocal count
            mine = {(day, disk): rows for day, disk, rows in self.recent.days()}
            if self._aside is not None:
                for day, disk, rows in salvaged_days(self._aside):
                    mine.setdefault((day, disk), rows)
            for (day, disk), rows in sorted(mine.items(), key=itemgetter(0)):
                found.put(day, disk, rows)
                count += 1
                yield day, disk, rows

        meta = replace(self.meta, at_ns=0, wall_ns=0, clean=0, rows=0, sum=0)
        file = self._file = LedgerFile.create(self.path, meta, self._accounts, days())
        words = ""
        if self._aside is not None:
            accounts = len(self._accounts)
            words = f"; of it {accounts} accounts and {count} days of a disk were whole"
        self._aside, self._broken, self._tidied = None, None, None
        self.recent = found
        self._sync()
        return file, words

    def _take(self, file: LedgerFile, contents: Contents) -> None:
        self.recent = contents.recent
        self._older_cycles = contents.older_cycles
        damaged = max(self.meta.damaged, file.meta.damaged)
        self.meta = replace(file.meta, damaged=damaged)

    def _there(self) -> bool:
        """True if something is at the path; an empty file is nothing."""
        try:
            return self.path.stat().st_size > 0
        except (FileNotFoundError, NotADirectoryError):
            return False
        except OSError as refused:
            raise trouble(self.path, refused) from None

    def _set_aside(self) -> str:
        """Rename the damaged file, and the rollback journal beside it; words about that."""
        self.close()
        stamp = time.strftime("%Y%m%d-%H%M%S", time.gmtime())
        name = f"{self.path.name}.damaged-{stamp}"
        number = 1
        while self.path.with_name(name).exists():
            number += 1
            name = f"{self.path.name}.damaged-{stamp}-{number}"
        try:
            journal = self.path.with_name(self.path.name + "-journal")
            if journal.exists() and journal.stat().st_size:
                os.replace(journal, journal.with_name(f"{name}-journal"))
            os.replace(self.path, self.path.with_name(name))
        except OSError as refused:
            raise trouble(self.path, refused) from None
        self._sync()
        self._aside = self.path.with_name(name)
        self.meta = replace(self.meta, damaged=self.meta.damaged + 1)
        return f" and is set aside as {name}"

    def _sync(self) -> None:
        try:
            sync_folder(self.path.parent)
        except OSError as refused:
            raise trouble(self.path, refused) from None

    def _mark(self, open: bool) -> None:
        if open and self._marked_open:
            return
        mark = Mark(self.meta.owner, self.meta.number, open, self.meta.damaged)
        try:
            write_mark(self.mark_path, mark)
        except OSError as refused:
            raise trouble(self.mark_path, refused) from None
        self._marked_open = open


def _words(path: Path, error: Exception) -> str:
    if isinstance(error, SpinledgerError):
        return str(error)
    return f"{path}: a bug in the exporter: {type(error).__name__}: {error}"
