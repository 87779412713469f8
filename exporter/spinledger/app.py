"""The only wiring: which ports are real and which are simulated.

Rules: the simulated shelf is imported only when it is asked for; the loop runs in the caller's
thread; a signal only ends a wait. Whatever fails at the start is one line and exit code 2.
"""

from __future__ import annotations

import signal
import socket
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from spinledger import __version__
from spinledger.config.load import host_zone, load
from spinledger.config.settings import Config
from spinledger.device.asking import ProcessProber
from spinledger.device.clock import RealClock
from spinledger.device.counters import SysfsCounters
from spinledger.device.discovery import Discovery
from spinledger.errors import BadConfig, Unavailable
from spinledger.insight.budget import RecentCycles
from spinledger.insight.energy import Energy
from spinledger.insight.gaps import WhatIf
from spinledger.insight.quiet import Calendar, Cursor
from spinledger.insight.slept import QuietWindow
from spinledger.ledger.folds import Changes, IdleGaps, StateSeconds
from spinledger.loop import Loop, Ports, Wishes
from spinledger.metrics.collector import render_text
from spinledger.model import (
    MILLISECOND,
    SECOND,
    Answered,
    Ask,
    Disk,
    Labels,
    Number,
    Policy,
    Reply,
    Snapshot,
    State,
)
from spinledger.ports import Clock, Fold, QuietHours
from spinledger.sampler import DEADLINE_NS
from spinledger.web.server import WebServer

TEXTFILE_EVERY_NS = 15 * SECOND
LOOK_NS = 500 * MILLISECOND
PROBE_LOOK_NS = 5 * SECOND
EVENING_HOUR = 21  # a simulated shelf begins at this local hour


@dataclass(frozen=True, slots=True)
class Serving:
    """What `serve` was asked to do."""

    config: Path | None = None
    listen: tuple[str, int] | None = None
    simulated: bool = False
    speed: float = 1.0
    seed: int = 1
    for_s: float | None = None
    ledger: str = ""  # "" as configured; "memory": nothing is kept
    textfile: Path | None = None


class Latest:
    """Keeps the newest snapshot for the web server; replacing a reference is atomic."""

    def __init__(self) -> None:
        self.snapshot: Snapshot | None = None

    def current(self) -> Snapshot | None:
        """The newest snapshot."""
        return self.snapshot

    def wants(self, at_ns: int) -> bool:
        """Always: a scrape may come at any time."""
        return True

    def publish(self, snapshot: Snapshot) -> None:
        """Replace it."""
        self.snapshot = snapshot


class TextFile:
    """Writes the metrics to DIR/spinledger.prom, whole or not at all."""

    def __init__(self, directory: Path) -> None:
        self._path = directory / "spinledger.prom"
        self._last_ns: int | None = None

    def wants(self, at_ns: int) -> bool:
        """Every 15 s."""
        return self._last_ns is None or at_ns - self._last_ns >= TEXTFILE_EVERY_NS

    def publish(self, snapshot: Snapshot) -> None:
        """Write beside the file, then rename over it."""
        self._last_ns = snapshot.at_ns
        partial = self._path.with_suffix(".prom.partial")
        with suppress(OSError):
            partial.write_bytes(render_text(snapshot))
            partial.replace(self._path)


class Waker:
    """Signals as a source the loop can wait for."""

    def __init__(self) -> None:
        self._read, write = socket.socketpair()
        self._read.setblocking(False)
        write.setblocking(False)
        self._write = write
        signal.set_wakeup_fd(write.fileno(), warn_on_full_buffer=False)

    def fileno(self) -> int:
        """Readable after a signal."""
        with suppress(BlockingIOError):
            while self._read.recv(64):
                pass
        return self._read.fileno()


