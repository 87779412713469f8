"""`serve`: the exporter on real or simulated disks.

Rules: the simulation is imported only when it is used; the loop runs in the caller's
thread; a signal only ends a wait. Whatever fails at the start is one line and exit code 2.
"""

from __future__ import annotations

import time
from collections.abc import Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from platform import node

from spinledger.app.pages import check_zone, page_context
from spinledger.app.publishers import Latest, Service, Signals, TextFile
from spinledger.config.current import CurrentConfig
from spinledger.config.load import find, load
from spinledger.config.settings import Config
from spinledger.config.zones import host_zone, time_zone
from spinledger.device.clock import RealClock, synchronised
from spinledger.device.cross_check import SmartctlCrossChecker, files_of
from spinledger.device.discovery import Discovery
from spinledger.device.kernel_counters import SysfsCounters
from spinledger.device.placement import holding
from spinledger.device.prober_client import ProcessProber
from spinledger.errors import BadConfig, Refusal, Unavailable
from spinledger.log import fail, say, warn
from spinledger.loop import Loop, Ports
from spinledger.loop.cross_check import CrossChecking
from spinledger.loop.keeping import Keeping
from spinledger.loop.settings import settings
from spinledger.model import DAY, SECOND, Disk
from spinledger.ports import Publisher, Restored, Source
from spinledger.store.export import answer
from spinledger.store.ledger import FileStore, MemoryStore
from spinledger.store.live import live_directory
from spinledger.web.access import Access
from spinledger.web.server import WebServer

MEMORY = "memory"  # the name of a ledger that is not kept
USUAL_DISKS = 8  # of a simulation
EVENING_HOUR = 21  # a simulation begins at this local hour


@dataclass(frozen=True, slots=True)
class Serving:
    """The options of `serve`."""

    config: Path | None = None
    listen: tuple[str, int] | None = None
    simulated: bool = False
    speed: float = 1.0
    seed: int = 1
    disks: int | None = None  # simulated; None: as many as the ledger has, else 8
    faults: tuple[str, ...] = ()  # of the simulation, as `sim.faults.order` takes them
    zone: str = ""  # time zone of the simulation; "": this host's
    at_present: bool = False  # the simulation begins now, not where its ledger ends
    for_s: float | None = None
    ledger: str = ""  # "" as configured; "memory": nothing is kept
    textfile: Path | None = None
    prober: str = ""  # socket of a prober that runs as a service; "": it is a child


def serve(serving: Serving) -> int:
    """Run the exporter until a signal, or for `for_s` seconds. Returns the exit code."""
    signals = Signals()
    current = configured(serving)
    access = accessible(current.config)
    latest = Latest()
    listen = serving.listen or current.config.listen
    publishers: list[Publisher] = [latest, Service()]
    if serving.textfile is not None:
        publishers.append(TextFile(serving.textfile))
    store = open_store(serving, current.config)
    restored = store.restore()
    if serving.simulated:
        ports = _simulated(serving, current, publishers, (signals, latest), restored)
    else:
        ports = _real(publishers, (signals, latest), serving.prober)
    latest.now = ports.clock.now
    # Without a file a commit only puts entries away, in the loop's own thread: seldom is enough.
    keeping = Keeping(store, restored, at_turns=isinstance(store, FileStore))
    if isinstance(store, FileStore) and not serving.simulated:
        keeping.holders_of = lambda disks: holders(store, disks)
    checker = None if serving.simulated else SmartctlCrossChecker()
    checking = None
    if checker is not None:
        checking = CrossChecking(checker, lambda disks: program_holders(current.config, disks))
    loop = Loop(ports, settings(current), keeping, checking)

    def in_force() -> None:
        """What else follows the configuration."""
        if isinstance(store, FileStore):
            store.keep_days = keep_days(current.config)
        if checker is not None and current.config.cross_check is not None:
            checker.smartctl = str(current.config.cross_check)
            if serving.prober:
                warn("wear.cross_check reads nothing with --prober: smartctl may open no disk here")

    def reload() -> bool:
        """Read the file again, and let all of it hold."""
        good = current.reload()
        if good:
            in_force()
            try:
                access.use(current.config.tls_and_users, current.config.host_names)
            except BadConfig as bad:
                fail(f"certificates and users refused, the old ones stay: {bad}")
                good = current.good = False
        return good

    in_force()
    loop.settings.reload = reload
    signals.drive(loop)
    host = "simulated disks" if serving.simulated else node()
    web = WebServer(
        listen,
        latest.current,
        lambda query: answer(store.history(), query, ports.clock.wall()),
        page_context(current, store.remembered, host),
        ports.clock.wall,
        access,
        latest.scraped,
        lambda: latest.snapshot is not None,
    )
    web.start()
    say(f"serving {web.url}metrics")
    if web.exposed:
        warn(f"every host that reaches {web.url} may read it: set web.tls_and_users")
    try:
        until_ns = None
        if serving.for_s is not None:
            until_ns = ports.clock.now() + round(serving.for_s * serving.speed * SECOND)
        loop.run(until_ns)
    finally:
        if checker is not None:
            checker.close()
        web.stop()
        store.close()
        if isinstance(ports.prober, ProcessProber):
            ports.prober.close()
    return 0


