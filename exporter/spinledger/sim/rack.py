"""Simulated drives in a rack, behind the same ports as real ones.

Rules: what happens to a place from outside (a plug pulled, a timer lost) is an action with a time,
taken when a port is called at or after it. Virtual time comes from the callers: the latest time
that a port was called with is the present. Commands are rows of the closed table, decoded by
the codec; a reply is on its way until its time has come. Identities begin `sim-`.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from spinledger.causes import OWN_PROBE, READ, WRITE
from spinledger.codec import commands, counters
from spinledger.errors import Misuse
from spinledger.model import (
    MILLISECOND,
    Answered,
    Command,
    Completion,
    Counted,
    Disk,
    Gone,
    Policy,
    Probe,
    Reason,
    Refused,
    RuntimeStatus,
    Seen,
    Woken,
)
from spinledger.sim import answers
from spinledger.sim.drive import NEVER, Burst, Drive, Event, Op, Sent
from spinledger.sim.kinds import Interface, Kind

LOG = 20_000
"""Events, and commands, kept of a drive; older ones are dropped, totals are not."""


@dataclass(frozen=True, slots=True)
class Truth:
    """What really happened to one disk between two boot times. Nanoseconds."""

    since_ns: int
    at_ns: int
    cycles: int  # starts from a stopped motor, under power
    parks: int  # heads unloaded without a stop
    mode_ns: Mapping[str, int]  # ready, spin_up, off, and the names of the ladder's levels
    wakes: Mapping[
        tuple[str, str], int
    ]  # (cause, actor): read, write, pass_through, probe, log_read
    wait_ns: int  # how long the first requests waited, summed
    probes: int
    log_reads: int
    events: tuple[Event, ...]
    sent: tuple[Sent, ...]

    @property
    def stopped_ns(self) -> int:
        """How long the motor was stopped, under power."""
        return sum(self.mode_ns.get(name, 0) for name in ("standby", "standby_z", "sleep"))


@dataclass(frozen=True, slots=True)
class Action:
    """Something that happens to a place from outside, at a boot time."""

    at_ns: int
    place: int
    act: Callable[[Rack, int, int], None]  # rack, place, boot time


@dataclass(slots=True)
class Place:
    """A place in the rack: its drive, how the host names it, what is declared of it."""

    disk: Disk
    drive: Drive
    policy: Policy
    quiet_hours: bool = True  # expected to sleep in quiet hours
    pending: Probe | None = None  # the outstanding command


class Rack:
    """Places and the ports to them. Call `begin` with the boot time of the first sample."""

    def __init__(self, places: Sequence[Place], actions: Iterable[Action]) -> None:
        self.places = list(places)
        self.retired: dict[str, Truth] = {}
        self.by_identity = {place.disk.identity: place for place in self.places}
        self.at_ns = -NEVER
        self.changed: list[Seen | Gone] = []
        self._actions = sorted(actions, key=lambda action: (action.at_ns, action.place))
        self.next_action_ns = self._actions[0].at_ns if self._actions else NEVER
        self._named = len(self.places)
        self.discoverer = SimulatedDiscoverer(self)
        self.counters = SimulatedCounters(self)
        self.prober = SimulatedProber(self)
        self.wakes = SimulatedWakes(self)

    def begin(self, at_ns: int) -> None:
        """Start to watch: truth counts from here, earlier changes are forgotten."""
        self.move(at_ns)
        for place in self.places:
            place.drive.kernel(at_ns)
            place.drive.begin(at_ns)
        self.changed.clear()

    def move(self, to_ns: int) -> None:
        """Take all actions up to and including that time."""
        if to_ns > self.at_ns:
            self.at_ns = to_ns
        while to_ns >= self.next_action_ns:
            action = self._actions.pop(0)
            self.next_action_ns = self._actions[0].at_ns if self._actions else NEVER
            action.act(self, action.place, action.at_ns)

    def truth(self, at_ns: int | None = None) -> Mapping[str, Truth]:
        """What really happened to each disk since `begin`, up to that time or the present."""
        self.move(self.at_ns if at_ns is None else at_ns)
        here = {place.disk.identity: _truth(place.drive, self.at_ns) for place in self.places}
        return {**self.retired, **here}

    def policies(self, base: Policy | None = None, quiet: str | None = None) -> dict[str, Policy]:
        """The policy of each disk: `base` with timer, budget, ratings and quiet hours."""
        base = base or Policy()
        return {
            place.disk.identity: replace(
                base,
                declared_ns=place.policy.declared_ns,
                budget_per_day=place.policy.budget_per_day,
                budget_source=place.policy.budget_source,
                rated_load=place.policy.rated_load,
                rated_start_stop=place.policy.rated_start_stop,
                quiet=quiet if place.quiet_hours else None,
            )
            for place in self.places
        }

    def pull(self, number: int, at_ns: int) -> None:
        """Unplug the disk at that place."""
        place = self.places[number]
        if place.drive.plugged:
            place.drive.unplug(at_ns)
            self.prober.lost(place, at_ns)
            self.changed.append(Gone(place.disk.identity, at_ns))

    def push(self, number: int, at_ns: int) -> None:
        """Plug it in again: the host gives it another name."""
        place = self.places[number]
        if not place.drive.plugged:
            place.drive.plug(at_ns)
            self._rename(place)
            self.changed.append(Seen(place.disk, at_ns))

    def exchange(self, number: int, place: Place, at_ns: int) -> None:
        """Put another drive into the place."""
        self.pull(number, at_ns)
        old = self.places[number]
        self.retired[old.disk.identity] = _truth(old.drive, at_ns)
        self.by_identity.pop(old.disk.identity)
        self.places[number] = self.by_identity[place.disk.identity] = place
        self._rename(place)
        self.changed.append(Seen(place.disk, at_ns))

    def place_of(self, disk: Disk) -> Place | None:
        """Where a disk is, also if the exporter knows it by another identity."""
        return self.by_identity.get(disk.identity) or self.by_identity.get(disk.device)

    def _rename(self, place: Place) -> None:
        place.disk = replace(place.disk, nodes=(node(self._named),), diskseq=self._named + 1)
        self._named += 1


class SimulatedDiscoverer:
    """ports.Discoverer, and timed: ready when a disk comes or goes."""

    def __init__(self, rack: Rack) -> None:
        self._rack = rack

    def scan(self, at_ns: int) -> tuple[Sequence[Seen], Sequence[tuple[str, str]]]:
        """All disks that are plugged in; nothing is ever skipped."""
        self._rack.move(at_ns)
        return [Seen(one.disk, at_ns) for one in self._rack.places if one.drive.plugged], []

    def changes(self, at_ns: int) -> Iterable[Seen | Gone]:
        """What came and went since the last call."""
        self._rack.move(at_ns)
        found, self._rack.changed = self._rack.changed, []
        return found

    def fileno(self) -> int:
        """Nothing real to wait for."""
        return -1

    def due_ns(self) -> int | None:
        """When the next change is due."""
        if self._rack.changed:
            return self._rack.changed[0].at_ns
        return None if self._rack.next_action_ns >= NEVER else self._rack.next_action_ns


class SimulatedCounters:
    """ports.Counters: what the kernel of the simulated host would show."""

    def __init__(self, rack: Rack) -> None:
        self._rack = rack

    def read(self, disk: Disk, at_ns: int) -> Counted | None:
        """The counters at that time; None when the disk is gone."""
        rack = self._rack
        if at_ns > rack.at_ns:
            rack.move(at_ns)
        place = rack.place_of(disk)
        if place is None or not place.drive.plugged:
            return None
        kernel = place.drive.kernel(at_ns)
        return Counted(
            disk.identity,
            at_ns,
            kernel.sectors_read,
            kernel.sectors_written,
            kernel.flushes,
            kernel.in_flight,
            kernel.requests,
            RuntimeStatus.ACTIVE,
            kernel.busy_ns // MILLISECOND,
            kernel.waited_ns // MILLISECOND,
        )

    def forget(self, identity: str) -> None:
        """Nothing is held."""


class SimulatedProber:
    """ports.Prober, and timed: ready when a reply is due."""

    def __init__(self, rack: Rack) -> None:
        self._rack = rack
        self._coming: list[tuple[int, int, Probe, Completion | None]] = []

    def send(self, probe: Probe, disk: Disk) -> None:
        """Send the command at `probe.sent_ns`; its reply comes in virtual time."""
        rack = self._rack
        rack.move(probe.sent_ns)
        place = rack.place_of(disk)
        if place is None or not place.drive.plugged:
            heapq.heappush(self._coming, (probe.sent_ns, probe.number, probe, None))
            return
        if place.pending is not None:
            raise Misuse(f"{disk.identity}: command {place.pending.number} is outstanding")
        place.pending = probe
        cdb = commands.TABLE[probe.command].cdb
        answer = answers.answer(place.drive, cdb, probe.sent_ns)
        if answer is not None:
            heapq.heappush(self._coming, (answer[0], probe.number, probe, answer[1]))

    def replies(self, at_ns: int) -> Iterable[Answered]:
        """Replies whose time has come, in the order of their times."""
        found = []
        while self._coming and self._coming[0][0] <= at_ns:
            due_ns, _, probe, completion = heapq.heappop(self._coming)
            for place in self._rack.places:
                if place.pending is probe:
                    place.pending = None
            if completion is None:
                found.append(
                    Answered(probe, due_ns, Refused(Reason.GONE, "no such disk"), 0, sent=False)
                )
            else:
                reply = _reply(probe.command, replace(completion, elapsed_ns=0))
                found.append(Answered(probe, due_ns, reply, completion.elapsed_ns))
        return found

    def forget(self, disk: Disk) -> None:
        """Nothing is held."""

    def fileno(self) -> int:
        """Nothing real to wait for."""
        return -1

    def due_ns(self) -> int | None:
        """When the next reply is due."""
        return self._coming[0][0] if self._coming else None

    def lost(self, place: Place, at_ns: int) -> None:
        """The disk went away: an outstanding command ends with a host error."""
        if place.pending is None:
            return
        probe = place.pending
        self._coming = [one for one in self._coming if one[2] is not probe]
        due_ns, completion = answers.gone(at_ns, probe.sent_ns)
        self._coming.append((due_ns, probe.number, probe, completion))
        heapq.heapify(self._coming)


class SimulatedWakes:
    """ports.WakeSource: what the kernel's events would say, by what the drives really did."""

    def __init__(self, rack: Rack) -> None:
        self._rack = rack
        self._watched: dict[str, tuple[Disk, int]] = {}  # since when

    def watch(self, disks: Mapping[str, Disk]) -> None:
        """The disks now in standby; a start that was not reported yet stays to be."""
        since_ns = self._rack.at_ns
        fresh = {name: (disk, since_ns) for name, disk in disks.items()}
        self._watched = {**fresh, **self._watched}

    def woken(self, at_ns: int) -> Iterable[Woken]:
        """The starts whose first request is done by then."""
        found: list[Woken] = []
        for name, (disk, since_ns) in list(self._watched.items()):
            place = self._rack.place_of(disk)
            if place is None:
                del self._watched[name]
                continue
            event = _start_after(place.drive, since_ns)
            if event is not None and event.at_ns + event.wait_ns <= at_ns:
                del self._watched[name]
                found.append(_woken(place.disk, event))
        return found

    def lost(self) -> Mapping[str, int]:
        """None ever is."""
        return {}

    def untraced(self) -> str:
        """Everything can be said."""
        return ""

    def fileno(self) -> int:
        """Nothing real to wait for."""
        return -1


