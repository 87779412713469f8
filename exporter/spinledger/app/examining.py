"""`look` without an exporter, and `check`: this machine's disks by free signals.

Rules: nothing is sent to a drive but by `probe_once`, and that only to disks whose sectors moved
between the two samples. A file on a watched disk is not read.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from spinledger.app.publishers import Latest
from spinledger.config.current import CurrentConfig
from spinledger.config.settings import Config
from spinledger.device.clock import RealClock
from spinledger.device.discovery import Discovery
from spinledger.device.kernel_counters import SysfsCounters
from spinledger.device.placement import holding
from spinledger.device.prober_client import ProcessProber
from spinledger.errors import Refusal, Unavailable
from spinledger.facts import Snapshot
from spinledger.loop import Loop, Ports
from spinledger.loop.settings import settings
from spinledger.model import (
    MILLISECOND,
    SECOND,
    Answered,
    Disk,
    Probe,
    Reply,
    State,
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


@dataclass(frozen=True, slots=True)
class Examined:
    """What `check` found out."""

    snapshot: Snapshot
    replies: Mapping[str, Reply]  # by identity
    collisions: tuple[str, ...] = ()  # disks of one identity
    places: tuple[str, ...] = ()  # what of ours, or near us, lies on a watched disk
    off: tuple[Disk, ...] = ()  # disks that are not watched, by configuration
    unmatched: tuple[str, ...] = ()  # entries of `disks` that match no disk
    ledger: tuple[str, ...] = ()  # why `serve` would refuse the ledger file, or set it aside


def observe(config: Config) -> Snapshot:
    """One snapshot of this machine by free signals alone: nothing is sent to a drive.

    Raises Unavailable when the kernel's device list cannot be read.
    """
    return examine(config, probe=False).snapshot


def examine(config: Config, probe: bool) -> Examined:
    """Two samples of the free signals; with `probe` one probe of each disk that is in use.

    A disk counts as in use when its sectors moved between the samples, so that none is woken.
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
    loop.observe(clock.now())
    if latest.snapshot is None:
        raise Unavailable("no_observation", "the kernel's block devices could not be read")
    in_use = [view.disk for view in latest.snapshot.disks if view.state is State.ACTIVE]
    replies = probe_once(clock, in_use) if probe else {}
    watched = [view.disk for view in latest.snapshot.disks]
    off = tuple(loop.unwatched.values())
    return Examined(
        latest.snapshot,
        replies,
        tuple(discovery.collisions),
        tuple(placed(config.ledger_path, watched)),
        off,
        tuple(current.unmatched([*watched, *off])),
        tuple(ledger_trouble(config.ledger_path, watched)),
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


def probe_once(clock: Clock, disks: Sequence[Disk]) -> Mapping[str, Reply]:
    """One probe of each disk that has one; those that do not answer in time are left out."""
    prober = ProcessProber()
    replies: dict[str, Reply] = {}
    sent = 0
    deadline = clock.now() + DEADLINE_NS
    try:
        for number, disk in enumerate(disks, 1):
            if disk.probe_method is not None:
                now = clock.now()
                prober.send(Probe(number, disk.identity, disk.probe_method, now, deadline), disk)
                sent += 1
        while len(replies) < sent and clock.now() < deadline:
            clock.wait(deadline, (prober,))
            for answered in prober.replies(clock.now()):
                replies[answered.probe.disk] = answered.reply
    finally:
        prober.close()
    return replies


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