def configured(serving: Serving) -> CurrentConfig:
    """The configuration to start with. Raises BadInput for what cannot be served.

    Simulated disks do not take this host's usual file.
    """
    usual = not serving.simulated
    config = load(find(serving.config) if usual else serving.config)
    if serving.simulated:
        time_zone(*simulated_zone(serving))
    else:
        check_zone(config)
    overridden = frozenset(
        key
        for key, named in (("listen", serving.listen), ("ledger.path", ledger_named(serving)))
        if named
    )
    return CurrentConfig(serving.config, config, time.time(), usual, overridden)


def accessible(config: Config) -> Access:
    """Certificates, users and names as configured. Raises BadConfig."""
    access = Access(say, fail)
    access.use(config.tls_and_users, config.host_names)
    return access


def ledger_named(serving: Serving) -> bool:
    """Whether the ledger is not that of the configuration."""
    return serving.simulated or bool(serving.ledger)


def simulated_zone(serving: Serving) -> tuple[str, str]:
    """The time zone of simulated disks, and the option that names it; "" for the host's."""
    if serving.zone:
        return serving.zone, "--zone"
    return host_zone() or "UTC", ""


def open_store(serving: Serving, config: Config) -> FileStore | MemoryStore:
    """The ledger: a file, or memory alone for `memory` and for a simulation without a name."""
    if serving.ledger == MEMORY or (serving.simulated and not serving.ledger):
        return MemoryStore()
    return FileStore(
        Path(serving.ledger) if serving.ledger else config.ledger_path,
        boot_id=simulated_boot(serving) if serving.simulated else RealClock().boot_id(),
        live=live_directory(),
        simulated=serving.simulated,
        keep_days=keep_days(config),
        say=fail,
    )


def holders(store: FileStore, disks: Sequence[Disk]) -> frozenset[str]:
    """Identities of the watched disks under the ledger file."""
    held = holding(store.path).disks
    found = frozenset(disk.identity for disk in disks if held.intersection(disk.nodes))
    store.flush_all(bool(found))
    return found


def program_holders(config: Config, disks: Sequence[Disk]) -> frozenset[str]:
    """Identities of the watched disks under smartctl's files; none while it is not used."""
    if config.cross_check is None:
        return frozenset()
    held = {name for path in files_of(config.cross_check) for name in holding(path).disks}
    return frozenset(disk.identity for disk in disks if held.intersection(disk.nodes))


def keep_days(config: Config) -> int:
    """For how many days the ledger keeps spans."""
    return max(1, config.keep_spans_ns // DAY)


def _real(publishers: Sequence[Publisher], wakers: Sequence[Source], socket: str) -> Ports:
    prober = ProcessProber(socket)
    return Ports(
        clock=RealClock(),
        discoverer=Discovery(),
        counters=SysfsCounters(),
        prober=prober,
        publishers=publishers,
        wakes=prober,
        prober_health=prober.health,
        wakers=wakers,
        synchronised=synchronised,
    )


def _simulated(
    serving: Serving,
    current: CurrentConfig,
    publishers: Sequence[Publisher],
    wakers: Sequence[Source],
    restored: Restored,
) -> Ports:
    """Simulated disks from the evening on, or from where its ledger ends."""
    from spinledger.sim.clocks import ScaledClock
    from spinledger.sim.shelf import EPOCH_WALL_NS, SimulatedShelf

    kept_wall_ns = restored.wall_ns
    disks, host = simulated_disks(serving, restored.accounts)
    zone, _ = simulated_zone(serving)
    start_wall_ns = kept_wall_ns or evening_wall_ns(zone)
    if serving.at_present:
        start_wall_ns = max(kept_wall_ns, time.time_ns())
    start_ns = start_wall_ns - EPOCH_WALL_NS
    shelf = SimulatedShelf(
        serving.seed,
        start_ns,
        start_wall_ns,
        disks=disks,
        host=host,
        faults=serving.faults,
        zone=zone,
    )
    current.take_simulated(shelf.policies, zone)
    return Ports(
        clock=ScaledClock(serving.speed, start_ns, start_wall_ns, simulated_boot(serving)),
        discoverer=shelf.discoverer,
        counters=shelf.counters,
        prober=shelf.prober,
        publishers=publishers,
        wakes=shelf.wakes,
        wakers=wakers,
    )


def simulated_disks(serving: Serving, known: Collection[str]) -> tuple[int, str]:
    """How many disks a simulation has, and its host: as its ledger, if nothing else is given."""
    host = "dome" if any(name.startswith("sim-dome-") for name in known) else "attic"
    return serving.disks or len(known) or USUAL_DISKS, host


def simulated_boot(serving: Serving) -> str:
    """The boot id of a simulated host: it goes on in the boot in which its ledger ended."""
    from spinledger.sim.clocks import boot_name
    from spinledger.sim.rehearse import last_boot

    boot = ""
    if serving.ledger not in ("", MEMORY):
        with suppress(Unavailable, Refusal):  # the store says so, and may set the file aside
            boot = last_boot(Path(serving.ledger))
    return boot or boot_name(serving.seed)


def evening_wall_ns(zone: str) -> int:
    """The last 21:00 of a zone's local time: where a simulation begins."""
    now = datetime.now(time_zone(zone, "--zone"))
    evening = now.replace(hour=EVENING_HOUR, minute=0, second=0, microsecond=0)
    if evening > now:
        evening -= timedelta(days=1)
    return int(evening.timestamp()) * SECOND
