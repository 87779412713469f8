"""The store that keeps nothing: `--ledger memory`.

Rules: no file, no live journal; the newest 31 days of entries are held for /history. A commit ends
at once. Nothing is ever restored, so nothing is ever lost.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress

from spinledger.model import Entry, Gap
from spinledger.ports import Commit, Restored, StoreStatus
from spinledger.store.file import DAY_ROW, DETAIL
from spinledger.store.history import History
from spinledger.store.recent import Recent
from spinledger.store.sheets import Sheet, day_of, entry_day, kept
from spinledger.store.work import Dumps, Key, daily


class MemoryStore:
    """ports.Store without a file."""

    def __init__(self) -> None:
        self._event = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._ended: list[tuple[int, bool]] = []
        self._recent = Recent()
        self._noted: list[Entry] = []
        self._open: dict[Key, Sheet] = {}
        self._accounts: Dumps = {}
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
        self._noted += [entry for entry in entries if kept(entry)]

    def commit(self, commit: Commit) -> bool:
        """Put the entries into sheets; always True."""
        offset_ns = commit.wall_ns - commit.at_ns
        today = day_of(commit.wall_ns)
        touched: set[Key] = set()
        for entry in commit.entries:
            if kept(entry):
                kind = DAY_ROW if isinstance(entry, Gap) else DETAIL
                key = (kind, entry_day(entry, offset_ns), entry.disk)
                self._sheet(key).add(entry)
                touched.add(key)
        for disk, totals in commit.totals.items():
            key = (DAY_ROW, today, disk)
            self._sheet(key).set_totals(daily(totals), commit.wall_ns)
            touched.add(key)
        for key in touched:
            self._recent.put(*key, self._open[key].encode())
        self._open = {key: sheet for key, sheet in self._open.items() if key[1] == today}
        self._noted = []
        self._ended.append((commit.number, True))
        os.eventfd_write(self._event, 1)
        return True

    def _sheet(self, key: Key) -> Sheet:
        sheet = self._open.get(key)
        if sheet is None:
            blob = self._recent.get(*key)
            sheet = self._open[key] = Sheet() if blob is None else Sheet.decode(blob)
        return sheet

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
        noted = list(self._noted)  # before the sheets, so that nothing is missed
        return History(self._recent.rows, noted, self._offset_ns, dict(self._accounts), self._at_ns)

    def remembered(self) -> History:
        """The same: there is nothing but memory."""
        return self.history()
