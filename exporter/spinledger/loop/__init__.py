"""The only driver: waits on the clock and the ports, reads, books, asks, publishes.

Rules: nothing here knows whether a port is real or simulated. One tick reads the free signals of
every disk, books them, then puts the questions that are due. Lateness is decided here: a question
past its deadline is booked as a timeout while the command itself goes on. A disk that fails in
any way costs the others nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from spinledger import sampler
from spinledger.codec.reply import STATE_PROBES
from spinledger.config.current import CurrentConfig, say
from spinledger.findings.judge import pool_findings
from spinledger.ledger import recording
from spinledger.ledger.account import Account, may_read
from spinledger.ledger.facts import lifetime, view
from spinledger.ledger.folds import folds
from spinledger.loop.cross_check import CrossChecking
from spinledger.loop.keeping import Keeping, reopen
from spinledger.model import (
    SECOND,
    Answered,
    Counted,
    Disk,
    DiskView,
    Entry,
    Gone,
    Labels,
    Number,
    Policy,
    Probe,
    Reason,
    Refused,
    Seen,
    Snapshot,
    Tick,
    Watch,
)
from spinledger.ports import (
    Clock,
    Counters,
    CrossChecked,
    Discoverer,
    Fold,
    Prober,
    Publisher,
    QuietHours,
    Source,
)
from spinledger.wear.reading import one_per_spindle

Samples = Mapping[str, Mapping[Labels, Number]]

VIEW_NS = SECOND // 2
"""A view that only time has changed is kept this long, where disks are looked at more often."""


@dataclass(slots=True)
class Ports:
    """What the loop drives; app decides which are real."""

    clock: Clock
    discoverer: Discoverer
    counters: Counters
    prober: Prober
    publishers: Sequence[Publisher]
    wakers: Sequence[Source] = ()  # signals: they only end a wait


@dataclass(slots=True)
class Wishes:
    """What the owner wants, as functions of the disk; app makes them from the configuration."""

    policy: Callable[[Disk], Policy]
    folds: Callable[[Disk, Policy], Sequence[Fold]]
    calendar: Callable[[Policy], QuietHours | None]
    exporter: Callable[[], Samples]  # samples of the exporter itself
    say: Callable[[str], None]  # one line for the operator


def wishes(current: CurrentConfig) -> Wishes:
    """Those of the configuration in force."""
    return Wishes(current.policy, folds, current.quiet_hours, current.samples, say)


@dataclass(slots=True)
class Loop:
    """The state of a run: accounts by identity, and what is on its way."""

    ports: Ports
    wishes: Wishes
    fast_ns: int
    accounts: dict[str, Account] = field(default_factory=dict)
    stopping: bool = False
    number: int = 0
    probes: int = 0
    skipped: tuple[tuple[str, str], ...] = ()
    keeping: Keeping | None = None
    reading: str = ""  # the disk whose own counters are being read; one at a time
    cross_checking: CrossChecking | None = None
    from_zero: bool = False  # exported counters begin at zero, which nobody has been shown yet
    holders: Callable[[Sequence[Disk]], frozenset[str]] | None = None  # disks under the ledger
    wear_read_disks: frozenset[str] = (
        frozenset()
    )  # disks whose own counters are read: one a spindle
    recorded: Callable[[Sequence[Entry]], None] | None = None
    said_once: set[str] = field(default_factory=set)
    views: dict[str, tuple[int, DiskView]] = field(default_factory=dict)  # when made, and what
    stale: set[str] = field(default_factory=set)  # disks of which more than time has passed

    def run(self, until_ns: int | None = None) -> None:
        """Go on until `stopping`, or until the boot clock reads `until_ns`."""
        clock = self.ports.clock
        self.begin()
        self.publish(clock.now(), force=True)
        due_ns = clock.now()
        while not self.stopping:
            now_ns = clock.now()
            if until_ns is not None and now_ns >= until_ns:
                break
            if now_ns >= due_ns:
                self.tick(now_ns)
                due_ns += self.fast_ns
                if due_ns <= clock.now() - self.fast_ns:
                    due_ns = clock.now() + self.fast_ns
            self.listen(self._wake_ns(due_ns, until_ns))
        if self.keeping is not None:
            self.keeping.finish(self.accounts, self._tick(clock.now()))
        self.publish(clock.now(), force=True)

    def begin(self) -> None:
        """Open the accounts that were kept, then find the disks."""
        now_ns = self.ports.clock.now()
        if self.keeping is not None:
            wishes = self.wishes
            reopened = reopen(
                self.keeping, self._tick(now_ns), wishes.policy, wishes.folds, wishes.calendar
            )
            self.accounts = reopened.accounts
            if reopened.lost:
                self.from_zero = True
                wishes.say(f"exported counters begin at zero again: {reopened.lost}")
        found, self.skipped = _scan(self.ports.discoverer, now_ns)
        seen = tuple(found)
        for fact in seen:
            self.record_seen(fact)
        # In the order of discovery, as in a first run: disks take turns at being read.
        order = [one.disk.identity for one in seen if one.disk.identity in self.accounts]
        self.accounts = {name: self.accounts[name] for name in (*order, *self.accounts)}
        self._survey()
        self._note(now_ns)

    def tick(self, now_ns: int) -> None:
        """Free signals of all disks, then the questions that are due, then a snapshot."""
        self._count_all(now_ns)
        cross_check_free = self.cross_checking is not None and self.cross_checking.free(
            self.accounts
        )
        for account in self.accounts.values():
            self._deadline(account, now_ns)
            probe = sampler.plan(account, now_ns, self.probes + 1)
            if probe is None and not self.reading and account.disk.identity in self.wear_read_disks:
                probe = sampler.plan_reading(account, now_ns, self.probes + 1, cross_check_free)
                if probe is not None:
                    self.reading = probe.disk
                else:
                    self._start_second(account, now_ns)
            if probe is not None:
                self._send(account, probe)
        self._note(now_ns)
        self.publish(now_ns)
        if self.keeping is not None:
            self.keeping.ticked()
            self.keeping.commit_if_due(self.accounts, self._tick(now_ns))

    def listen(self, until_ns: int) -> None:
        """Wait, then take what arrived."""
        ports = self.ports
        sources: list[Source] = [ports.prober, ports.discoverer, *ports.wakers]
        if self.keeping is not None:
            sources.append(self.keeping.store)
        if self.cross_checking is not None:
            sources.append(self.cross_checking.reader)
        ready = ports.clock.wait(until_ns, sources)
        now_ns = ports.clock.now()
        if self.cross_checking is not None:
            self._hear_second(self.cross_checking, ready, now_ns)
        if ports.prober in ready:
            changed = False
            for answered in ports.prober.replies(now_ns):
                changed = self.record_answered(answered) or changed
            if changed:
                self._note(now_ns)
                self.publish(now_ns)
        if self.keeping is not None and self.keeping.store in ready:
            self.keeping.landed()
        if ports.discoverer in ready:
            for change in ports.discoverer.changes(now_ns):
                if isinstance(change, Seen):
                    self.record_seen(change)
                else:
                    self.record_gone(change)
            self._survey()
            self._note(now_ns)

    def record_seen(self, fact: Seen) -> None:
        """A disk is here: open its account, or go on with the one it has."""
        disk = fact.disk
        policy = self.wishes.policy(disk)
        if policy.watch is Watch.OFF:
            return
        account = self.accounts.get(disk.identity)
        if account is None:
            tick = self._tick(fact.at_ns)
            folds = self.wishes.folds(disk, policy)
            account = recording.open_account(
                disk, policy, tick, folds, self.wishes.calendar(policy)
            )
            self.accounts[disk.identity] = account
            self._recorded(disk.identity, ())
            return
        if account.disk != disk or not account.present:
            self.ports.counters.forget(disk.identity)
            self.ports.prober.forget(account.disk)
            sampler.note_seen(account)
        self._recorded(disk.identity, recording.record_seen(account, disk, fact.at_ns))
        account.policy = policy

    def record_gone(self, fact: Gone) -> None:
        """A disk went: its account waits for it."""
        account = self.accounts.get(fact.identity)
        if account is not None:
            self._lose(account, fact.at_ns)

    def record_answered(self, fact: Answered) -> bool:
        """An answer; False when nobody waits for it."""
        account = self.accounts.get(fact.probe.disk)
        if account is None or account.habit.pending != fact.probe:
            return False
        before = account.state
        self._recorded(fact.probe.disk, recording.record_answered(account, fact))
        sampler.note_answered(account, fact, before)
        if self.reading == fact.probe.disk and fact.probe.command not in STATE_PROBES:
            self._read_on(account, fact.at_ns)
        elif isinstance(fact.reply, Refused):
            self._say_refused(account, fact.reply)
        return True

    def record_cross_check(self, fact: CrossChecked) -> None:
        """What came of the second reader, where it is still waited for."""
        if self.reading == fact.disk:
            self.reading = ""
        account = self.accounts.get(fact.disk)
        compared = None if account is None else sampler.note_cross_checked(account)
        if account is None or compared is None:
            return
        if fact.trouble:
            self._say_once(account, "second reader", fact.trouble, fact.detail)
        self._recorded(
            fact.disk, () if fact.trouble else recording.record_cross_check(account, compared, fact)
        )

    def observe(self, now_ns: int) -> None:
        """Free signals of all disks and a snapshot, without a question."""
        self._count_all(now_ns)
        self.publish(now_ns)

    def refresh_policies(self) -> None:
        """The owner's wishes changed: take them over, the books go on."""
        for account in self.accounts.values():
            account.policy = self.wishes.policy(account.disk)
            self.stale.add(account.disk.identity)
            recording.set_quiet_hours(account, self.wishes.calendar(account.policy))
        self._survey()

    def publish(self, now_ns: int, force: bool = False) -> None:
        """Hand a snapshot to the publishers that want one."""
        wanting = [p for p in self.ports.publishers if force or p.wants(now_ns)]
        if not wanting:
            return
        if self.from_zero:
            self._begin_at_zero()
            force = True
        self.number += 1
        views = self._views(now_ns, force)
        snapshot = Snapshot(
            number=self.number,
            at_ns=now_ns,
            wall_ns=self.ports.clock.wall(),
            committed_ns=self._committed_ns(),
            disks=pool_findings(views),
            exporter={**self.wishes.exporter(), **self._own_samples(len(views))},
            skipped=self.skipped,
        )
        for publisher in wanting:
            publisher.publish(snapshot)

    def _views(self, now_ns: int, force: bool) -> list[DiskView]:
        """A view of each disk here; one in which only time passed may be some seconds old."""
        present = [account for account in self.accounts.values() if account.present]
        for account in present:
            identity = account.disk.identity
            made_ns, _ = self.views.get(identity, (None, None))
            if force or identity in self.stale or made_ns is None or now_ns - made_ns >= VIEW_NS:
                self.views[identity] = now_ns, view(account)
        self.stale.clear()
        return [self.views[account.disk.identity][1] for account in present]

    def _begin_at_zero(self) -> None:
        """After a stop that lost something: show zeros until somebody has seen them.

        So a reader sees its counters fall to zero itself, never to what came after.
        """
        if any(publisher.taken() for publisher in self.ports.publishers):
            self.from_zero = False
            return
        for account in self.accounts.values():
            account.base = lifetime(account)

    def _own_samples(self, watched: int) -> Samples:
        skipped: dict[Labels, Number] = {}
        for _, reason in self.skipped:
            skipped[(reason,)] = skipped.get((reason,), 0) + 1
        absent: dict[Labels, Number] = {
            (account.disk.identity,): account.absent_since_wall_ns / SECOND
            for account in self.accounts.values()
            if account.absent_since_wall_ns is not None
        }
        kept = {} if self.keeping is None else self.keeping.samples()
        reread = {} if self.cross_checking is None else self.cross_checking.samples(self.accounts)
        return {
            **kept,
            **reread,
            "disks_watched": {(): watched},
            "disks_skipped": skipped,
            "absent_since": absent,
        }

    def _committed_ns(self) -> int:
        """The last commit's time by the boot clock; 0: none."""
        if self.keeping is None:
            return 0
        wall_ns = self.keeping.store.status().committed_wall_ns
        clock = self.ports.clock
        return clock.now() - (clock.wall() - wall_ns) if wall_ns else 0

    def _tick(self, now_ns: int) -> Tick:
        clock = self.ports.clock
        return Tick(now_ns, clock.wall(), clock.boot_id(), clock.suspended())

    def _note(self, now_ns: int) -> None:
        """Keep what was booked before anybody may see it."""
        if self.keeping is not None:
            self.keeping.note(self.accounts, self._tick(now_ns))

    def _survey(self) -> None:
        """What depends on which disks are here."""
        present = [account for account in self.accounts.values() if account.present]
        disks = [account.disk for account in present]
        if self.keeping is not None and self.holders is not None:
            self.keeping.holders = self.holders(disks)
        if self.cross_checking is not None:
            self.cross_checking.survey(disks)
        self.wear_read_disks = one_per_spindle(
            [account.disk for account in present if may_read(account)]
        )

    def _count_all(self, now_ns: int) -> None:
        tick = self._tick(now_ns)
        for account in self.accounts.values():
            if account.present:
                self._count(account, tick)

    def _count(self, account: Account, tick: Tick) -> None:
        fact = self.ports.counters.read(account.disk, tick.at_ns)
        if fact is None:
            self._lose(account, tick.at_ns)
            return
        before = account.counted
        ours = self.keeping is not None and self.keeping.ours(account.disk.identity)
        entries = recording.record_tick(account, tick)
        entries += recording.record_counted(account, fact, ours)
        sampler.note_counted(account, before, fact, ours)
        if entries or before is None or _differ(before, fact):
            self._recorded(account.disk.identity, entries)

    def _deadline(self, account: Account, now_ns: int) -> None:
        probe = account.habit.pending
        if probe is None or account.habit.mute or now_ns < probe.deadline_ns:
            return
        late = Answered(probe, now_ns, Refused(Reason.TIMEOUT), now_ns - probe.sent_ns)
        self._recorded(probe.disk, recording.record_answered(account, late))
        sampler.note_late(account)
        if self.reading == probe.disk and probe.command not in STATE_PROBES:
            self.reading = ""  # the other disks do not wait for this one
            account.habit.to_read = []

    def _send(self, account: Account, probe: Probe) -> None:
        self.probes += 1
        self._recorded(probe.disk, ())
        sampler.note_sent(account, probe)
        self.ports.prober.send(probe, account.disk)

    def _read_on(self, account: Account, now_ns: int) -> None:
        """The next record of a reading, or its end."""
        probe = sampler.plan_record(account, now_ns, self.probes + 1)
        if probe is not None:
            self._send(account, probe)
            return
        self.reading = ""
        records, account.habit.records = account.habit.records, []
        if records:
            at_ns = max(now_ns, account.at_ns)
            self._recorded(account.disk.identity, recording.record_reading(account, records, at_ns))
        account.habit.last_records = records
        self._start_second(account, now_ns)
        self._read_next(now_ns)

    def _read_next(self, now_ns: int) -> None:
        """Disks of a pool are used together: the next reading due in this very sample."""
        waiting = [one for name, one in self.accounts.items() if name in self.wear_read_disks]
        for account in sorted(waiting, key=lambda one: one.habit.read_ns or 0):
            probe = None if self.reading else sampler.plan_reading(account, now_ns, self.probes + 1)
            if probe is not None:
                self.reading = probe.disk
                self._send(account, probe)

    def _start_second(self, account: Account, now_ns: int) -> None:
        if self.cross_checking is not None and self.cross_checking.start(
            account, self.accounts, now_ns
        ):
            self.reading = account.disk.identity
            self._recorded(account.disk.identity, ())

    def _hear_second(
        self, cross_checking: CrossChecking, ready: Sequence[Source], now_ns: int
    ) -> None:
        if cross_checking.reader not in ready and not cross_checking.late(now_ns):
            return
        for fact in cross_checking.reader.results(now_ns):
            cross_checking.ended(fact)
            self.record_cross_check(fact)
        self._note(now_ns)
        self.publish(now_ns)

    def _lose(self, account: Account, at_ns: int) -> None:
        self._recorded(account.disk.identity, recording.record_gone(account, at_ns))
        self.ports.counters.forget(account.disk.identity)
        self.ports.prober.forget(account.disk)
        sampler.note_seen(account)
        if self.reading == account.disk.identity:
            self.reading = ""

    def _recorded(self, identity: str, entries: Sequence[Entry]) -> None:
        """Something changed in this account, and these entries were booked."""
        self.stale.add(identity)
        if self.keeping is not None:
            self.keeping.recorded(identity, entries)
        if self.recorded is not None and entries:
            self.recorded(entries)

    def _say_refused(self, account: Account, reply: Refused) -> None:
        """Each disk's kind of refusal is said once, with all the drive said."""
        self._say_once(account, "no state", reply.reason.value, reply.detail)

    def _say_once(self, account: Account, what: str, reason: str, detail: str) -> None:
        key = f"{account.disk.identity} {what} {reason}"
        if key not in self.said_once:
            self.said_once.add(key)
            names = f"{account.disk.identity} ({account.disk.kernel_name})"
            self.wishes.say(f"{names}: {what}: {reason}: {detail}")

    def _wake_ns(self, due_ns: int, until_ns: int | None) -> int:
        wake = due_ns if until_ns is None else min(due_ns, until_ns)
        cross_check_ns = (
            None if self.cross_checking is None else self.cross_checking.reader.due_ns()
        )
        wake = wake if cross_check_ns is None else min(wake, cross_check_ns)
        for account in self.accounts.values():
            probe = account.habit.pending
            if probe is not None and not account.habit.mute:
                wake = min(wake, probe.deadline_ns)
        return wake


def _differ(before: Counted, fact: Counted) -> bool:
    """True when anything moved at all."""
    return (
        fact.requests != before.requests
        or fact.sectors_read != before.sectors_read
        or fact.sectors_written != before.sectors_written
        or fact.flushes != before.flushes
        or fact.in_flight != before.in_flight
        or fact.in_flight > 0
        or fact.runtime_status is not before.runtime_status
    )


def _scan(
    discoverer: Discoverer, now_ns: int
) -> tuple[Iterable[Seen], tuple[tuple[str, str], ...]]:
    seen, skipped = discoverer.scan(now_ns)
    return seen, tuple(skipped)
