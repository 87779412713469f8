"""`look` without an exporter, and `check`: this machine's disks by free signals.

Rules: nothing is sent to a drive but by `exchange`, and that only to disks whose sectors moved
between the two samples. A file on a watched disk is not read.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import NamedTuple

from spinledger.app.publishers import Latest
from spinledger.codec import counters
from spinledger.config.current import CurrentConfig
from spinledger.config.settings import Config
from spinledger.device.clock import RealClock
from spinledger.device.discovery import Discovery
from spinledger.device.kernel_counters import SysfsCounters
from spinledger.device.placement import holding
from spinledger.device.prober_client import ProcessProber
from spinledger.errors import Refusal, Unavailable
from spinledger.facts import DiskView, Snapshot
from spinledger.loop import Loop, Ports
from spinledger.loop.settings import settings
from spinledger.model import (
    MILLISECOND,
    SECOND,
    Answered,
    Command,
    Completion,
    Disk,
    Mode,
    Probe,
    Reason,
    Refused,
    Reply,
    Reported,
    State,
    Watch,
)
from spinledger.ports import Clock
from spinledger.sampler import DEADLINE_NS
from spinledger.store.file import read_accounts
from spinledger.store.ledger import check_kind

BETWEEN_NS = 500 * MILLISECOND  # two samples
BETWEEN_PROBING_NS = 5 * SECOND
NEAR_US: Sequence[tuple[str, Path]] = (
    ("The system's journal", Path("/var/log/journal")),
    ("A metrics server's data", Path("/var/lib/prometheus")),
    ("This program", Path(__file__).parent),
)
"""What writes or is read near us, by the paths that Debian uses."""
_ENDS = frozenset(Reason) - {Reason.REJECTED, Reason.NO_REGISTERS, Reason.RESERVED}
"""After other refusals a disk is sent nothing more: it may not spin, or would answer the same."""


class Exchange(NamedTuple):
    """A command and what came of it; no completion: the kernel or the prober refused it."""

    command: Command
    reply: Reply
    completion: Completion | None


@dataclass(frozen=True, slots=True)
class Examined:
    """What `check` found out."""

    snapshot: Snapshot
    replies: Mapping[str, Reply]  # to probes, by identity
    collisions: tuple[str, ...] = ()  # disks of one identity
    places: tuple[str, ...] = ()  # what of ours, or near us, lies on a watched disk
    off: tuple[Disk, ...] = ()  # disks that are not watched, by configuration
    unmatched: tuple[str, ...] = ()  # entries of `disks` that match no disk
    ledger: tuple[str, ...] = ()  # why `serve` would refuse the ledger file, or set it aside
    exchanges: Mapping[str, Sequence[Exchange]] = field(default_factory=dict)  # by identity


def observe(config: Config) -> Snapshot:
    """One snapshot of this machine by free signals alone: nothing is sent to a drive.

    Raises Unavailable when the kernel's device list cannot be read.
    """
    return examine(config, probe=False).snapshot


def examine(config: Config, probe: bool, records: bool = False) -> Examined:
    """Two samples of the free signals; with `probe` one probe of each disk that is in use.

    A disk counts as in use when its sectors moved between the samples, so that none is woken; only
    those with `watch: full` are probed. `records` then reads the counters of those that spin.
    """
    clock = RealClock()
    latest = Latest()
    current = CurrentConfig(None, config, time.time())
    quiet = replace(settings(current), say=lambda line: None)
    discovery = Discovery()
    ports = Ports(clock, discovery, SysfsCounters(), Silent(), [latest])
    loop = Loop(ports, quiet)
    loop.begin()
    loop.observe(clock.now())
    clock.wait(clock.now() + (BETWEEN_PROBING_NS if probe else BETWEEN_NS), ())
    latest.drop()  # the one to come is of both samples
    loop.observe(clock.now())
    if latest.snapshot is None:
        raise Unavailable("no_observation", "the kernel's block devices could not be read")
    in_use = [
        view
        for view in latest.snapshot.disks
        if view.state is State.ACTIVE and view.policy.watch is Watch.FULL
    ]
    exchanges = exchange(clock, in_use, records) if probe else {}
    watched = [view.disk for view in latest.snapshot.disks]
    off = tuple(loop.unwatched.values())
    return Examined(
        latest.snapshot,
        {identity: done[0].reply for identity, done in exchanges.items()},
        tuple(discovery.collisions),
        tuple(placed(config.ledger_path, watched)),
        off,
        tuple(current.unmatched([*watched, *off])),
        tuple(ledger_trouble(config.ledger_path, watched)),
        exchanges,
    )


def placed(ledger: Path, watched: Sequence[Disk]) -> Iterator[str]:
    """A sentence for each place whose writing or reading would wake a watched disk."""
    for what, path in (("The ledger", ledger), *NEAR_US):
        if what != "The ledger" and not path.exists():
            continue
        found = holding(path)
        for disk in watched:
            if found.disks.intersection(disk.nodes):
                yield f"{what} ({path}) is on {disk.kernel_name}, which is watched: it may wake it"
        if found.unknown:
            yield f"{what}: {found.unknown}, so it may be on a watched disk"


def ledger_trouble(path: Path, watched: Sequence[Disk]) -> Iterator[str]:
    """Why `serve` would not go on with the ledger file; nothing where it may not be read."""
    nodes = {node for disk in watched for node in disk.nodes}
    if not os.path.isfile(path) or not os.access(path, os.R_OK) or not os.path.getsize(path):
        return
    if nodes & holding(path).disks:
        return
    try:
        _, accounts = read_accounts(path)
        check_kind(path, accounts, simulated=False)
    except Refusal as refused:
        yield f"`serve` would refuse the ledger: {refused}"
    except Unavailable as found:
        yield f"The ledger: {found}"


def programs(config: Config) -> list[str]:
    """A sentence for each program that is configured and cannot be run."""
    path = config.cross_check
    if path is None or os.access(path, os.X_OK):
        return []
    what = "cannot be run" if path.exists() else "is not there"
    return [f"wear.cross_check: {path} {what}; install it, or remove the key"]


def exchange(
    clock: Clock, views: Sequence[DiskView], records: bool
) -> Mapping[str, Sequence[Exchange]]:
    """One probe of each disk that has one, with `records` also the reading of its counters.

    All disks at a time, each disk's commands one after the other. A disk that does not answer in
    time, does not spin, or whose link was reset, is sent nothing more.
    """
    completions: dict[int, Completion] = {}
    prober = ProcessProber(keep=lambda probe, done: completions.update({probe.number: done}))
    to_send = {view.disk.identity: _commands(view, records) for view in views}
    disks = {view.disk.identity: view.disk for view in views}
    done: dict[str, list[Exchange]] = {}
    outstanding: dict[str, Command] = {}
    number = 0
    deadline = clock.now() + DEADLINE_NS
    try:
        while clock.now() < deadline:
            for identity in to_send.keys() - outstanding.keys():
                if to_send[identity]:
                    number += 1
                    command = to_send[identity].pop(0)
                    probe = Probe(number, identity, command, clock.now(), deadline)
                    prober.send(probe, disks[identity])
                    outstanding[identity] = command
            if not outstanding:
                break
            clock.wait(deadline, (prober,))
            for answered in prober.replies(clock.now()):
                identity = answered.probe.disk
                outstanding.pop(identity, None)
                completion = completions.get(answered.probe.number)
                one = Exchange(answered.probe.command, answered.reply, completion)
                done.setdefault(identity, []).append(one)
                if not _goes_on(one.reply):
                    to_send[identity].clear()
    finally:
        prober.close()
    for identity, command in outstanding.items():
        silent = Refused(Reason.TIMEOUT, f"no answer within {DEADLINE_NS // SECOND} s")
        done.setdefault(identity, []).append(Exchange(command, silent, None))
    return done


def _commands(view: DiskView, records: bool) -> list[Command]:
    method = view.disk.probe_method
    if method is None:
        return []
    return [method, *(counters.plan(view.disk) if records and view.policy.cadence.wear_ns else ())]


def _goes_on(reply: Reply) -> bool:
    """Whether the disk may be sent another command."""
    if isinstance(reply, Reported):
        return reply.mode is not Mode.STANDBY
    return not isinstance(reply, Refused) or reply.reason not in _ENDS


class Silent:
    """A prober that never sends anything."""

    def send(self, probe: Probe, disk: Disk) -> None:
        """Nothing is ever sent."""

    def replies(self, at_ns: int) -> Sequence[Answered]:
        """Nothing ever comes."""
        return ()

    def forget(self, disk: Disk) -> None:
        """Nothing is held."""

    def fileno(self) -> int:
        """Never readable."""
        return -1
