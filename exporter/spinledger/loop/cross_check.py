"""The cross-check by smartctl during a run: when it may start, and what came of it.

Rules: one disk is checked at a time. A check starts only in a sample in which others moved the
disk's sectors, and those of every watched disk that holds smartctl's files, since a program that
starts is read from there. Whatever comes of it is counted, also where the disk has gone meanwhile.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from spinledger import sampler
from spinledger.ledger.account import Account
from spinledger.model import Disk
from spinledger.ports import TROUBLES, CrossChecked, CrossChecker

READ = "read"  # it gave counters


@dataclass(slots=True)
class CrossChecking:
    """The cross-checker, the disk it reads, and its results so far."""

    reader: CrossChecker
    holders: Callable[[Sequence[Disk]], frozenset[str]] | None = None  # disks under its files
    held_by: frozenset[str] = frozenset()
    disk: str = ""
    results: dict[str, int] = field(default_factory=dict)  # `read`, or a trouble

    def survey(self, disks: Sequence[Disk]) -> None:
        """These disks are here."""
        if self.holders is not None:
            self.held_by = self.holders(disks)

    def free(self, accounts: Mapping[str, Account]) -> bool:
        """True where it could start now."""
        holders = (accounts[name] for name in self.held_by if name in accounts)
        return not self.disk and all(sampler.others_move(one) for one in holders if one.present)

    def start(self, account: Account, accounts: Mapping[str, Account], now_ns: int) -> bool:
        """Hand a disk over, where that is due and allowed; True while it is being read."""
        if not sampler.cross_check_due(account, now_ns) or not self.free(accounts):
            return False
        sampler.note_cross_check(account, now_ns)
        if not self.reader.start(account.disk, now_ns):
            sampler.note_cross_checked(account)
            return False
        self.disk = account.disk.identity
        return True

    def late(self, now_ns: int) -> bool:
        """True when it has a result although its descriptor is not readable."""
        due_ns = self.reader.due_ns()
        return due_ns is not None and now_ns >= due_ns

    def ended(self, fact: CrossChecked) -> None:
        """It is free again."""
        result = fact.trouble or READ
        self.results[result] = self.results.get(result, 0) + 1
        self.disk = ""

    def counts(self, accounts: Mapping[str, Account]) -> Mapping[str, int] | None:
        """Runs by result, from zero; None while it is off."""
        if not any(account.policy.cadence.cross_check_ns for account in accounts.values()):
            return None
        return {name: self.results.get(name, 0) for name in (READ, *TROUBLES)}
