"""`serve`: the exporter on real or simulated disks.

Rules: the simulated shelf is imported only when it is asked for; the loop runs in the caller's
thread; a signal only ends a wait. Whatever fails at the start is one line and exit code 2.
"""

from __future__ import annotations

import signal
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from spinledger.app.owner import Owner, say
from spinledger.app.publishers import Latest, TextFile, Waker
from spinledger.config.load import host_zone, load
from spinledger.device.asking import ProcessProber
from spinledger.device.clock import RealClock
from spinledger.device.counters import SysfsCounters
from spinledger.device.discovery import Discovery
from spinledger.errors import Refusal
from spinledger.loop import Loop, Ports
from spinledger.model import SECOND
from spinledger.web.server import WebServer

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


def serve(serving: Serving) -> int:
    """Run the exporter until a signal, or for `for_s` seconds. Returns the exit code."""
    owner = Owner(serving.config, load(serving.config), time.time())
    if owner.config.tls_and_users is not None:
        raise Refusal(
            f"{owner.config.source}: web.tls_and_users: this version serves neither TLS nor users; "
            "drop the key, and put a reverse proxy in front"
        )
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
    loop = Loop(ports, owner.wishes(), owner.config.cadence.fast_ns)
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
    from spinledger.sim.clocks import ScaledClock, boot_name
    from spinledger.sim.shelf import EPOCH_WALL_NS, SimulatedShelf

    start_wall_ns = evening_wall_ns()
    start_ns = start_wall_ns - EPOCH_WALL_NS
    shelf = SimulatedShelf(serving.seed, start_ns, start_wall_ns, zone=host_zone() or "UTC")
    owner.take_simulated(shelf.policies)
    return Ports(
        clock=ScaledClock(serving.speed, start_ns, start_wall_ns, boot_name(serving.seed)),
        discoverer=shelf.discoverer,
        counters=shelf.counters,
        prober=shelf.prober,
        publishers=publishers,
        wakers=(waker,),
    )


def evening_wall_ns() -> int:
    """21:00 of yesterday, local time of this host: where a simulated shelf begins."""
    zone = host_zone()
    now = datetime.now(ZoneInfo(zone) if zone else None).astimezone()
    evening = now.replace(hour=EVENING_HOUR, minute=0, second=0, microsecond=0)
    if evening > now:
        evening -= timedelta(days=1)
    return int(evening.timestamp()) * SECOND