@dataclass(slots=True)
class Owner:
    """The configuration in force, and how its last reload went."""

    path: Path | None
    config: Config
    loaded_wall_s: float
    good: bool = True
    calendars: dict[str, Calendar] = field(default_factory=dict)
    usual: Mapping[str, Policy] = field(default_factory=dict)  # a simulated shelf's own wishes

    def policy(self, disk: Disk) -> Policy:
        """What the owner wants of a disk."""
        if self.config.rule_for(disk) is None and disk.identity in self.usual:
            return self.usual[disk.identity]
        return self.config.policy_for(disk)

    def quiet_hours(self, policy: Policy) -> QuietHours | None:
        """The disk's schedule, with its time zone."""
        if policy.quiet is None or policy.quiet not in self.config.schedules:
            return None
        schedule = self.config.schedules[policy.quiet]
        calendar = self.calendars.get(policy.quiet)
        if calendar is None or calendar.schedule != schedule:
            calendar = Calendar(schedule, ZoneInfo(schedule.zone))
            self.calendars[policy.quiet] = calendar
        return Cursor(calendar)

    def samples(self) -> Mapping[str, Mapping[Labels, Number]]:
        """The exporter's own series."""
        return {
            "build_info": {(__version__,): 1},
            "config_reload_success": {(): int(self.good)},
            "config_reload": {(): self.loaded_wall_s},
        }

    def reload(self, say: Callable[[str], None]) -> bool:
        """Read the file again; a bad one is refused and the old settings stay."""
        try:
            self.config = load(self.path)
        except BadConfig as bad:
            self.good = False
            say(f"configuration refused, the old one stays: {bad}")
            return False
        self.good = True
        self.loaded_wall_s = time.time()
        return True


def folds(disk: Disk, policy: Policy) -> Sequence[Fold]:
    """Every counter of one disk."""
    return (
        StateSeconds(),
        Changes(),
        IdleGaps(),
        RecentCycles(policy),
        QuietWindow(),
        WhatIf(policy.candidates_ns),
        Energy(policy),
    )


def serve(serving: Serving) -> int:
    """Run the exporter until a signal, or for `for_s` seconds. Returns the exit code."""
    owner = Owner(serving.config, load(serving.config), time.time())
    latest = Latest()
    listen = serving.listen or owner.config.listen
    web = WebServer(listen, latest.current)
    publishers: list[Latest | TextFile] = [latest]
    if serving.textfile is not None:
        publishers.append(TextFile(serving.textfile))
    waker = Waker()
    if serving.simulated:
        ports = _simulated(serving, owner, publishers, waker)
    else:
        ports = _real(publishers, waker)
    wishes = Wishes(owner.policy, folds, owner.quiet_hours, owner.samples, say)
    loop = Loop(ports, wishes, owner.config.cadence.fast_ns)
    _on_signals(loop, owner)
    web.start()
    say(f"serving {web.url}metrics")
    try:
        until_ns = None
        if serving.for_s is not None:
            until_ns = ports.clock.now() + round(serving.for_s * serving.speed * SECOND)
        loop.run(until_ns)
    finally:
        web.stop()
        if isinstance(ports.prober, ProcessProber):
            ports.prober.close()
    return 0


def say(line: str) -> None:
    """One line for the operator, on standard error."""
    print(f"spinledger: {line}", file=sys.stderr, flush=True)


def _on_signals(loop: Loop, owner: Owner) -> None:
    def stop(_number: int, _frame: object) -> None:
        loop.stopping = True

    def reread(_number: int, _frame: object) -> None:
        if owner.reload(say):
            loop.fast_ns = owner.config.cadence.fast_ns
            loop.refresh_policies()

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)
    signal.signal(signal.SIGHUP, reread)


def _real(publishers: Sequence[Latest | TextFile], waker: Waker) -> Ports:
    return Ports(
        clock=RealClock(),
        discoverer=Discovery(),
        counters=SysfsCounters(),
        prober=ProcessProber(),
        publishers=publishers,
        wakers=(waker,),
    )


