"""How large the ledger grows, how long a start, a commit, a tick and a reading of it take.

Run: python tests/bench/bench_store.py [years]. Prints figures; exits 1 when a bound is broken: at
most 2.1 MB a disk in the first year; a start with ten years of 24 disks under 1 s; a commit for 24
disks under 10 ms of CPU; a disk-year of history under 1 s. The invented disks each have, every day,
12 spin-ups, 150 gaps of 60 s and longer and 48 readings; their accounts are dumps of real ones.
"""

from __future__ import annotations

import io
import json
import random
import select
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from spinledger.facts import Totals
from spinledger.ledger import dumps, recording
from spinledger.ledger.summary import lifetime
from spinledger.model import (
    DAY,
    HOUR,
    MILLISECOND,
    MINUTE,
    SECOND,
    Answered,
    Command,
    Counted,
    Cycle,
    Disk,
    Entry,
    Evidence,
    Explained,
    Gap,
    Mode,
    Policy,
    Probe,
    Reading,
    Reported,
    RuntimeStatus,
    Span,
    Tick,
    Worn,
)
from spinledger.ports import Commit
from spinledger.store import export
from spinledger.store.file import verify
from spinledger.store.history import read
from spinledger.store.ledger import FileStore

DISKS = 24
NOTES = 1000
CYCLES, GAPS, READINGS = 12, 150, 48  # a disk a day
WALL_NS = 1_767_225_600 * SECOND  # 2026-01-01 00:00:00 UTC
BOOT = "11111111-2222-4333-8444-555555555555"
Dump = Mapping[str, object]


def real_account(identity: str) -> tuple[dict[str, Any], Totals]:
    """Dump and totals of an account that has seen 400 spin-ups in a row."""
    disk = Disk(
        identity, ("sda",), "sata", "ARCHIVE 8T", "T-1", "F1", "", 7200, "", "T-1",
        Command.CHECK_POWER_MODE_16, 1,
    )  # fmt: skip
    timers = tuple(minutes * MINUTE for minutes in (5, 10, 20, 60, 120, 240))
    policy = Policy(candidates_ns=timers)
    account = recording.open_account(disk, policy, Tick(0, WALL_NS, BOOT, 0))
    at, sectors = 0, 0
    for number in range(400):
        for moved in (8, 0):
            at, sectors = at + 5 * SECOND, sectors + moved
            recording.record_tick(account, Tick(at, WALL_NS + at, BOOT, 0))
            fact = Counted(identity, at, sectors, 0, 0, 0, sectors, RuntimeStatus.ACTIVE)
            recording.record_counted(account, fact)
        probe = Probe(number, identity, Command.CHECK_POWER_MODE_16, at, at + SECOND)
        given = Reported(Mode.STANDBY, None, "bench")
        recording.record_answered(account, Answered(probe, at + MILLISECOND, given, MILLISECOND))
        at += 40 * SECOND
    return dumps.dump(account), lifetime(account)