CAUSES_OF = {
    Op.READ.value: READ,
    Op.WRITE.value: WRITE,
    Op.PASS_THROUGH.value: "passthrough",
    "probe": OWN_PROBE,
    "log_read": OWN_PROBE,
}
"""The ledger's causes by those of a drive's events."""


def _start_after(drive: Drive, since_ns: int) -> Event | None:
    """The first start from a stopped motor since then."""
    found = None
    for event in reversed(drive.tally.events):
        if event.at_ns < since_ns:
            break
        if event.what == "start":
            found = event
    return found


def _woken(disk: Disk, event: Event) -> Woken:
    """An event as the kernel's events would report it."""
    file_system = f"ext4 on /srv/{disk.pool}" if disk.pool else ""
    place = ", ".join(filter(None, (f"{disk.kernel_name}1", disk.pool, file_system)))
    cause = CAUSES_OF[event.cause]
    moved = place if cause in (READ, WRITE) else disk.kernel_name
    return Woken(disk.identity, event.at_ns, cause, event.actor, moved, event.wait_ns)


def node(number: int) -> str:
    """The kernel's name of the disk with that number from 0: sda, sdb, ... sdaa."""
    letters = ""
    number += 1
    while number:
        number, letter = divmod(number - 1, 26)
        letters = chr(ord("a") + letter) + letters
    return f"sd{letters}"


