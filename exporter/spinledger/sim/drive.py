"""One drive, and the kernel's counters in front of it, in virtual time.

Rules: a drive acts on three kinds of event, taken in time order and only when it is read: an
arrival from its feed, a step down its ladder of levels, a command from us. Nothing is ticked, so
idle months cost nothing. A gap exactly as long as a timer does not spin down; a longer one does.

- Service is instantaneous, except that a stopped motor first spins up; requests that come
  meanwhile wait and are done when it is ready. Timers run from then.
- Sectors move at completion, requests are counted at issue (`iorequest_cnt`), our own included.
- The kernel's time in use, and the time summed over its requests, are those of requests that waited
  for the medium.
- A flush with nothing dirty moves `flushes` and `requests`, starts no motor and no timer (seen on
  Linux 6.1 with a drive that keeps a write cache). A pass-through request moves `requests` only.
- ATA counts a start when the motor starts; SAS counts a cycle when it is complete, at the next
  stop (MAX3073 manual, 4-66).
- A level that is not a stop (parked heads, idle_b) costs a head load on the way back, no start.

What really happened is counted in `tally`, whether or not it could be observed.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from heapq import heappop, heappush
from typing import NamedTuple

from spinledger.sim.kinds import Kind, Level

NEVER = 1 << 62
"""A boot time that does not come, nanoseconds."""

TOP = "active"
"""The top of every ladder, in an odometer."""


class Op(StrEnum):
    """What a request does."""

    READ = "read"
    WRITE = "write"
    FLUSH = "flush"  # nothing dirty: no medium access
    PASS_THROUGH = "pass_through"  # medium access that stat does not see


class Burst(NamedTuple):
    """`ticks` requests, one every `step_ns`: an arrival. One request: 1 tick, step 0."""

    began_ns: int
    ticks: int
    step_ns: int
    sectors: int  # per request, 512 bytes each
    op: Op
    actor: str
    flushes: int = 0  # per request, beside the sectors

    @property
    def last_ns(self) -> int:
        """When its last request arrives."""
        return self.began_ns + (self.ticks - 1) * self.step_ns

    def arrived(self, at_ns: int) -> int:
        """How many of its requests have arrived by then."""
        if at_ns < self.began_ns:
            return 0
        if at_ns >= self.last_ns:
            return self.ticks
        return (at_ns - self.began_ns) // self.step_ns + 1


_NOTHING = Burst(NEVER, 1, 0, 0, Op.FLUSH, "")


class Kernel(NamedTuple):
    """The host's counters of one drive since the first day."""

    sectors_read: int
    sectors_written: int
    flushes: int
    in_flight: int
    requests: int
    busy_ns: int = 0  # with requests in flight
    waited_ns: int = 0  # summed over all requests that are done


class Event(NamedTuple):
    """One change of the motor or the power, in the order of time."""

    at_ns: int
    what: str  # stop, start, failed_start, unplug, plug
    cause: str  # for a start: op of the request, probe or log_read
    actor: str
    wait_ns: int  # how long the first request waited for the platters


class Sent(NamedTuple):
    """One command as the drive got it."""

    at_ns: int
    what: str  # probe, log_read
    cdb: bytes  # empty for a log read
    level: str  # the drive's level then


@dataclass
class Odometer:
    """The drive's own counters, which outlive everything; times in nanoseconds."""

    starts: int = 0  # the motor started, power-on included
    stops: int = 0
    loads: int = 0  # heads onto the platters
    power_cycles: int = 0
    retracts: int = 0  # power lost with the heads loaded
    spin_retries: int = 0
    entered: dict[str, int] = field(default_factory=dict)  # times it came to a level, or to `TOP`
    powered_ns: int = 0
    spinning_ns: int = 0
    spinup_ns: int = 0  # of the last start, attempts included


@dataclass
class Tally:
    """What really happened since `since_ns`."""

    since_ns: int
    cycles: int = 0  # starts from a stopped motor under power
    parks: int = 0  # heads unloaded without a stop
    mode_ns: dict[str, int] = field(default_factory=dict)  # ready, spin_up, off, or a level's name
    wakes: dict[tuple[str, str], int] = field(default_factory=dict)  # (cause, actor)
    wait_ns: int = 0  # summed over the first requests
    probes: int = 0
    log_reads: int = 0
    events: deque[Event] = field(default_factory=deque)
    sent: deque[Sent] = field(default_factory=deque)


