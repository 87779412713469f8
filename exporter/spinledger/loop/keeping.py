"""What the loop keeps of its accounts: the live journal each tick, the ledger file now and then.

Rules: a tick is in the live journal before it is published. A commit is handed over at the end of
a span and every 60 s, one at a time; the store keeps what a failed one held. Where a watched
disk holds the file, a commit waits for somebody else's I/O on that disk and happens once in each
of its awake periods, so that our own records neither wakes it nor keeps it awake.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from spinledger.facts import LedgerFacts
from spinledger.ledger import dumps, recording
from spinledger.ledger.account import Account
from spinledger.ledger.summary import lifetime
from spinledger.model import (
    MINUTE,
    Cycle,
    Disk,
    Entry,
    Explained,
    Gap,
    Policy,
    Reading,
    Span,
    State,
    Tick,
)
from spinledger.ports import Commit, QuietHours, Restored, Store

COMMIT_NS = MINUTE
KEPT_GAP_NS = MINUTE
"""Shorter gaps are not kept one by one: no standby timer is that short."""


@dataclass(slots=True)
class Keeping:
    """The store side of a run."""

    store: Store
    restored: Restored  # what the store gave back at the start
    every_ns: int = COMMIT_NS
    at_turns: bool = True  # also at the end of a span
    live: bool = True  # keep every tick in the live journal
    number: int = field(init=False)  # of the last commit handed over
    handed_ns: int | None = None
    changed: set[str] = field(default_factory=set)  # accounts to note
    unsaved: set[str] = field(default_factory=set)  # accounts to commit
    fresh: list[Entry] = field(default_factory=list)  # entries to note
    entries: list[Entry] = field(default_factory=list)  # entries to commit
    in_flight: bool = False
    turned: bool = False  # a span ended since the last commit
    deferred: bool = False  # a commit waits on purpose: for the ledger's own disk, or `every_ns`
    holders_of: Callable[[Sequence[Disk]], frozenset[str]] | None = None
    holders: frozenset[str] = frozenset()  # watched disks that hold the file
    written_in: dict[str, int] = field(default_factory=dict)  # holder -> awake period written in
    settling: bool = False  # our own writes may still move a holder's sectors

    def __post_init__(self) -> None:
        self.number = self.restored.number

    def survey(self, disks: Sequence[Disk]) -> None:
        """These disks are here."""
        if self.holders_of is not None:
            self.holders = self.holders_of(disks)

    def recorded(self, identity: str, entries: Sequence[Entry]) -> None:
        """These entries were recorded for a disk."""
        self.changed.add(identity)
        for entry in entries:
            if _kept(entry):
                self.fresh.append(entry)
                self.turned = self.turned or isinstance(entry, Span)

    def note(self, accounts: Mapping[str, Account], tick: Tick) -> None:
        """Keep this tick in the live journal."""
        if self.live:
            names = sorted(self.changed & accounts.keys())
            dumped = {name: dumps.dump(accounts[name]) for name in names}
            self.store.note(tick.at_ns, tick.wall_ns, dumped, self.fresh)
        self.entries += self.fresh
        self.unsaved |= self.changed
        self.fresh = []
        self.changed = set()

    def commit_if_due(self, accounts: Mapping[str, Account], tick: Tick) -> None:
        """Hand over a commit when one is due, may happen, and none is in flight."""
        if self.handed_ns is None:
            self.handed_ns = tick.at_ns
        waited_ns = tick.at_ns - self.handed_ns
        due = (self.turned and self.at_turns) or waited_ns >= self.every_ns
        may = self._may_write(accounts)
        self.deferred = not may if due else waited_ns >= COMMIT_NS
        if due and may and not self.in_flight:
            self._hand_over(accounts, tick, clean=False)

    def finish(self, accounts: Mapping[str, Account], tick: Tick) -> None:
        """The last commit of an orderly stop."""
        self.note(accounts, tick)
        if self.in_flight:
            self.store.settle()
            self.landed()
        self._hand_over(accounts, tick, clean=True)

    def landed(self) -> None:
        """Take note of commits that ended."""
        for _ in self.store.finished():
            self.in_flight = False

    def ours(self, identity: str) -> bool:
        """True while movement on that disk may be our own writing."""
        return self.settling and identity in self.holders

    def ticked(self) -> None:
        """A tick has read all counters: what was written before it has been seen."""
        if not self.in_flight:
            self.settling = False

    def facts(self) -> LedgerFacts:
        """How the ledger file is."""
        status = self.store.status()
        return LedgerFacts(
            committed_wall_ns=status.committed_wall_ns,
            file_bytes=status.file_bytes,
            damaged=status.damaged,
            deferred=self.deferred,
            write_failing=bool(status.trouble),
        )

    def _may_write(self, accounts: Mapping[str, Account]) -> bool:
        """Every watched disk under the file is in use by others, and not yet written to since."""
        for name in self.holders:
            account = accounts.get(name)
            if account is None or not account.present:
                continue
            if account.state is not State.ACTIVE or account.io_ns != account.at_ns:
                return False
            if self.written_in.get(name) == account.span_began_ns:
                return False
        return True

    def _hand_over(self, accounts: Mapping[str, Account], tick: Tick, clean: bool) -> None:
        saved = {name: accounts[name] for name in sorted(self.unsaved) if name in accounts}
        commit = Commit(
            number=self.number + 1,
            at_ns=tick.at_ns,
            wall_ns=tick.wall_ns,
            boot_id=tick.boot_id,
            clean=clean,
            accounts={name: dumps.dump(account) for name, account in saved.items()},
            totals={name: lifetime(account) for name, account in saved.items()},
            entries=tuple(self.entries),
        )
        if not self.store.commit(commit):
            return
        self.number += 1
        self.handed_ns = tick.at_ns
        self.in_flight = True
        self.entries = []
        self.unsaved = set()
        self.turned = False
        self.settling = True
        for name in self.holders:
            if name in accounts:
                self.written_in[name] = accounts[name].span_began_ns


@dataclass(frozen=True, slots=True)
class Reopened:
    """Accounts as they were kept, moved to this boot's clock."""

    accounts: dict[str, Account]
    lost: str  # why exported counters restart from zero; "" when nothing was lost


