"""From accounts to snapshots, for whoever wants one.

Rules: a snapshot is frozen and whole. Facts that only time has changed may be some tenths of a
second old. After a stop that lost something exported counters begin at zero together, and are held
at zero until somebody has read them: a reader sees its counters fall to zero, never to what came
after.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from spinledger.facts import ExporterFacts, Facts, Snapshot
from spinledger.findings.judge import judge
from spinledger.ledger.account import Account
from spinledger.ledger.summary import lifetime, summary
from spinledger.model import SECOND
from spinledger.ports import Publisher

KEPT_NS = SECOND // 2
"""Facts that only time has changed are kept this long, where disks are sampled more often."""


@dataclass(slots=True)
class Publishing:
    """The publishers, and the newest facts of each disk."""

    publishers: Sequence[Publisher]
    from_zero: bool = False  # exported counters begin at zero, and nobody has read that yet
    number: int = 0
    changed: set[str] = field(default_factory=set)  # disks of which more than time has passed
    made: dict[str, tuple[int, Facts]] = field(default_factory=dict)  # when, and what

    def wanting(self, now_ns: int, force: bool) -> list[Publisher]:
        """Who would use a snapshot now."""
        return [one for one in self.publishers if force or one.wants(now_ns)]

    def publish(
        self,
        wanting: Iterable[Publisher],
        accounts: Sequence[Account],
        exporter: ExporterFacts,
        now_ns: int,
        wall_ns: int,
    ) -> None:
        """Hand a snapshot of the disks that are here to those publishers."""
        if self.from_zero:
            self._begin_at_zero(accounts)
            self.made.clear()
        self.number += 1
        here = [account for account in accounts if account.present]
        every = [self._facts(account, now_ns) for account in here]
        self.changed.clear()
        snapshot = Snapshot(self.number, now_ns, wall_ns, judge(every), exporter)
        for publisher in wanting:
            publisher.publish(snapshot)

    def _facts(self, account: Account, now_ns: int) -> Facts:
        identity = account.disk.identity
        made_ns, facts = self.made.get(identity, (0, None))
        if facts is None or identity in self.changed or now_ns - made_ns >= KEPT_NS:
            facts = summary(account)
            self.made[identity] = now_ns, facts
        return facts

    def _begin_at_zero(self, accounts: Sequence[Account]) -> None:
        if any(publisher.taken() for publisher in self.publishers):
            self.from_zero = False
            return
        for account in accounts:
            account.base = lifetime(account)
