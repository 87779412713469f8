"""What woke a disk: the source of that is given the disks in standby, and its reports are recorded.

Rules: a report may come before or after its spin-up is recorded; `ledger.spinups` joins them. A
disk is watched from the sample or answer on in which it is known to be in standby.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from spinledger.ledger import recording, spinups
from spinledger.ledger.account import Account
from spinledger.model import Entry, State
from spinledger.ports import Source, WakeSource

Recorded = Callable[[str, Sequence[Entry]], None]


@dataclass(slots=True)
class WakeTracing:
    """The source, if there is one, and the disks it watches."""

    source: WakeSource | None
    watched: frozenset[str] = field(default_factory=frozenset)

    def sources(self, others: Sequence[Source]) -> list[Source]:
        """What to wait for: the prober may be the source as well."""
        if self.source is None or any(one is self.source for one in others):
            return []
        return [self.source]

    def take(
        self,
        accounts: Mapping[str, Account],
        identity: Callable[[str], str],
        now_ns: int,
        recorded: Recorded,
    ) -> bool:
        """Record what was reported since the last call, then say which disks are in standby now.

        True where something was recorded.
        """
        if self.source is None:
            return False
        anything = False
        for woken in self.source.woken(now_ns):
            account = accounts.get(identity(woken.disk))
            if account is not None:
                recorded(account.disk.identity, recording.record_woken(account, woken))
                anything = True
        for name, count in self.source.lost().items():
            account = accounts.get(identity(name))
            if account is not None and spinups.lost(account, count):
                recorded(account.disk.identity, ())
                anything = True
        self._watch(accounts, self.source)
        return anything

    def _watch(self, accounts: Mapping[str, Account], source: WakeSource) -> None:
        asleep = {
            name: account.disk
            for name, account in accounts.items()
            if account.present and account.state is State.STANDBY
        }
        for account in accounts.values():
            account.traced = not source.untraced()
        if self.watched != asleep.keys():
            self.watched = frozenset(asleep)
            source.watch(asleep)
