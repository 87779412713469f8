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
from spinledger.codec.reply import QUESTIONS
from spinledger.insight.findings import pool_findings
from spinledger.insight.wear import told_once
from spinledger.keeper import book
from spinledger.keeper.view import lifetime, view
from spinledger.ledger.account import Account, may_read
from spinledger.loop.keeping import Keeping, reopen
from spinledger.loop.rereading import Rereading
from spinledger.model import (
    SECOND,
    Answered,
    Ask,
    Counted,
    Disk,
    DiskView,
    Entry,
    Gone,
    Labels,
    Number,
    Policy,
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
    Discoverer,
    Fold,
    Prober,
    Publisher,
    QuietHours,
    Reread,
    Source,
)

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


@dataclass(slots=True)
class Loop:
    """The state of a run: accounts by identity, and what is on its way."""

    ports: Ports
    wishes: Wishes
    fast_ns: int
    accounts: dict[str, Account] = field(default_factory=dict)
    stopping: bool = False
    number: int = 0
    asks: int = 0
    skipped: tuple[tuple[str, str], ...] = ()
    keeping: Keeping | None = None
    reading: str = ""  # the disk whose own counters are being read; one at a time
    rereading: Rereading | None = None
    from_zero: bool = False  # exported counters begin at zero, which nobody has been shown yet
    holders: Callable[[Sequence[Disk]], frozenset[str]] | None = None  # disks under the ledger
    tellers: frozenset[str] = frozenset()  # disks whose own counters are read: one a spindle
    booked: Callable[[Sequence[Entry]], None] | None = None
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
            self.book_seen(fact)
        # In the order of discovery, as in a first run: disks take turns at being read.
        order = [one.disk.identity for one in seen if one.disk.identity in self.accounts]
        self.accounts = {name: self.accounts[name] for name in (*order, *self.accounts)}
        self._survey()
        self._note(now_ns)

    def tick(self, now_ns: int) -> None:
        """Free signals of all disks, then the questions that are due, then a snapshot."""
        self._count_all(now_ns)
        second_free = self.rereading is not None and self.rereading.free(self.accounts)
        for account in self.accounts.values():
            self._deadline(account, now_ns)
            ask = sampler.plan(account, now_ns, self.asks + 1)
            if ask is None and not self.reading and account.disk.identity in self.tellers:
                ask = sampler.plan_reading(account, now_ns, self.asks + 1, second_free)
                if ask is not None:
                    self.reading = ask.disk
                else:
                    self._start_second(account, now_ns)
            if ask is not None:
                self._ask(account, ask)
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
        if self.rereading is not None:
            sources.append(self.rereading.reader)
        ready = ports.clock.wait(until_ns, sources)
        now_ns = ports.clock.now()
        if self.rereading is not None:
            self._hear_second(self.rereading, ready, now_ns)
        if ports.prober in ready:
            changed = False
            for answered in ports.prober.replies(now_ns):
                changed = self.book_answered(answered) or changed
            if changed:
                self._note(now_ns)
                self.publish(now_ns)
        if self.keeping is not None and self.keeping.store in ready:
            self.keeping.landed()
        if ports.discoverer in ready:
            for change in ports.discoverer.changes(now_ns):
                if isinstance(change, Seen):
                    self.book_seen(change)
                else:
                    self.book_gone(change)
            self._survey()
            self._note(now_ns)

    def book_seen(self, fact: Seen) -> None:
        """A disk is here: open its account, or go on with the one it has."""
        disk = fact.disk
        policy = self.wishes.policy(disk)
        if policy.watch is Watch.OFF:
            return
        account = self.accounts.get(disk.identity)
        if account is None:
            tick = self._tick(fact.at_ns)
            folds = self.wishes.folds(disk, policy)
            account = book.open_account(disk, policy, tick, folds, self.wishes.calendar(policy))
            self.accounts[disk.identity] = account
            self._booked(disk.identity, ())
            return
        if account.disk != disk or not account.present:
            self.ports.counters.forget(disk.identity)
            self.ports.prober.forget(account.disk)
            sampler.note_seen(account)
        self._booked(disk.identity, book.book_seen(account, disk, fact.at_ns))
        account.policy = policy

    def book_gone(self, fact: Gone) -> None:
        """A disk went: its account waits for it."""
        account = self.accounts.get(fact.identity)
        if account is not None:
            self._lose(account, fact.at_ns)

    def book_answered(self, fact: Answered) -> bool:
        """An answer; False when nobody waits for it."""
        account = self.accounts.get(fact.ask.disk)
        if account is None or account.habit.pending != fact.ask:
            return False
        before = account.state
        self._booked(fact.ask.disk, book.book_answered(account, fact))
        sampler.note_answered(account, fact, before)
        if self.reading == fact.ask.disk and fact.ask.command not in QUESTIONS:
            self._read_on(account, fact.at_ns)
        elif isinstance(fact.reply, Refused):
            self._say_refused(account, fact.reply)
        return True

    def book_reread(self, fact: Reread) -> None:
        """What came of the second reader, where it is still waited for."""
        if self.reading == fact.disk:
            self.reading = ""
        account = self.accounts.get(fact.disk)
        compared = None if account is None else sampler.note_reread(account)
        if account is None or compared is None:
            return
        if fact.trouble:
            self._say_once(account, "second reader", fact.trouble, fact.detail)
        self._booked(fact.disk, () if fact.trouble else book.book_reread(account, compared, fact))

    def observe(self, now_ns: int) -> None:
        """Free signals of all disks and a snapshot, without a question."""
        self._count_all(now_ns)
        self.publish(now_ns)

    def refresh_policies(self) -> None:
        """The owner's wishes changed: take them over, the books go on."""
        for account in self.accounts.values():
            account.policy = self.wishes.policy(account.disk)
            self.stale.add(account.disk.identity)
            book.set_quiet_hours(account, self.wishes.calendar(account.policy))
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
        reread = {} if self.rereading is None else self.rereading.samples(self.accounts)
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
        if self.rereading is not None:
            self.rereading.survey(disks)
        self.tellers = told_once([account.disk for account in present if may_read(account)])

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
        entries = book.book_tick(account, tick)
        entries += book.book_counted(account, fact, ours)
        sampler.note_counted(account, before, fact, ours)
        if entries or before is None or _differ(before, fact):
            self._booked(account.disk.identity, entries)

    def _deadline(self, account: Account, now_ns: int) -> None:
        ask = account.habit.pending
        if ask is None or account.habit.mute or now_ns < ask.deadline_ns:
            return
        late = Answered(ask, now_ns, Refused(Reason.TIMEOUT), now_ns - ask.asked_ns)
        self._booked(ask.disk, book.book_answered(account, late))
        sampler.note_late(account)
        if self.reading == ask.disk and ask.command not in QUESTIONS:
            self.reading = ""  # the other disks do not wait for this one
            account.habit.to_read = []

    def _ask(self, account: Account, ask: Ask) -> None:
        self.asks += 1
        self._booked(ask.disk, ())
        sampler.note_sent(account, ask)
        self.ports.prober.send(ask, account.disk)

    def _read_on(self, account: Account, now_ns: int) -> None:
        """The next record of a reading, or its end."""
        ask = sampler.plan_record(account, now_ns, self.asks + 1)
        if ask is not None:
            self._ask(account, ask)
            return
        self.reading = ""
        records, account.habit.records = account.habit.records, []
        if records:
            at_ns = max(now_ns, account.at_ns)
            self._booked(account.disk.identity, book.book_reading(account, records, at_ns))
        account.habit.last_records = records
        self._start_second(account, now_ns)
        self._read_next(now_ns)

    def _read_next(self, now_ns: int) -> None:
        """Disks of a pool are used together: the next reading due in this very sample."""
        waiting = [one for name, one in self.accounts.items() if name in self.tellers]
        for account in sorted(waiting, key=lambda one: one.habit.read_ns or 0):
            ask = None if self.reading else sampler.plan_reading(account, now_ns, self.asks + 1)
            if ask is not None:
                self.reading = ask.disk
                self._ask(account, ask)

    def _start_second(self, account: Account, now_ns: int) -> None:
        if self.rereading is not None and self.rereading.start(account, self.accounts, now_ns):
            self.reading = account.disk.identity
            self._booked(account.disk.identity, ())

    def _hear_second(self, rereading: Rereading, ready: Sequence[Source], now_ns: int) -> None:
        if rereading.reader not in ready and not rereading.late(now_ns):
            return
        for fact in rereading.reader.results(now_ns):
            rereading.ended(fact)
            self.book_reread(fact)
        self._note(now_ns)
        self.publish(now_ns)

    def _lose(self, account: Account, at_ns: int) -> None:
        self._booked(account.disk.identity, book.book_gone(account, at_ns))
        self.ports.counters.forget(account.disk.identity)
        self.ports.prober.forget(account.disk)
        sampler.note_seen(account)
        if self.reading == account.disk.identity:
            self.reading = ""

    def _booked(self, identity: str, entries: Sequence[Entry]) -> None:
        """Something changed in this account, and these entries were booked."""
        self.stale.add(identity)
        if self.keeping is not None:
            self.keeping.booked(identity, entries)
        if self.booked is not None and entries:
            self.booked(entries)

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
        second_ns = None if self.rereading is None else self.rereading.reader.due_ns()
        wake = wake if second_ns is None else min(wake, second_ns)
        for account in self.accounts.values():
            ask = account.habit.pending
            if ask is not None and not account.habit.mute:
                wake = min(wake, ask.deadline_ns)
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
