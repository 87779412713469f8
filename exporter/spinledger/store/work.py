"""What a commit writes, and which sheets it touches.

Rules: a commit that failed is merged into the next, so nothing handed over is lost; entries are
sets in their sheets, so nothing is booked twice. A day's totals are written at the first commit of
the next day, at an orderly stop, and once an hour when its row is written anyway: a minute in which
only time went by writes accounts, not days.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from spinledger import facts
from spinledger.model import HOUR, SECOND, Entry, Gap, Reading
from spinledger.ports import Commit
from spinledger.store.file import ACCOUNT, DAY_ROW, DETAIL, Head, LedgerFile, Row
from spinledger.store.sheets import (
    CLOSED_LEVEL,
    OPEN_LEVEL,
    Sheet,
    Totals,
    compress,
    day_of,
    entry_day,
    kept,
)

MOST_ENTRIES = 200_000  # waiting for the file, when it cannot be written; then the oldest go
TOTALS_NS = HOUR

Dumps = dict[str, Mapping[str, object]]
Key = tuple[str, int, str]


@dataclass(slots=True)
class Pending:
    """What was booked and is not in the file: newest dumps by identity, entries in order."""

    dumps: Dumps = field(default_factory=dict)
    entries: list[Entry] = field(default_factory=list)

    def add(self, dumps: Mapping[str, Mapping[str, object]], entries: list[Entry]) -> None:
        """Take what came after."""
        self.dumps.update(dumps)
        self.entries += entries
        if len(self.entries) > MOST_ENTRIES:
            del self.entries[: MOST_ENTRIES // 10]

    def once(self) -> None:
        """Leave each entry there once; a caller may hand over again what it was told failed."""
        self.entries = list(dict.fromkeys(self.entries))


@dataclass(slots=True)
class Work:
    """A commit as the store thread gets it."""

    number: int
    at_ns: int
    wall_ns: int
    boot_id: str
    clean: bool
    pending: Pending
    totals: dict[str, Totals]

    @classmethod
    def of(cls, commit: Commit) -> Work:
        """The work of a commit."""
        return cls(
            commit.number,
            commit.at_ns,
            commit.wall_ns,
            commit.boot_id,
            commit.clean,
            Pending(dict(commit.accounts), [entry for entry in commit.entries if kept(entry)]),
            {disk: daily(totals) for disk, totals in commit.totals.items()},
        )


def daily(totals: facts.Totals) -> Totals:
    """What a day's row keeps of lifetime counters."""
    return {
        "state_seconds": {state.value: ns / SECOND for state, ns in totals.state_ns.items()},
        "cycles": {"yes": totals.cycles, "no": totals.unobserved_cycles},
    }


@dataclass(slots=True)
class Totalled:
    """A disk's last totals, which may not be in their sheet yet."""

    day: int
    wall_ns: int
    totals: Totals
    written_wall_ns: int | None  # when totals of this day were last put into its sheet


class Booker:
    """Puts work into a file; keeps the sheets of the present day decoded."""

    def __init__(self, keep_days: int) -> None:
        self._keep_days = keep_days
        self._sheets: dict[Key, Sheet] = {}
        self._totalled: dict[str, Totalled] = {}
        self._tidied: int | None = None  # the day on which old details were last dropped

    def write(self, file: LedgerFile, work: Work) -> list[Row]:
        """One transaction; the rows written. Raises Unavailable, and then nothing is changed."""
        head = file.head
        new = Head(
            head.version,
            head.id,
            work.number,
            work.at_ns,
            work.wall_ns,
            work.boot_id,
            work.clean,
            damaged=head.damaged,
        )
        today = day_of(work.wall_ns)
        written: list[Row] = []
        try:
            with file.transaction(new):
                for disk, dump in work.pending.dumps.items():
                    file.put(ACCOUNT, 0, disk, compress(dump))
                touched = self._book(file, work)
                totalled = self._total(file, work, today, touched)
                for key in sorted(touched | self._past(today)):
                    level = OPEN_LEVEL if key[1] == today else CLOSED_LEVEL
                    row = (*key, self._sheets[key].encode(level))
                    file.put(*row)
                    written.append(row)
                if self._tidied != today:
                    file.drop_details(self._keep_days)
        except BaseException:
            self._sheets.clear()
            raise
        self._totalled = totalled
        self._tidied = today
        self._sheets = {key: sheet for key, sheet in self._sheets.items() if key[1] == today}
        return written

    def _sheet(self, file: LedgerFile, key: Key) -> Sheet:
        sheet = self._sheets.get(key)
        if sheet is None:
            blob = file.get(*key)
            sheet = self._sheets[key] = Sheet() if blob is None else Sheet.decode(blob)
        return sheet

    def _past(self, today: int) -> set[Key]:
        """Sheets of other days that are still open: they are written once more, smaller."""
        return {key for key in self._sheets if key[1] != today}

    def _book(self, file: LedgerFile, work: Work) -> set[Key]:
        touched: set[Key] = set()
        offset_ns = work.wall_ns - work.at_ns
        for entry in work.pending.entries:
            day = entry_day(entry, offset_ns)
            key = (DAY_ROW if isinstance(entry, Gap) else DETAIL, day, entry.disk)
            self._sheet(file, key).add(entry)
            touched.add(key)
            if isinstance(entry, Reading) and entry.verdict == "accepted":
                key = (DAY_ROW, day, entry.disk)
                self._sheet(file, key).set_reading(entry)
                touched.add(key)
        return touched

    def _total(
        self, file: LedgerFile, work: Work, today: int, touched: set[Key]
    ) -> dict[str, Totalled]:
        totalled = dict(self._totalled)
        for disk, totals in work.totals.items():
            last = totalled.get(disk)
            if last is not None and last.day != today:
                self._put_totals(file, disk, last, touched)
                last = None
            written = last.written_wall_ns if last else None
            totalled[disk] = Totalled(today, work.wall_ns, totals, written)
        for disk, last in totalled.items():
            written = last.written_wall_ns
            due = written is None or abs(work.wall_ns - written) >= TOTALS_NS
            touch = (DAY_ROW, last.day, disk) in touched
            if (touch and due) or (work.clean and last.day == today):
                self._put_totals(file, disk, last, touched)
                totalled[disk] = replace(last, written_wall_ns=work.wall_ns)
        return totalled

    def _put_totals(self, file: LedgerFile, disk: str, last: Totalled, touched: set[Key]) -> None:
        key = (DAY_ROW, last.day, disk)
        self._sheet(file, key).set_totals(last.totals, last.wall_ns)
        touched.add(key)
