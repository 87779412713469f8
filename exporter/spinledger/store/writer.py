"""The file side of the store: opens, writes, sets aside, makes anew. Used by one thread at a time.

Rules: whatever the file system does, the program goes on: what cannot be written is carried into
the next commit, and each commit tries again. A file that is damaged is renamed, never deleted, and
what is whole in it goes into a new one. A file that somebody else puts at the path is left alone;
one that was moved away or deleted while in use is written again from the open descriptor.
"""

from __future__ import annotations

import os
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from spinledger.errors import SpinledgerError, Unavailable
from spinledger.store.beside import Mark, flush_file_system, sync_folder, write_mark
from spinledger.store.file import (
    ACCOUNT,
    DAMAGED,
    REPLACED,
    Contents,
    Head,
    LedgerFile,
    Row,
    salvage,
    trouble,
    values,
)
from spinledger.store.recent import Recent
from spinledger.store.sheets import compress
from spinledger.store.verdict import Found
from spinledger.store.work import Booker, Dumps, Pending, Work


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
    """The ledger file of a run. `id` and `number` are those the run goes on from."""

    path: Path
    keep_days: int
    id: str = ""
    number: int = 0
    damaged: int = 0
    recent: Recent = field(default_factory=Recent)
    trouble: str = ""
    flush_all: bool = False  # leave nothing for the file system to write later
    _file: LedgerFile | None = None
    _rows: list[Row] = field(default_factory=list)  # salvaged, for the new file
    _accounts: Dumps = field(default_factory=dict)  # the newest dump of each
    _carried: Work | None = None
    _marked_open: bool = False
    _said: list[str] = field(default_factory=list)
    _booker: Booker = field(init=False)

    def __post_init__(self) -> None:
        self._booker = Booker(self.keep_days)

    @property
    def mark_path(self) -> Path:
        """The mark beside the ledger."""
        return self.path.with_name(self.path.name + ".mark")

    def look(self) -> tuple[Found, Mapping[str, Mapping[str, object]]]:
        """Read and check the file, changing nothing but what a kill left half written.

        What was found, and the accounts. Raises Refusal for a newer version's file.
        """
        try:
            if not self._there():
                return Found(), {}
            self._file, contents = LedgerFile.open(self.path)
        except Unavailable as refused:
            if refused.reason != DAMAGED:
                return Found(unusable=refused.detail), {}
            head, self._rows = salvage(self.path)
            found = Found(head, damaged=True, salvaged=len(self._rows))
            return found, values(self._rows, ACCOUNT)
        self._take(self._file, contents)
        return Found(self._file.head), contents.accounts

    def take_up(self, id: str, number: int, accounts: Dumps, damaged: int, found: Found) -> str:
        """Make the file ready to be written; the name under which a damaged one was set aside.

        What fails is told by `trouble`, and tried again at the first commit.
        """
        self.id, self.number, self.damaged = id, number, damaged
        self._accounts = dict(accounts)
        aside = ""
        try:
            if found.damaged:
                aside = self._set_aside()
            if self._file is None:
                self._ready()
            self._mark(open=True)
        except Unavailable as refused:
            self.trouble = refused.detail
        return aside

    def carry(self, pending: Pending) -> None:
        """What an earlier run left for the file, to go in with the first commit."""
        if pending.dumps or pending.entries:
            self._carried = Work(0, 0, 0, "", False, pending, {})

    def write(self, work: Work) -> Outcome:
        """Put work into the file; never raises for what the system does."""
        self._accounts.update(work.pending.dumps)
        if self._carried is not None:
            pending = Pending(dict(self._carried.pending.dumps), self._carried.pending.entries)
            pending.add(work.pending.dumps, work.pending.entries)
            pending.once()
            work.pending = pending
            work.totals = {**self._carried.totals, **work.totals}
        try:
            self._write(work)
            if self.flush_all:
                with suppress(OSError):
                    flush_file_system(self.path.parent)
        except Exception as refused:  # the thread must go on, whatever happened
            self._carried = work
            self.trouble = _words(self.path, refused)
            return self._outcome(work, ok=False)
        self._carried = None
        self.trouble = ""
        return self._outcome(work, ok=True)

    def bytes(self) -> int:
        """The file's size; 0 when it is not open."""
        return self._file.bytes() if self._file else 0

    def close(self) -> None:
        """Let the file go."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _write(self, work: Work) -> None:
        try:
            file = self._ready()
            if not work.clean:
                self._mark(open=True)
            written = self._booker.write(file, work)
        except Unavailable as refused:
            if refused.reason != DAMAGED:
                raise
            self.close()
            self._rows = salvage(self.path)[1]
            self._said.append(
                f"{self.path}: was damaged and is set aside as {self._set_aside()}; a new ledger "
                f"goes on with what was whole ({len(self._rows)} rows)"
            )
            file = self._ready()
            written = self._booker.write(file, work)
        self.number = work.number
        for row in written:
            self.recent.put(*row)
        if work.clean:
            self._mark(open=False)

    def _outcome(self, work: Work, ok: bool) -> Outcome:
        said, self._said = tuple(self._said), []
        return Outcome(
            work.number,
            ok,
            work.wall_ns,
            work.clean,
            self.bytes(),
            self.damaged,
            self.trouble,
            said,
        )

    def _ready(self) -> LedgerFile:
        """The open file: the one we have, the one that came back, or a new one."""
        file = self._file
        if file is not None:
            if self._there():
                return file
            file.copy_to(self.path)
            self.close()
            self._said.append(f"{self.path}: was moved or deleted while in use; written again")
        if not self._there():
            head = Head(1, self.id, self.number, damaged=self.damaged)
            accounts = [(ACCOUNT, 0, disk, compress(dump)) for disk, dump in self._accounts.items()]
            self._file = LedgerFile.create(self.path, head, [*self._rows, *accounts])
            for row in self._rows:
                if row[0] != ACCOUNT:
                    self.recent.put(*row)
            self._rows = []
            self._sync()
            return self._file
        file, contents = LedgerFile.open(self.path)
        if (file.head.id, file.head.number) != (self.id, self.number):
            file.close()
            raise Unavailable(
                REPLACED,
                f"{self.path}: a ledger is there now that was not at the start; "
                "start the exporter again to take it up",
            )
        self._file = file
        self._take(file, contents)
        return file

    def _take(self, file: LedgerFile, contents: Contents) -> None:
        self.recent = contents.recent
        self.damaged = max(self.damaged, file.head.damaged)

    def _there(self) -> bool:
        """True if something is at the path; an empty file is nothing."""
        try:
            return self.path.stat().st_size > 0
        except (FileNotFoundError, NotADirectoryError):
            return False
        except OSError as refused:
            raise trouble(self.path, refused) from None

    def _set_aside(self) -> str:
        """Rename the damaged file, and the rollback journal beside it; the new name."""
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
        self.damaged += 1
        self._booker = Booker(self.keep_days)
        return name

    def _sync(self) -> None:
        try:
            sync_folder(self.path.parent)
        except OSError as refused:
            raise trouble(self.path, refused) from None

    def _mark(self, open: bool) -> None:
        if open and self._marked_open:
            return
        try:
            write_mark(self.mark_path, Mark(self.id, self.number, open, self.damaged))
        except OSError as refused:
            raise trouble(self.mark_path, refused) from None
        self._marked_open = open


def _words(path: Path, error: Exception) -> str:
    if isinstance(error, SpinledgerError):
        return str(error)
    return f"{path}: a bug in the exporter: {type(error).__name__}: {error}"
