"""The second reader's side of a run: when it may start, and what came of it.

Rules: one disk at a time is with it. It is started only in a sample in which others moved the
disk's sectors, and those of every watched disk that holds its own files, since a program that
starts is read from there. Whatever comes of it is counted, also where the disk has gone meanwhile.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from spinledger import sampler
from spinledger.ledger.account import Account
from spinledger.model import Disk, Labels, Number
from spinledger.ports import TROUBLES, CrossChecked, CrossChecker

READ = "read"  # it gave counters


@dataclass(slots=True)
class CrossChecking:
    """The second reader, the disk it is at, and its results so far."""

    reader: CrossChecker
    bearers: Callable[[Sequence[Disk]], frozenset[str]] | None = None  # disks under its files
    borne_by: frozenset[str] = frozenset()
    disk: str = ""
    results: dict[str, int] = field(default_factory=dict)  # `read`, or a trouble

    def survey(self, disks: Sequence[Disk]) -> None:
        """These disks are here."""
        if self.bearers is not None:
            self.borne_by = self.bearers(disks)

    def free(self, accounts: Mapping[str, Account]) -> bool:
        """True where it could start now."""
        bearers = (accounts[name] for name in self.borne_by if name in accounts)
        return not self.disk and all(sampler.others_move(one) for one in bearers if one.present)

    def start(self, account: Account, accounts: Mapping[str, Account], now_ns: int) -> bool:
        """Hand a disk over, where that is due and may be; True while it is being read."""
        if not sampler.cross_check_due(account, now_ns) or not self.free(accounts):
            return False
        sampler.note_cross_check(account, now_ns)
        if not self.reader.start(account.disk, now_ns):
            sampler.note_cross_checked(account)
            return False
        self.disk = account.disk.identity
        return True

    def late(self, now_ns: int) -> bool:
        """True when it has something to say though nothing was heard of it."""
        due_ns = self.reader.due_ns()
        return due_ns is not None and now_ns >= due_ns

    def ended(self, fact: CrossChecked) -> None:
        """It is free again."""
        result = fact.trouble or READ
        self.results[result] = self.results.get(result, 0) + 1
        self.disk = ""

    def samples(self, accounts: Mapping[str, Account]) -> Mapping[str, Mapping[Labels, Number]]:
        """The series about it, from zero; none while it is off."""
        if not any(account.policy.cadence.cross_check_ns for account in accounts.values()):
            return {}
        return {
            "wear_cross_checks": {(name,): self.results.get(name, 0) for name in (READ, *TROUBLES)}
        }
