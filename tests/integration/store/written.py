"""An invented history of invented disks, and short ways to write and read it."""

from __future__ import annotations

import random
import select
import shutil
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from spinledger.facts import Totals
from spinledger.model import (
    HOUR,
    MILLISECOND,
    MINUTE,
    SECOND,
    Cycle,
    Entry,
    Evidence,
    Explained,
    Gap,
    Reading,
    Span,
    State,
    Worn,
)
from spinledger.ports import Commit, Store
from spinledger.store.history import History, PastCycle, PastGap, PastSpan
from spinledger.store.ledger import FileStore
from tests.fakes.snapshots import view

WALL_NS = 1_767_225_600 * SECOND  # 2026-01-01 00:00:00 UTC
BOOT = "11111111-2222-4333-8444-555555555555"


def disk_name(number: int) -> str:
    """An identity of a simulated disk."""
    return f"sim-archive-{number:02}"


def store(
    path: Path,
    live: Path | None,
    *,
    boot_id: str = BOOT,
    simulated: bool = True,
    keep_days: int = 400,
    say: Callable[[str], None] = lambda line: None,
) -> FileStore:
    """A store over a path."""
    return FileStore(
        path, boot_id=boot_id, live=live, simulated=simulated, keep_days=keep_days, say=say
    )


def settle(file_store: FileStore) -> list[tuple[int, bool]]:
    """Wait for the commit in flight; how it ended."""
    ready, _, _ = select.select([file_store], [], [], 30)
    assert ready, "the store thread did not answer within 30 s"
    return list(file_store.finished())


def made(number: int, disk: str, at_ns: int, wall_ns: int) -> list[Entry]:
    """Two spans, a cycle with its cause, and a gap, that end at a time; to the millisecond."""
    dice = random.Random(f"{number} {disk}")
    asleep = dice.randrange(10 * MINUTE, 3 * HOUR, MILLISECOND)
    awake = dice.randrange(SECOND, 30 * MINUTE, MILLISECOND)
    first, spin_up = at_ns - asleep - awake, at_ns - awake
    offset = wall_ns - at_ns
    return [
        Span(
            disk,
            "standby",
            first,
            spin_up,
            first + offset,
            spin_up + offset,
            0,
            Evidence.REPORTED_STANDBY,
        ),
        Span(
            disk,
            "spinning",
            spin_up,
            at_ns,
            spin_up + offset,
            wall_ns,
            awake // 3 // MILLISECOND * MILLISECOND,
            Evidence.MOVED,
        ),
        Cycle(number, disk, spin_up, spin_up + offset, dice.random() < 0.9),
        Explained(number, disk, spin_up + SECOND, "read", "backup", "archive", 7 * SECOND),
        Gap(disk, first, spin_up, first + offset, dice.random() < 0.1),
    ]


def reading(number: int, disk: str, at_ns: int, wall_ns: int) -> Reading:
    """An accepted reading."""
    worn = Worn(
        disk,
        at_ns,
        100 + number,
        200 + number,
        30,
        number * 1800,
        600_000,
        50_000,
        128,
        "attributes",
    )
    return Reading(disk, at_ns, wall_ns, worn, "accepted")


def dump(number: int, at_ns: int, size: int = 30) -> dict[str, object]:
    """Something like an account's dump; `cycles` is the figure that tests follow."""
    return {"cycles": number, "at_ns": at_ns, "times": [at_ns - n * HOUR for n in range(size)]}


def totals(number: int) -> Totals:
    """Something like a disk's totals."""
    plain = view(0).facts.totals
    times = {**plain.state_ns, State.STANDBY: number * 1_500_000_000, State.IDLE: 7_250_000_000}
    return replace(plain, cycles=number, state_ns=times)