def reopen(
    keeping: Keeping,
    tick: Tick,
    policy: Callable[[Disk], Policy],
    calendar: Callable[[Policy], QuietHours | None],
    identity: Callable[[str], str] = lambda name: name,
) -> Reopened:
    """Restore the accounts, each under its present identity; all are absent.

    The time up to now is unobserved. What was recorded stays under the policy that was in force
    then; the one of now holds from the last record on.
    """
    kept = keeping.restored
    same_boot = kept.boot_id == tick.boot_id and kept.at_ns <= tick.at_ns
    # Where the wall clock was set back (a host that boots in 1970), the time down is not known.
    down_ns = max(0, tick.wall_ns - kept.wall_ns)
    offset_ns = 0 if same_boot else tick.at_ns - down_ns - kept.at_ns
    accounts = {name: dumps.load(dumped) for name, dumped in kept.accounts.items()}
    for name, account in accounts.items():
        account.folds.recent_cycles.load(kept.recent_cycles.get(name, ()))
    accounts = identified(accounts, identity)
    for name, account in accounts.items():
        account.calendar = calendar(account.policy)
        entries = recording.coast(account, kept.at_ns)
        dumps.rebase(account, offset_ns)
        wanted = policy(account.disk)
        entries += recording.adopt(account, wanted, calendar(wanted))
        entries += recording.resume(account, tick, same_boot)
        keeping.recorded(name, entries)
    return Reopened(accounts, kept.lost)


def identified(
    accounts: Mapping[str, Account], identity: Callable[[str], str]
) -> dict[str, Account]:
    """The accounts by present identity: one kept under an earlier identity of a disk goes on under
    the present one, unless that has an account of its own.
    """
    found = {name: account for name, account in accounts.items() if identity(name) == name}
    for name, account in accounts.items():
        present = identity(name)
        if present not in found:
            account.disk = replace(account.disk, identity=present)
            found[present] = account
    return found


def _kept(entry: Entry) -> bool:
    if isinstance(entry, Gap):
        return entry.ended_ns - entry.began_ns >= KEPT_GAP_NS
    return isinstance(entry, Span | Cycle | Explained | Reading)
