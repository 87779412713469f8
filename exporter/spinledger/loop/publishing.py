"""From accounts to snapshots, for whoever wants one.

Rules: a snapshot is frozen and whole. Facts that only time has changed may be some tenths of a
second old. After a stop that lost something exported counters begin at zero together, and are held
at zero until scrapers have had time to read them: these see a fall to zero, never to what came
after.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from operator import attrgetter

from spinledger.facts import DiskView, ExporterFacts, Facts, Snapshot
from spinledger.findings.judge import judge, missing
from spinledger.findings.limits import STALE_NS
from spinledger.ledger.account import Account
from spinledger.ledger.summary import lifetime, summary
from spinledger.model import SECOND, Counted, Watch
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
        views = judge([self._facts(account, now_ns) for account in here])
        gone = tuple(
            self._gone(account, views, wall_ns)
            for account in accounts
            if not account.present and account.policy.watch is not Watch.OFF
        )
        self.changed.clear()
        for account, view in zip(here, views, strict=True):
            account.found = {one.code: one.since_wall_ns or wall_ns for one in view.findings}
        snapshot = Snapshot(self.number, now_ns, wall_ns, views, exporter, gone)
        for publisher in wanting:
            publisher.publish(snapshot)

    def _facts(self, account: Account, now_ns: int) -> Facts:
        identity = account.disk.identity
        made_ns, facts = self.made.get(identity, (0, None))
        if facts is None or identity in self.changed or now_ns - made_ns >= KEPT_NS:
            facts = summary(account)
            self.made[identity] = now_ns, facts
        return _aged(facts, now_ns)

    def _gone(self, account: Account, here: Sequence[DiskView], wall_ns: int) -> DiskView:
        """A disk that is not here: its last facts, which only a change of its account changes."""
        identity = account.disk.identity
        if identity in self.changed or identity not in self.made:
            self.made[identity] = 0, summary(account)
        since_ns = account.absent_since_wall_ns or wall_ns
        new = tuple(
            f"{one.disk.model} {one.disk.serial} ({one.disk.kernel_name})"
            for one in here
            if one.facts.awake is None
            or one.facts.sampled_wall_ns - one.facts.awake.watched_ns > since_ns
        )
        _, facts = self.made[identity]
        return missing(
            replace(
                facts,
                absent_ns=wall_ns - since_ns,
                new_since=new,
                found_wall_ns={"absent": since_ns},
            )
        )

    def _begin_at_zero(self, accounts: Sequence[Account]) -> None:
        if any(publisher.taken() for publisher in self.publishers):
            self.from_zero = False
            return
        for account in accounts:
            account.base = lifetime(account)


def aged(snapshot: Snapshot, now_ns: int) -> Snapshot:
    """The snapshot as it is to be judged at a later time of the boot clock."""
    if now_ns - snapshot.at_ns < STALE_NS:
        return snapshot
    views = judge([_aged(view.facts, now_ns) for view in snapshot.disks])
    return replace(snapshot, disks=views)


def _aged(facts: Facts, now_ns: int) -> Facts:
    unsampled_ns = now_ns - facts.sampled_ns
    return facts if unsampled_ns < STALE_NS else replace(facts, unsampled_ns=unsampled_ns)


_moving = attrgetter(
    "requests", "sectors_read", "sectors_written", "flushes", "in_flight", "runtime_status"
)


def differ(before: Counted, fact: Counted) -> bool:
    """True when anything moved at all."""
    return fact.in_flight > 0 or _moving(fact) != _moving(before)