class Shelf:
    """Records disks tick by tick in a store, as the loop does, and remembers the truth."""

    def __init__(
        self, disks: int, seed: int = 1, at_ns: int = HOUR, wall_ns: int = WALL_NS
    ) -> None:
        self.dice = random.Random(seed)
        self.names = [disk_name(number) for number in range(disks)]
        self.at_ns, self.wall_ns = at_ns, wall_ns
        self.cycles = dict.fromkeys(self.names, 0)
        self.recorded: list[Entry] = []  # all, ever
        self.waiting: list[Entry] = []  # not handed over
        self.changed: set[str] = set()
        self.number = 0

    def tick(self, file_store: Store, by_ns: int = 5 * SECOND, chance: float = 0.3) -> None:
        """One tick: some disks cycle, and are noted."""
        self.at_ns += by_ns
        self.wall_ns += by_ns
        dumps: dict[str, Mapping[str, object]] = {}
        entries: list[Entry] = []
        for name in self.names:
            if self.dice.random() < chance:
                self.cycles[name] += 1
                entries += made(self.cycles[name], name, self.at_ns, self.wall_ns)
                dumps[name] = dump(self.cycles[name], self.at_ns)
        file_store.note(self.at_ns, self.wall_ns, dumps, entries)
        self.recorded += entries
        self.waiting += entries
        self.changed |= set(dumps)

    def commit(self, file_store: Store, boot_id: str = BOOT, *, clean: bool = False) -> bool:
        """Hand over what waits."""
        taken = file_store.commit(
            Commit(
                self.number + 1,
                self.at_ns,
                self.wall_ns,
                boot_id,
                clean,
                {name: dump(self.cycles[name], self.at_ns) for name in self.changed},
                {name: totals(self.cycles[name]) for name in self.names},
                tuple(self.waiting),
            )
        )
        if taken:
            self.number += 1
            self.waiting = []
            self.changed = set()
        return taken


Past = PastSpan | PastCycle | PastGap


def everything(history: History) -> Counter[Past]:
    """All spans, spin-ups and gaps of a history, and how often each is there."""
    return Counter[Past]([*history.spans(), *history.cycles(), *history.gaps()])


def expected(entries: Iterable[Entry]) -> Counter[Past]:
    """What a history should give for entries whose times are whole milliseconds, each once."""
    causes = {(one.disk, one.cycle): one for one in entries if isinstance(one, Explained)}
    found: set[Past] = set()
    for one in entries:
        if isinstance(one, Span):
            found.add(
                PastSpan(
                    one.disk, one.state, one.began_wall_ns, one.ended_wall_ns,
                    one.ended_ns - one.began_ns, one.active_ns, one.evidence.value,
                )
            )  # fmt: skip
        elif isinstance(one, Gap):
            length = one.ended_ns - one.began_ns
            found.add(PastGap(one.disk, one.began_wall_ns, length, one.censored))
        elif isinstance(one, Cycle):
            past = PastCycle(one.disk, one.number, one.at_wall_ns, one.observed)
            cause = causes.get((one.disk, one.number))
            if cause is not None:
                past = PastCycle(*past[:4], cause.cause, cause.actor, cause.place, cause.wait_ns)
            found.add(past)
    return Counter(found)


class Place:
    """A folder with a ledger and a live journal, which can be put aside and brought back."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.ledger = folder / "ledger" / "ledger.db"
        self.live = folder / "live"
        for part in (self.ledger.parent, self.live):
            part.mkdir(parents=True, exist_ok=True)

    def store(
        self, boot_id: str = BOOT, say: Callable[[str], None] = lambda text: None
    ) -> FileStore:
        """A store over it."""
        return store(self.ledger, self.live, boot_id=boot_id, say=say)

    def keep(self, name: str) -> None:
        """Copy both folders aside, as a kill or a power cut at this moment would leave them."""
        shutil.rmtree(self.folder / name, ignore_errors=True)
        for part in ("ledger", "live"):
            shutil.copytree(self.folder / part, self.folder / name / part)

    def bring_back(self, name: str, *, journal: bool) -> None:
        """Put both folders as they were kept; the live journal only if it survives."""
        for part in ("ledger", "live"):
            shutil.rmtree(self.folder / part)
            shutil.copytree(self.folder / name / part, self.folder / part)
        if not journal:
            shutil.rmtree(self.live)
            self.live.mkdir()