def a_day(dice: random.Random, disk: str, day: int, parts: int) -> list[list[Entry]]:
    """A disk's entries of one day, in parts of equal length."""
    start = day * DAY + HOUR
    wall = WALL_NS - HOUR

    def moment() -> int:
        """A tick's time: every 5 s, late by up to 2 ms."""
        tick = dice.randrange(DAY // (5 * SECOND)) * 5 * SECOND
        return start + tick + dice.randrange(2 * MILLISECOND)

    made: list[tuple[int, Entry]] = []
    changes = sorted(moment() for _ in range(2 * CYCLES + 1))
    for number in range(CYCLES):
        a, b, c = changes[2 * number : 2 * number + 3]
        made += [
            (b, Span(disk, "standby", a, b, a + wall, b + wall, 0, Evidence.REPORTED_STANDBY)),
            (c, Span(disk, "spinning", b, c, b + wall, c + wall, (c - b) // 3, Evidence.MOVED)),
            (b, Cycle(day * CYCLES + number, disk, b, b + wall, True)),
            (
                b,
                Explained(
                    day * CYCLES + number, disk, b + 7 * SECOND, "read", "backup", "", 7 * SECOND
                ),
            ),
        ]
    at = start
    for _ in range(GAPS):
        length = 60 * SECOND + round(dice.expovariate(1 / 440)) * 5 * SECOND // 5
        length += dice.randrange(2 * MILLISECOND)
        made.append((at + length, Gap(disk, at, at + length, at + wall, False)))
        at += length + dice.randrange(1, 4) * 5 * SECOND
    for number in range(READINGS):
        at = start + number * 30 * MINUTE + dice.randrange(2 * MILLISECOND)
        hours = (day * 24 + number // 2) * 3600
        worn = Worn(
            disk, at, day * CYCLES + number // 4, 1000 + day, 30, hours, 600_000, 50_000, 128, "a"
        )
        made.append((at, Reading(disk, at, at + wall, worn, "accepted")))
    made.sort(key=lambda pair: pair[0])
    found: list[list[Entry]] = [[] for _ in range(parts)]
    for at, entry in made:
        found[min(parts - 1, (at - start) * parts // DAY)].append(entry)
    return found


class Filler:
    """Fills a ledger through the store, commit by commit."""

    def __init__(self, path: Path, disks: int) -> None:
        self.names = [f"wwn-0x50000000000000{number:02x}" for number in range(disks)]
        self.path = path
        self.store = FileStore(path, boot_id=BOOT, live=path.parent)
        restored = self.store.restore()
        self.number = restored.number
        account, self.totals = real_account(self.names[0])
        self.account = account
        self.dice = random.Random(7)

    def dumps(self, at_ns: int) -> dict[str, Dump]:
        """A fresh dump for each disk, each a little different."""
        return {
            name: {**self.account, "at_ns": at_ns, "since_ns": self.dice.getrandbits(50)}
            for name in self.names
        }

    def made(self, at_ns: int, entries: list[Entry], dumped: dict[str, Dump]) -> Commit:
        """A commit with totals of every disk."""
        self.number += 1
        wall = at_ns + WALL_NS - HOUR
        times = {state: ns + at_ns for state, ns in self.totals.state_ns.items()}
        grown = dict.fromkeys(self.names, replace(self.totals, state_ns=times))
        return Commit(self.number, at_ns, wall, BOOT, False, dumped, grown, tuple(entries))

    def put(self, commit: Commit) -> None:
        """Hand over a commit and wait for its end."""
        assert self.store.commit(commit)
        select.select([self.store], [], [], 60)
        assert [ok for _, ok in self.store.finished()] == [True]

    def days(self, first: int, count: int, parts: int) -> None:
        """Some days, in some commits a day."""
        for day in range(first, first + count):
            by_disk = [a_day(self.dice, name, day, parts) for name in self.names]
            for part in range(parts):
                at = day * DAY + HOUR + (part + 1) * DAY // parts - SECOND
                entries = [entry for each in by_disk for entry in each[part]]
                self.put(self.made(at, entries, self.dumps(at)))


def timed(act: Callable[[], object], clock: Callable[[], float] = time.perf_counter) -> float:
    """Seconds that one call takes."""
    began = clock()
    act()
    return clock() - began


def written() -> int:
    """Bytes that this process has handed to write(2) (proc(5), /proc/PID/io, wchar)."""
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return int(dict(line.split(": ") for line in lines)["wchar"])


def commits(filler: Filler, day: int, busy: int) -> tuple[float, float]:
    """CPU seconds and bytes of a commit in the middle of a day, after a minute in which some disks
    worked; medians of thirty."""
    taken, sizes = [], []
    at = day * DAY + 13 * HOUR
    for number in range(30):
        at += MINUTE
        entries: list[Entry] = []
        for name in filler.names[:busy]:
            entries.append(Gap(name, at - 61 * SECOND, at, at - 61 * SECOND + WALL_NS, False))
            if number % 3 == 0:
                entries.append(Cycle(number, name, at, at + WALL_NS, True))
        dumped = dict(list(filler.dumps(at).items())[:busy])
        commit = filler.made(at, entries, dumped)
        began, before = time.process_time(), written()
        filler.put(commit)
        taken.append(time.process_time() - began)
        sizes.append(written() - before)
    return statistics.median(taken), statistics.median(sizes)


def notes(filler: Filler, at_ns: int, dumped: Mapping[str, Dump]) -> None:
    """Many ticks in the live journal."""
    for number in range(NOTES):
        filler.store.note(at_ns + number, at_ns + number, dumped, ())


def start(path: Path) -> float:
    """Seconds to restore."""
    store = FileStore(path, boot_id=BOOT, live=path.parent)
    taken = timed(store.restore)
    store.flush_all(True)  # no check of older days in the background
    store.close()
    return taken


def main() -> int:
    """Run all; 1 when a bound is broken."""
    years = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        path = Path(folder) / "ledger.db"
        filler = Filler(path, DISKS)
        filler.days(0, 365, 2)
        first = path.stat().st_size / DISKS
        filler.days(365, 365 * years - 365, 1)
        last = path.stat().st_size
        print(f"first year: {first / 1e6:.2f} MB a disk; {years} years: {last / 1e6:.0f} MB in all")
        commit, size = commits(filler, 365 * years, DISKS)
        quiet, less = commits(filler, 365 * years + 1, 4)
        sizes = [len(json.dumps(each)) for each in filler.dumps(0).values()]
        print(
            f"commit of {DISKS} disks, all busy: {commit * 1e3:.2f} ms of CPU, "
            f"{size / 1024:.0f} KiB written; "
            f"4 busy: {quiet * 1e3:.2f} ms, {less / 1024:.0f} KiB "
            f"(an account's dump is {sizes[0]} bytes of JSON)"
        )
        at = 365 * years * DAY + 15 * HOUR
        still = timed(lambda: notes(filler, at, {})) / NOTES
        one = dict(list(filler.dumps(at).items())[:1])
        moved = timed(lambda: notes(filler, at, one)) / NOTES
        print(
            f"tick in the live journal: {still * 1e6:.1f} us still, {moved * 1e6:.1f} us "
            "with one account"
        )
        filler.store.close()
        began = statistics.median(start(path) for _ in range(3))
        print(f"start with {years} years of {DISKS} disks: {began:.2f} s")
        whole = timed(lambda: list(verify(path)))
        print(f"check --ledger of that: {whole:.1f} s")
        history = read(path)
        query = export.Query(filler.names[3], WALL_NS + (365 * years - 365) * DAY)
        sink = io.StringIO()
        csv = timed(lambda: sink.writelines(export.csv_of(history, query)))
        table = timed(lambda: sink.writelines(export.json_of(history, query)))
        lines = sink.getvalue().count("\n")
        print(f"a disk-year of history: {csv:.2f} s as CSV, {table:.2f} s as JSON ({lines} lines)")
        good = first <= 2.1e6 and began < 1 and commit < 0.010 and max(csv, table) < 1
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
