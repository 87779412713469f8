"""The only driver: waits on the clock and the ports, reads, records, probes, publishes.

Rules: nothing here knows whether a port is real or simulated. One tick reads the kernel's counters
of every disk, records them, then sends the probes that are due. Lateness is decided here: a probe
past its deadline is recorded as a timeout while the command itself goes on. A disk that fails in
any way costs the others nothing. A reload happens between ticks, and does what a restart with the
new configuration on the same ledger would do.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from spinledger import sampler
from spinledger.codec.reply import STATE_PROBES
from spinledger.facts import ExporterFacts
from spinledger.ledger import recording
from spinledger.ledger.account import Account, may_read, probing_ended
from spinledger.loop.cross_check import CrossChecking
from spinledger.loop.keeping import Keeping, identified, reopen
from spinledger.loop.publishing import Publishing, differ
from spinledger.loop.settings import Settings
from spinledger.loop.waking import WakeTracing
from spinledger.loop.walltime import Ticks
from spinledger.model import (
    Answered,
    Disk,
    Entry,
    Gone,
    Probe,
    Reason,
    Refused,
    Seen,
    Tick,
    Watch,
)
from spinledger.ports import (
    Clock,
    Counters,
    CrossChecked,
    Discoverer,
    Prober,
    Publisher,
    Source,
    WakeSource,
)
from spinledger.wear.reading import one_per_spindle


@dataclass(slots=True)
class Ports:
    """What the loop drives; app decides which are real."""

    clock: Clock
    discoverer: Discoverer
    counters: Counters
    prober: Prober
    publishers: Sequence[Publisher]
    wakes: WakeSource | None = None  # what woke a disk, where that can be known
    wakers: Sequence[Source] = ()  # signals, and who asks for a snapshot: they end a wait
    synchronised: Callable[[], bool] | None = None  # a time server set the clock; None: not judged
    prober_health: Callable[[], tuple[bool, int] | None] = lambda: None  # facts.ExporterFacts


@dataclass(slots=True)
class Loop:
    """The state of a run: accounts by identity, and what is on its way."""

    ports: Ports
    settings: Settings
    keeping: Keeping | None = None
    cross_checking: CrossChecking | None = None
    on_entries: Callable[[Sequence[Entry]], None] = lambda entries: None
    accounts: dict[str, Account] = field(default_factory=dict)
    stopping: bool = False  # set by a signal
    reloading: bool = False  # likewise
    probes: int = 0  # sent so far
    skipped: tuple[tuple[str, str], ...] = ()
    reading: str = ""  # the disk whose counters are being read; one at a time
    wear_read_disks: frozenset[str] = frozenset()  # disks whose counters are read: one a spindle
    said_once: set[str] = field(default_factory=set)
    unwatched: dict[str, Disk] = field(default_factory=dict)  # here, and off by configuration
    unmatched: Sequence[str] = ()  # entries of `disks` that match no disk, in words
    publishing: Publishing = field(init=False)
    tracing: WakeTracing = field(init=False)
    ticks: Ticks = field(init=False)
    waiting: bool = False  # nothing is recorded while the clock is years ahead

    def __post_init__(self) -> None:
        self.publishing = Publishing(self.ports.publishers)
        self.tracing = WakeTracing(self.ports.wakes)
        self.ticks = Ticks(self.ports.clock, self.ports.synchronised)

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
            if self.reloading:
                self.reloading = False
                self.reload()
            if now_ns >= due_ns:
                self.tick(now_ns)
                fast_ns = self.settings.fast_ns()
                due_ns += fast_ns
                if due_ns <= clock.now() - fast_ns:
                    due_ns = clock.now() + fast_ns
            self.listen(self._wake_ns(due_ns, until_ns))
        self.end()

    def begin(self) -> None:
        """Open the accounts that were kept, then find the disks; both wait for a sane clock."""
        now_ns = self.ports.clock.now()
        keeping, wall_ns = self.keeping, self.ports.clock.wall()
        self.ticks.begin(now_ns, keeping.restored.wall_ns if keeping is not None else 0)
        self.waiting = self.ticks.far_ahead(now_ns, wall_ns)
        if self.waiting:
            doubt = self.ticks.doubt(now_ns, wall_ns)
            self._say_first(f"{doubt}; nothing is recorded until the clock is set")
            return
        if keeping is not None:
            settings, tick = self.settings, self.ticks.at(now_ns)
            reopened = reopen(keeping, tick, settings.policy, settings.calendar, settings.identity)
            self.accounts = reopened.accounts
            if reopened.lost:
                self.publishing.from_zero = True
                settings.say(f"exported counters begin at zero again: {reopened.lost}")
        self._find(now_ns)
        self._note(now_ns)

    def end(self) -> None:
        """The last sample, commit and snapshot."""
        now_ns = self.ports.clock.now()
        self._count_all(now_ns)
        if self.keeping is not None:
            kept = self.keeping.restored
            last = Tick(kept.at_ns, kept.wall_ns, kept.boot_id, 0)
            self.keeping.finish(self.accounts, last if self.waiting else self.ticks.at(now_ns))
        self.publish(now_ns, force=True)

    def reload(self) -> None:
        """Read the configuration again, and let it hold from a sample taken now on."""
        if not self.settings.reload() or self.waiting:
            return
        now_ns = self.ports.clock.now()
        self._count_all(now_ns)
        settings = self.settings
        self.accounts = identified(self.accounts, settings.identity)
        for name, account in self.accounts.items():
            policy = settings.policy(account.disk)
            self._recorded(name, recording.adopt(account, policy, settings.calendar(policy)))
            if policy.watch is Watch.OFF and account.present:
                self._lose(account, now_ns)
        self._find(now_ns)
        self._note(now_ns)
        self.publish(now_ns, force=True)

    def _find(self, now_ns: int) -> None:
        """All disks that are here now."""
        seen, skipped = self.ports.discoverer.scan(now_ns)
        self.unwatched = {}
        self.skipped = tuple(skipped)
        found = [
            fact.disk.identity for fact in map(self._identified, seen) if self.record_seen(fact)
        ]
        # In the order of discovery, as in a first run: disks take turns at being read.
        self.accounts = {name: self.accounts[name] for name in (*found, *self.accounts)}
        self._survey()

    def _identified(self, fact: Seen) -> Seen:
        """The disk under its present identity."""
        present = self.settings.identity(fact.disk.identity)
        if present == fact.disk.identity:
            return fact
        return replace(fact, disk=replace(fact.disk, identity=present))

    def tick(self, now_ns: int) -> None:
        """The kernel's counters of all disks, then the probes that are due, then a snapshot."""
        if self.waiting:
            self.begin()
            if self.waiting:
                self.publish(now_ns)
                return
            self.settings.say("the clock of this host is set; recording begins")
        self._count_all(now_ns)
        self._take_wakes(now_ns)
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
                    self._start_cross_check(account, now_ns)
            if probe is not None:
                self._send(account, probe)
        self._note(now_ns)
        if self.ticks.doubted:
            self._say_first(f"{self.ticks.doubted}; time goes on with the kernel's boot clock")
        self.publish(now_ns)
        if self.keeping is not None:
            self.keeping.ticked()
            self.keeping.commit_if_due(self.accounts, self.ticks.at(now_ns))

    def listen(self, until_ns: int) -> None:
        """Wait, then take what arrived."""
        ports = self.ports
        sources: list[Source] = [ports.prober, ports.discoverer, *ports.wakers]
        sources += self.tracing.sources(sources)
        if self.keeping is not None:
            sources.append(self.keeping.store)
        if self.cross_checking is not None:
            sources.append(self.cross_checking.reader)
        ready = ports.clock.wait(until_ns, sources)
        now_ns = ports.clock.now()
        if self.cross_checking is not None:
            self._take_cross_checks(self.cross_checking, ready, now_ns)
        health = ports.prober_health()
        if ports.prober in ready or (health and not health[0]):  # it may be time to start it again
            changed = False
            for answered in ports.prober.replies(now_ns):
                changed = self.record_answered(answered) or changed
            changed = self._take_wakes(now_ns) or changed
            if changed or ports.prober_health() != health:
                self._note(now_ns)
                self.publish(now_ns)
        elif ports.wakes in ready and self._take_wakes(now_ns):
            self._note(now_ns)
        if self.keeping is not None and self.keeping.store in ready:
            self.keeping.landed()
        if any(one in ready for one in ports.wakers):
            self.publish(now_ns)
        if ports.discoverer in ready:
            for change in ports.discoverer.changes(now_ns):
                if self.waiting:
                    continue
                if isinstance(change, Seen):
                    self.record_seen(self._identified(change))
                else:
                    self.record_gone(change)
            self._survey()
            self._note(now_ns)

    def record_seen(self, fact: Seen) -> bool:
        """A disk is here: open its account, or go on with the one it has. False: not watched."""
        disk, settings = fact.disk, self.settings
        policy = settings.policy(disk)
        if policy.watch is Watch.OFF:
            self.unwatched[disk.identity] = disk
            return False
        account = self.accounts.get(disk.identity)
        if account is None:
            tick = self.ticks.at(fact.at_ns)
            account = recording.open_account(disk, policy, tick, settings.calendar(policy))
            self.accounts[disk.identity] = account
            self._recorded(disk.identity, ())
            return True
        entries: list[Entry] = []
        if account.disk != disk or not account.present:
            self._forget(account)
            entries += recording.record_seen(account, disk, fact.at_ns)
        entries += recording.adopt(account, policy, settings.calendar(policy))
        self._recorded(disk.identity, entries)
        return True

    def record_gone(self, fact: Gone) -> None:
        """A disk went: its account waits for it."""
        identity = self.settings.identity(fact.identity)
        self.unwatched.pop(identity, None)
        account = self.accounts.get(identity)
        if account is not None:
            self._lose(account, fact.at_ns)

    def record_answered(self, fact: Answered) -> bool:
        """An answer; False when it is no longer waited for."""
        account = self.accounts.get(fact.probe.disk)
        if account is None or account.probing.pending != fact.probe:
            return False
        before = account.state
        self._recorded(fact.probe.disk, recording.record_answered(account, fact))
        sampler.note_answered(account, fact, before)
        if self.reading == fact.probe.disk and fact.probe.command not in STATE_PROBES:
            self._read_on(account, fact.at_ns)
        elif isinstance(fact.reply, Refused):
            reply = fact.reply
            self._say_once(account, "no state", reply.reason.value, reply.detail)
        return True

    def record_cross_check(self, fact: CrossChecked) -> None:
        """What came of the cross-check, where it is still waited for."""
        if self.reading == fact.disk:
            self.reading = ""
        account = self.accounts.get(fact.disk)
        compared = None if account is None else sampler.note_cross_checked(account)
        if account is None or compared is None:
            return
        if fact.trouble:
            self._say_once(account, "cross-check", fact.trouble, fact.detail)
        self._recorded(
            fact.disk, () if fact.trouble else recording.record_cross_check(account, compared, fact)
        )

    def _take_wakes(self, now_ns: int) -> bool:
        """What woke disks, where that is reported; True where something was recorded."""
        return self.tracing.take(self.accounts, self.settings.identity, now_ns, self._recorded)

    def observe(self, now_ns: int) -> None:
        """Free signals of all disks and a snapshot, without a probe."""
        self._count_all(now_ns)
        self.publish(now_ns)

    def publish(self, now_ns: int, force: bool = False) -> None:
        """Hand a snapshot to the publishers that want one."""
        wanting = self.publishing.wanting(now_ns, force)
        if wanting:
            wall_ns = self.ports.clock.wall()
            accounts = list(self.accounts.values())
            self.publishing.publish(wanting, accounts, self._exporter(), now_ns, wall_ns)

    def _exporter(self) -> ExporterFacts:
        """The exporter itself."""
        settings, keeping, checking = self.settings, self.keeping, self.cross_checking
        known = [one for one in self.accounts.values() if one.policy.watch is not Watch.OFF]
        config_ok, loaded_wall_s = settings.loaded()
        return ExporterFacts(
            config_ok=config_ok,
            config_loaded_wall_s=loaded_wall_s,
            unmatched_entries=len(self.unmatched),
            may_be_suspended=settings.may_be_suspended(),
            watched=sum(account.present for account in known),
            skipped=self.skipped,
            absent_wall_ns={
                one.disk.identity: one.absent_since_wall_ns
                for one in known
                if one.absent_since_wall_ns is not None
            },
            ledger=None if keeping is None else keeping.facts(),
            cross_checks=None if checking is None else checking.counts(self.accounts),
            prober=self.ports.prober_health(),
        )

    def _note(self, now_ns: int) -> None:
        """Keep what was recorded before anybody may see it."""
        if self.keeping is not None:
            self.keeping.note(self.accounts, self.ticks.at(now_ns))

    def _survey(self) -> None:
        """What depends on which disks are here."""
        present = [account for account in self.accounts.values() if account.present]
        disks = [account.disk for account in present]
        if self.keeping is not None:
            self.keeping.survey(disks)
        if self.cross_checking is not None:
            self.cross_checking.survey(disks)
        self.wear_read_disks = one_per_spindle(
            [account.disk for account in present if may_read(account)]
        )
        known = [account.disk for account in self.accounts.values()]
        self.unmatched = self.settings.unmatched([*known, *self.unwatched.values()])
        for sentence in self.unmatched:
            self._say_first(sentence)

    def _count_all(self, now_ns: int) -> None:
        tick = self.ticks.at(now_ns)
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
        suspected = account.probing.suspect
        sampler.note_counted(account, before, fact, ours)
        if suspected and (ended := probing_ended(account)):
            near, wakes = account.probing.near, account.probing.wakes
            detail = f"{near} of {wakes} wakes came right after a probe"
            self._say_once(account, "no longer probed", ended, detail)
        if entries or before is None or differ(before, fact):
            self._recorded(account.disk.identity, entries)

    def _deadline(self, account: Account, now_ns: int) -> None:
        probe = account.probing.pending
        if probe is None or account.probing.mute or now_ns < probe.deadline_ns:
            return
        late = Answered(probe, now_ns, Refused(Reason.TIMEOUT), now_ns - probe.sent_ns)
        self._recorded(probe.disk, recording.record_answered(account, late))
        sampler.note_late(account)
        if self.reading == probe.disk and probe.command not in STATE_PROBES:
            self.reading = ""  # the other disks do not wait for this one
            account.probing.to_read = []

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
        records, account.probing.records = account.probing.records, []
        if records:
            at_ns = max(now_ns, account.at_ns)
            self._recorded(account.disk.identity, recording.record_reading(account, records, at_ns))
        account.probing.last_records += records
        self._start_cross_check(account, now_ns)
        self._read_next(now_ns)

    def _read_next(self, now_ns: int) -> None:
        """Disks of a pool are used together: the next reading due in this very sample."""
        waiting = [one for name, one in self.accounts.items() if name in self.wear_read_disks]
        for account in sorted(waiting, key=lambda one: one.probing.read_ns or 0):
            probe = None if self.reading else sampler.plan_reading(account, now_ns, self.probes + 1)
            if probe is not None:
                self.reading = probe.disk
                self._send(account, probe)

    def _start_cross_check(self, account: Account, now_ns: int) -> None:
        if self.cross_checking is not None and self.cross_checking.start(
            account, self.accounts, now_ns
        ):
            self.reading = account.disk.identity
            self._recorded(account.disk.identity, ())

    def _take_cross_checks(
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
        self._forget(account)

    def _forget(self, account: Account) -> None:
        """The disk went or came: nothing that was on its way to it is waited for."""
        self.ports.counters.forget(account.disk.identity)
        self.ports.prober.forget(account.disk)
        sampler.note_seen(account)
        if self.reading == account.disk.identity:
            self.reading = ""

    def _recorded(self, identity: str, entries: Sequence[Entry]) -> None:
        """Something changed in this account, and these entries were recorded."""
        self.publishing.changed.add(identity)
        if self.keeping is not None:
            self.keeping.recorded(identity, entries)
        if entries:
            self.on_entries(entries)

    def _say_once(self, account: Account, what: str, reason: str, detail: str) -> None:
        names = f"{account.disk.identity} ({account.disk.kernel_name})"
        self._say_first(f"{names}: {what}: {reason}", f": {detail}")

    def _say_first(self, line: str, detail: str = "") -> None:
        """A line, unless it was said before, whatever the detail."""
        if line not in self.said_once:
            self.said_once.add(line)
            self.settings.say(line + detail)

    def _wake_ns(self, due_ns: int, until_ns: int | None) -> int:
        wake = due_ns if until_ns is None else min(due_ns, until_ns)
        checking = self.cross_checking
        cross_check_ns = None if checking is None else checking.reader.due_ns()
        wake = wake if cross_check_ns is None else min(wake, cross_check_ns)
        for account in self.accounts.values():
            probe = account.probing.pending
            if probe is not None and not account.probing.mute:
                wake = min(wake, probe.deadline_ns)
        return wake