def describe(name: str, pool: str, kind: Kind, number: int) -> Disk:
    """The disk as discovery would give it; `number` from 0 chooses the kernel's name."""
    ata = kind.interface is Interface.ATA
    identity = f"sim-{name}"
    return Disk(
        identity=identity,
        nodes=(node(number),),
        transport="simulated",
        model=kind.model,
        serial=name.upper(),
        firmware="SIM1",
        wwn="",
        rotation_rpm=kind.rpm,
        pool=pool,
        device=identity,
        probe_method=Command.CHECK_POWER_MODE_16 if ata else Command.REQUEST_SENSE,
        diskseq=number + 1,
        apm_level=kind.apm,
        standard_timer=True if ata else None,
        gpl=True if ata else None,
        epc=any(level.condition for level in kind.ladder) if ata else None,
        allow_restart=True,
        timeout_s=30,  # the kernel's default for disks; from memory
    )


def bursts(arrivals: Sequence[int | Burst], actor: str = "reader") -> list[Burst]:
    """Arrivals in order; a bare boot time is one read of eight sectors."""
    made = [
        one if isinstance(one, Burst) else Burst(one, 1, 0, 8, Op.READ, actor) for one in arrivals
    ]
    return sorted(made)


# Called without the time of the completion, so that equal ones are decoded once.
_reply = lru_cache(maxsize=256)(counters.reply_of)


def _truth(drive: Drive, at_ns: int) -> Truth:
    tally = drive.settle(at_ns)
    return Truth(
        since_ns=tally.since_ns,
        at_ns=at_ns,
        cycles=tally.cycles,
        parks=tally.parks,
        mode_ns=dict(tally.mode_ns),
        wakes=dict(tally.wakes),
        wait_ns=tally.wait_ns,
        probes=tally.probes,
        log_reads=tally.log_reads,
        events=tuple(tally.events),
        sent=tuple(tally.sent),
    )