class Drive:
    """A drive with its feed of arrivals (in time order). All times: boot clock, nanoseconds."""

    def __init__(
        self,
        kind: Kind,
        feed: Iterator[Burst],
        at_ns: int,
        *,
        odometer: Odometer | None = None,
        seed: int = 0,
        log: int = 0,
    ) -> None:
        self.kind = kind
        self.odometer = odometer or Odometer(starts=1, loads=1, power_cycles=1, entered={TOP: 1})
        self.plugged = True
        self._feed = feed
        self._seed = seed
        self.log = log  # so many events, and commands, are kept from the next `begin` on
        self._rung = 0  # steps taken down the ladder
        self._since_ns = at_ns  # accounted up to here
        self._idle_ns = at_ns  # last access to the medium: where the timers run from
        self._ready_ns = at_ns  # the medium is ready from here
        self._spun_ns = at_ns  # the motor is at speed from here
        self._sectors_read = self._sectors_written = self._flushes = self._requests = 0
        self._busy_ns = self._waited_ns = 0  # but for the queue
        self._queue: tuple[int, int, int] | None = None  # began, is done, nanoseconds waited by all
        self._open: list[tuple[Burst, int]] = []  # bursts under way, and when they are served
        self._apart: list[Burst] = []  # what is left of bursts taken apart, a heap
        self._ladder = kind.ladder
        self._finest_ns = min((level.after_ns for level in kind.ladder), default=NEVER)
        self.timer_lost = False
        self.spinup_failures = kind.spinup_failures
        self._ahead = next(feed, _NOTHING)
        self.begin(at_ns)
        self._next = self._pull()
        self._plan()

    def begin(self, at_ns: int) -> None:
        """Start the tally anew at that time; the drive and its odometer go on."""
        if at_ns > self._since_ns:
            self.advance(at_ns)
            self._account(at_ns)
        self.tally = Tally(at_ns)
        self.tally.events = deque(maxlen=self.log)
        self.tally.sent = deque(maxlen=self.log)

    # Time

    def advance(self, to_ns: int) -> None:
        """Take every event up to and including that time."""
        while to_ns >= self._due_ns:
            if self._fall_ns < self._next.began_ns:
                self._step_down(self._fall_ns)
            else:
                self._arrive(self._next)
                self._next = self._pull()
            self._plan()

    def _plan(self) -> None:
        """Find the next event of the drive's own."""
        self._fall_ns = NEVER
        if self.plugged and self._rung < len(self._ladder):
            level = self._ladder[self._rung]
            if not (level.stopped and self.timer_lost):
                self._fall_ns = self._idle_ns + level.after_ns
        self._due_ns = min(self._fall_ns, self._next.began_ns)

    def _pull(self) -> Burst:
        """The next arrival. A burst is one busy time only if no timer fits between its requests;
        else it is taken apart, one request at a time, in order with what else the feed has.
        """
        if self._apart and self._apart[0].began_ns <= self._ahead.began_ns:
            burst = heappop(self._apart)
        else:
            burst = self._ahead
            self._ahead = next(self._feed, _NOTHING)
        if burst.ticks > 1 and burst.step_ns > self._finest_ns and burst.op is not Op.FLUSH:
            later = burst._replace(began_ns=burst.began_ns + burst.step_ns, ticks=burst.ticks - 1)
            heappush(self._apart, later)
            return burst._replace(ticks=1)
        return burst

    def _account(self, to_ns: int) -> None:
        """Add the time up to then to the present mode; the level was the same all the time."""
        mode_ns, meter, since = self.tally.mode_ns, self.odometer, self._since_ns
        if to_ns <= since:
            return
        level = self._ladder[self._rung - 1] if self._rung else None
        name = "off" if not self.plugged else level.name if level else "ready"
        if name == "ready" and since < self._spun_ns:
            spinning_up = min(to_ns, self._spun_ns) - since
            mode_ns["spin_up"] = mode_ns.get("spin_up", 0) + spinning_up
            mode_ns[name] = mode_ns.get(name, 0) + to_ns - since - spinning_up
        else:
            mode_ns[name] = mode_ns.get(name, 0) + to_ns - since
        if self.plugged:
            meter.powered_ns += to_ns - since
            if not (level and level.stopped):
                meter.spinning_ns += to_ns - since
        self._since_ns = to_ns

    # Motor and heads

    @property
    def ready_ns(self) -> int:
        """When the medium is ready, or last became so."""
        return self._ready_ns

    @property
    def spun_ns(self) -> int:
        """When the motor is at speed, or last came up to it."""
        return self._spun_ns

    @property
    def level(self) -> Level | None:
        """Its level; None: at the top, ready."""
        return self._ladder[self._rung - 1] if self._rung else None

    @property
    def stopped(self) -> bool:
        """The motor is stopped, or the drive has no power."""
        level = self.level
        return not self.plugged or (level is not None and level.stopped)

    def _step_down(self, at_ns: int) -> None:
        self._account(at_ns)
        before, level = self.level, self._ladder[self._rung]
        self._rung += 1
        self._entered(level.name)
        if level.stopped:
            self.odometer.stops += 1
            self._happened(at_ns, "stop")
        elif level.unloaded and not (before and before.unloaded):
            self.tally.parks += 1

    def _climb(self, at_ns: int, cause: str, actor: str) -> None:
        """Climb to the top: the medium is ready at `_ready_ns`."""
        level = self.level
        if level is None:
            return
        self._account(at_ns)
        self._rung = 0
        self._entered(TOP)
        if level.unloaded:
            self.odometer.loads += 1
        if not level.stopped:
            self._ready_ns = at_ns + level.recover_ns
            return
        self._spin_up(at_ns)
        tally, wait = self.tally, self._ready_ns - at_ns
        tally.cycles += 1
        tally.wakes[cause, actor] = tally.wakes.get((cause, actor), 0) + 1
        tally.wait_ns += wait
        self._happened(at_ns, "start", cause, actor, wait)

    def _spin_up(self, at_ns: int) -> None:
        """Start the motor; attempts that fail are made again and cost their time."""
        tries = 1
        if self.spinup_failures:
            # A function of seed and time, so that a restarted shelf finds the same failures.
            chance = random.Random(f"spin {self._seed} {at_ns}")
            while tries < 10 and chance.random() < self.spinup_failures:
                tries += 1
                self.odometer.spin_retries += 1
                self._happened(at_ns, "failed_start")
        self.odometer.starts += 1
        self.odometer.spinup_ns = tries * self.kind.spinup_ns
        self._ready_ns = self._spun_ns = at_ns + self.odometer.spinup_ns

    def _entered(self, name: str) -> None:
        entered = self.odometer.entered
        entered[name] = entered.get(name, 0) + 1

    def _happened(
        self, at_ns: int, what: str, cause: str = "", actor: str = "", wait_ns: int = 0
    ) -> None:
        self.tally.events.append(Event(at_ns, what, cause, actor, wait_ns))

    # Arrivals and the kernel's counters

    def _arrive(self, burst: Burst) -> None:
        if not self.plugged:
            return
        at_ns = burst.began_ns
        if burst.op is Op.FLUSH:
            served = at_ns
        else:
            if self._rung:
                self._climb(at_ns, burst.op.value, burst.actor)
            served = self._ready_ns
            self._idle_ns = max(self._idle_ns, burst.last_ns, served)
        if at_ns < served and burst.op is not Op.PASS_THROUGH:
            self._wait(burst, served)
        if burst.ticks == 1 and served <= at_ns:
            self._served(burst)
        else:
            self._open.append((burst, served))

    def _wait(self, burst: Burst, served_ns: int) -> None:
        """What comes before the medium is ready waits until then, all at once."""
        self._clear(burst.began_ns)
        count = burst.arrived(served_ns - 1)
        waited = count * (served_ns - burst.began_ns) - burst.step_ns * count * (count - 1) // 2
        began, _, before = self._queue or (burst.began_ns, 0, 0)
        self._queue = began, served_ns, before + waited

    def _clear(self, at_ns: int) -> None:
        """A queue that is done by then counts as such."""
        if self._queue is not None and self._queue[1] <= at_ns:
            began, ended, waited = self._queue
            self._busy_ns += ended - began
            self._waited_ns += waited
            self._queue = None

    def _served(self, burst: Burst) -> None:
        """The whole burst is done."""
        count, op = burst.ticks, burst.op
        self._requests += count
        if op is Op.PASS_THROUGH:
            return
        if op is Op.FLUSH:
            self._flushes += count
            return
        self._flushes += count * burst.flushes
        if op is Op.READ:
            self._sectors_read += count * burst.sectors
        else:
            self._sectors_written += count * burst.sectors

    def kernel(self, at_ns: int) -> Kernel:
        """The counters the kernel shows at that time, which must not lie before the last."""
        if at_ns >= self._due_ns:
            self.advance(at_ns)
        self._clear(at_ns)
        busy = self._busy_ns if self._queue is None else self._busy_ns + at_ns - self._queue[0]
        if not self._open:
            return Kernel(
                self._sectors_read,
                self._sectors_written,
                self._flushes,
                0,
                self._requests,
                busy,
                self._waited_ns,
            )
        still = []
        for burst, served in self._open:
            if at_ns >= served and at_ns >= burst.last_ns:
                self._served(burst)
            else:
                still.append((burst, served))
        self._open = still
        read, written, flushes = self._sectors_read, self._sectors_written, self._flushes
        waiting, requests = 0, self._requests
        for burst, served in still:
            here = burst.arrived(at_ns)
            requests += here
            if burst.op is Op.PASS_THROUGH:
                continue
            if at_ns < served:
                waiting += here
            elif burst.op is Op.FLUSH:
                flushes += here
            else:
                flushes += here * burst.flushes
                if burst.op is Op.READ:
                    read += here * burst.sectors
                else:
                    written += here * burst.sectors
        return Kernel(read, written, flushes, waiting, requests, busy, self._waited_ns)

    # Power

    def unplug(self, at_ns: int) -> None:
        """Power goes; heads on the platters are retracted in emergency."""
        if not self.plugged:
            return
        self.kernel(at_ns)
        self._account(at_ns)
        level = self.level
        if not (level and level.unloaded):
            self.odometer.retracts += 1
        if not (level and level.stopped):
            self.odometer.stops += 1
        self.plugged = False
        self._open = []
        self._happened(at_ns, "unplug")
        self._plan()

    def plug(self, at_ns: int) -> None:
        """Power comes back: the motor starts, and the kernel counts from zero."""
        if self.plugged:
            return
        self.advance(at_ns)
        self._account(at_ns)
        self.plugged = True
        self._rung = 0
        self._entered(TOP)
        self.odometer.power_cycles += 1
        self.odometer.loads += 1
        self._spin_up(at_ns)
        self._idle_ns = self._ready_ns
        self._sectors_read = self._sectors_written = self._flushes = self._requests = 0
        self._busy_ns = self._waited_ns = 0
        self._queue = None
        if self.kind.loses_timer_on_replug:
            self.timer_lost = True
        self._happened(at_ns, "plug")
        self._plan()

    def set_timer(self, at_ns: int, *, lost: bool) -> None:
        """Lose the standby timer, or have it back and begin to count; the motor stays as it is."""
        self.advance(at_ns)
        self.timer_lost = lost
        self._idle_ns = max(self._idle_ns, at_ns)
        self._plan()

    # What commands do; when is known to `answers`

    def commanded(self, at_ns: int, what: str, cdb: bytes = b"") -> None:
        """A command of ours arrives: counted and logged."""
        self.advance(at_ns)
        self._requests += 1
        if what == "probe":
            self.tally.probes += 1
        else:
            self.tally.log_reads += 1
        if self.log:
            level = self.level
            name = "off" if not self.plugged else level.name if level else "ready"
            self.tally.sent.append(Sent(at_ns, what, cdb, name))

    def restart_timer(self, at_ns: int) -> None:
        """The idle time begins anew; the drive stays at its level."""
        self._idle_ns = max(self._idle_ns, at_ns)
        self._plan()

    def climb(self, at_ns: int, cause: str, actor: str) -> None:
        """A command makes it climb its ladder."""
        self._climb(at_ns, cause, actor)
        self._idle_ns = max(self._idle_ns, self._ready_ns)
        self._plan()

    def settle(self, at_ns: int) -> Tally:
        """The tally up to that time."""
        self.kernel(at_ns)
        self._account(at_ns)
        return self.tally