def _simulated(
    serving: Serving, owner: Owner, publishers: Sequence[Latest | TextFile], waker: Waker
) -> Ports:
    from spinledger.sim.clocks import ScaledClock
    from spinledger.sim.shelf import SimulatedShelf

    start_wall_ns = evening_wall_ns(serving.seed)
    shelf = SimulatedShelf(serving.seed, start_ns=SECOND, start_wall_ns=start_wall_ns)
    owner.usual = shelf.policies()
    return Ports(
        clock=ScaledClock(serving.speed, SECOND, start_wall_ns),
        discoverer=shelf.discoverer,
        counters=shelf.counters,
        prober=shelf.prober,
        publishers=publishers,
        wakers=(waker,),
    )


def evening_wall_ns(seed: int) -> int:
    """21:00 of yesterday, local time of this host: where a simulated shelf begins."""
    zone = host_zone()
    now = datetime.now(ZoneInfo(zone) if zone else None).astimezone()
    evening = now.replace(hour=EVENING_HOUR, minute=0, second=0, microsecond=0)
    if evening > now:
        evening -= timedelta(days=1)
    return int(evening.timestamp()) * SECOND


@dataclass(frozen=True, slots=True)
class Examined:
    """What `check` saw: a snapshot, answers by identity, and what discovery complains of."""

    snapshot: Snapshot
    replies: Mapping[str, Reply]
    collisions: tuple[str, ...]


def observe(config: Config) -> Snapshot:
    """One observation of this machine by free signals alone: nothing is sent to a drive.

    Raises Unavailable when the kernel's device list cannot be read.
    """
    return examine(config, probe=False).snapshot


def examine(config: Config, probe: bool) -> Examined:
    """Two looks at the free signals; with `probe` one question to each disk that is in use.

    A disk counts as in use when its sectors moved between the looks, so that none is woken.
    """
    clock = RealClock()
    latest = Latest()
    owner = Owner(None, config, time.time())
    discovery = Discovery()
    ports = Ports(clock, discovery, SysfsCounters(), Silent(), [latest])
    wishes = Wishes(owner.policy, folds, owner.quiet_hours, owner.samples, say)
    loop = Loop(ports, wishes, config.cadence.fast_ns)
    loop.begin()
    loop.observe(clock.now())
    clock.wait(clock.now() + (PROBE_LOOK_NS if probe else LOOK_NS), ())
    loop.observe(clock.now())
    if latest.snapshot is None:
        raise Unavailable("no_observation", "the kernel's block devices could not be read")
    in_use = [view.disk for view in latest.snapshot.disks if view.state is State.ACTIVE]
    replies = ask_once(clock, in_use) if probe else {}
    return Examined(latest.snapshot, replies, tuple(discovery.collisions))


def ask_once(clock: Clock, disks: Sequence[Disk]) -> Mapping[str, Reply]:
    """One question to each disk that has one; those that do not answer in time are left out."""
    prober = ProcessProber()
    replies: dict[str, Reply] = {}
    asked = 0
    deadline = clock.now() + DEADLINE_NS
    try:
        for number, disk in enumerate(disks, 1):
            if disk.ask_method is not None:
                now = clock.now()
                prober.send(Ask(number, disk.identity, disk.ask_method, now, deadline), disk)
                asked += 1
        while len(replies) < asked and clock.now() < deadline:
            clock.wait(deadline, (prober,))
            for answered in prober.replies(clock.now()):
                replies[answered.ask.disk] = answered.reply
    finally:
        prober.close()
    return replies


class Silent:
    """A prober that never sends anything."""

    def send(self, ask: Ask, disk: Disk) -> None:
        """Nothing is ever sent."""

    def replies(self, at_ns: int) -> Sequence[Answered]:
        """Nothing ever comes."""
        return ()

    def forget(self, disk: Disk) -> None:
        """Nothing is held."""

    def fileno(self) -> int:
        """Never readable."""
        return -1
