"""Helpers for tests that probe drives through the prober process."""

from __future__ import annotations

import select
import time
from collections.abc import Iterable

from spinledger.device.prober_client import ProcessProber
from spinledger.model import SECOND, Answered, Disk, Probe
from tests.fakes.patience import PATIENCE_S


def probe_all(prober: ProcessProber, disks: Iterable[Disk], first: int = 1, at_ns: int = 0) -> int:
    """Send every disk its probe, numbered from `first`; how many were sent."""
    number = first
    for disk in disks:
        assert disk.probe_method is not None
        prober.send(Probe(number, disk.identity, disk.probe_method, at_ns, at_ns + SECOND), disk)
        number += 1
    return number - first


def answers(
    prober: ProcessProber, count: int, at_ns: int = 0, within: float = PATIENCE_S
) -> list[Answered]:
    """Wait for that many replies; fewer when the time is up."""
    got: list[Answered] = []
    end = time.monotonic() + within
    while len(got) < count and (left := end - time.monotonic()) > 0:
        select.select([prober], [], [], left)
        got += prober.replies(at_ns)
    return got
