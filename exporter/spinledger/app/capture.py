"""`capture`: who does I/O on the watched disks, once a second, as rows of a trace.

Rules: free signals only; nothing is sent to a drive. A row says that an actor did at least one I/O
between two readings; its time is the middle between them, so it is at most half an interval off,
and a gap between rows at most one. Where readings lie further apart (the host was suspended, say)
it is half an interval before the later one. Times run on the boot clock from the wall time of the
start: a clock that is set meanwhile moves none of them. The disks are those here at the start; a
row `begin` and a row `end` of each bound what was observed, and are no I/O.
SIGINT, SIGTERM and SIGHUP end a wait, never a reading, so the kernel is left as it was; one that
was ignored from the start (nohup) stays so.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from spinledger.config.naming import identify, names_of
from spinledger.config.settings import Config
from spinledger.device import sysfs
from spinledger.device.clock import RealClock
from spinledger.device.discovery import Discovery
from spinledger.device.histogram import Doing, Histogram, Key, Sums, device_number, moved
from spinledger.device.tracing import Instance
from spinledger.errors import BadInput, Refusal, Unavailable
from spinledger.model import SECOND, Disk, Watch
from spinledger.ports import Clock
from spinledger.whatif.trace import BEGIN, END

INTERVAL_NS = SECOND
ENDINGS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


@dataclass(frozen=True, slots=True)
class Row:
    """One actor's I/O of one kind on one disk within one interval."""

    at_wall_ns: int
    op: str
    actor: str
    disk: str
    """The disk's identity."""
    bios: int
    sectors: int
    """Of 512 bytes."""


@dataclass(frozen=True, slots=True)
class Read:
    """One reading: rows in the order of a trace, and what found no room since the last."""

    rows: Sequence[Row]
    elapsed_ns: int
    lost: int


Wait = Callable[[float], bool]  # seconds to wait; True: asked to end
Look = Callable[[], tuple[Histogram, bool]]  # as Instance.read


def chosen(config: Config, names: Sequence[str]) -> list[Disk]:
    """The watched disks, or those of them with these names.

    Raises BadInput for a name that no watched disk has, Refusal when there is none.
    """
    seen, _ = Discovery().scan(0)
    watched = [s.disk for s in seen if config.policy_for(s.disk).watch is not Watch.OFF]
    if not watched:
        raise Refusal("no rotating disk is watched here; `spinledger check` says what was skipped")
    return pick(watched, names)


def pick(watched: Sequence[Disk], names: Sequence[str]) -> list[Disk]:
    """Those with one of the names, each once; all where there is no name. Raises BadInput."""
    known = {disk.identity: names_of(disk) for disk in watched}
    found = dict.fromkeys(identify(known, name, "--disk") for name in names)
    return [disk for disk in watched if not found or disk.identity in found]


def disk_here(name: str) -> Disk | None:
    """This machine's disk with a name; None where there is none."""
    with suppress(BadInput, Unavailable):
        seen, _ = Discovery().scan(0)
        disks = {fact.disk.identity: fact.disk for fact in seen}
        names = {identity: names_of(disk) for identity, disk in disks.items()}
        return disks[identify(names, name, "--disk")]
    return None


def device_numbers(disks: Sequence[Disk], root: str = "/sys") -> dict[int, str]:
    """The kernel's device number of each path, and whose it is."""
    numbers = {}
    for disk in disks:
        for node in disk.nodes:
            number = device_number(sysfs.text(f"{root}/block/{node}/dev"))
            if number is not None:
                numbers[number] = disk.identity
    return numbers


def capture(disks: Sequence[Disk], for_ns: int, wait: Wait) -> Generator[Read, None, None]:
    """Readings, one a second, for `for_ns` or until the wait says so.

    Raises Unavailable when the kernel cannot or may not tell.
    """
    owners = device_numbers(disks)
    with Instance(owners) as instance:
        yield from readings(instance.read, owners, for_ns, wait, RealClock())


def readings(
    look: Look, owners: Mapping[int, str], for_ns: int, wait: Wait, clock: Clock
) -> Iterator[Read]:
    """One reading an interval, the last at the end; first and last with rows that bound it."""
    began_wall_ns, began_ns = clock.wall(), clock.now()
    disks = sorted(set(owners.values()))
    yield Read([Row(began_wall_ns, BEGIN, "", disk, 0, 0) for disk in disks], 0, 0)
    before: Mapping[Key, Sums] = {}
    last_ns, ending = began_ns, False
    while not ending:
        due_ns = min(began_ns + for_ns, last_ns - (last_ns - began_ns) % INTERVAL_NS + INTERVAL_NS)
        ending = wait(max(0, due_ns - clock.now()) / SECOND) or due_ns >= began_ns + for_ns
        given, emptied = look()
        now_ns = clock.now()
        at_ns = max((last_ns + now_ns) // 2, now_ns - INTERVAL_NS // 2)
        rows = _rows(moved(before, given.sums), owners, began_wall_ns + at_ns - began_ns)
        before, last_ns = {} if emptied else given.sums, now_ns
        if ending:
            ended_wall_ns = began_wall_ns + now_ns - began_ns
            rows += [Row(ended_wall_ns, END, "", disk, 0, 0) for disk in disks]
        yield Read(rows, now_ns - began_ns, given.dropped)


def _rows(done: Mapping[Doing, Sums], owners: Mapping[int, str], at_wall_ns: int) -> list[Row]:
    """Rows in order; the paths of one disk together. Devices of others are left out."""
    sums: dict[tuple[str, str, str], Sums] = {}
    for doing, (bios, sectors) in done.items():
        if doing.dev in owners:
            key = (owners[doing.dev], doing.actor, doing.op)
            was = sums.get(key, Sums(0, 0))
            sums[key] = Sums(was.bios + bios, was.sectors + sectors)
    return [
        Row(at_wall_ns, op, actor, disk, bios, sectors)
        for (disk, actor, op), (bios, sectors) in sorted(sums.items())
    ]


@contextmanager
def held_signals() -> Iterator[Wait]:
    """Gives a wait that a signal to end cuts short; outside the wait such signals are held back."""
    endings = [number for number in ENDINGS if signal.getsignal(number) != signal.SIG_IGN]
    before = signal.pthread_sigmask(signal.SIG_BLOCK, endings)

    def wait(seconds: float) -> bool:
        return signal.sigtimedwait(endings, seconds) is not None

    try:
        yield wait
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
