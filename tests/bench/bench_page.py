"""What the page of all disks costs: time and bytes for 60 disks and 30 days of busy history.

Run at the top: python -m tests.bench.bench_page [disks]. Drawn at first from a store's memory that
was not read yet, then as at every renewal. Times are CPU times, the least of some rounds, and their
ratios to what the standard library's `json.dumps` takes in turn for the records of that month. The
limits of the 30 days are 300 kB and a ratio of 2; beyond one it exits with 1. The store's part is
timed with a month in a real memory store.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from functools import partial

from spinledger.app.pages import RecentHistories
from spinledger.model import DAY, Cycle, Entry, Evidence, Span
from spinledger.ports import Commit
from spinledger.store.ledger import MemoryStore
from spinledger.web.onedisk import one_disk
from spinledger.web.overview import overview
from tests.fakes.recorded import busy, context_of, shelf
from tests.fakes.snapshots import WALL_NS

ROUNDS = 7
BOOT_NS = 60 * DAY  # boot clock at WALL_NS


def main() -> None:
    """Print the table; exit 1 beyond a limit."""
    disks = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    snapshot, history = shelf(disks)
    context = context_of(history)
    records = [(one.periods, one.spin_ups) for one in history.values()]
    failed = False
    for name in ("24h", "7d", "30d"):
        text = overview(snapshot, context, {"range": name})
        took, ratio = compared(partial(overview, snapshot, context, {"range": name}), records)
        failed |= name == "30d" and (ratio > 2.0 or len(text.encode()) > 300_000)
        print(
            f"{disks} disks, {name:>3}: {took * 1e3:6.1f} ms, {ratio:4.2f} of json.dumps, "
            f"{len(text.encode()) / 1e3:6.1f} kB"
        )
    took = least(lambda: one_disk(snapshot, snapshot.disks[0], context))
    print(f"one disk:      {took * 1e3:6.1f} ms")
    store = filled(disks)
    memory = RecentHistories(store.remembered)
    began = time.process_time()
    memory(WALL_NS - 30 * DAY, WALL_NS)
    print(f"history, at first:   {(time.process_time() - began) * 1e3:6.1f} ms")
    again = least(lambda: memory(WALL_NS - 30 * DAY, WALL_NS))
    print(f"history, at renewals:{again * 1e3:6.1f} ms")
    store.close()
    sys.exit(int(failed))


def compared(call: Callable[[], object], records: object) -> tuple[float, float]:
    """The least seconds of a call, and their ratio to the least for `json.dumps` of the records."""
    pairs = [(cpu_s(call), cpu_s(partial(json.dumps, records))) for _ in range(ROUNDS)]
    took, plain = map(min, zip(*pairs, strict=True))
    return took, took / plain


def least(call: Callable[[], object]) -> float:
    """The least seconds of a call."""
    return min(cpu_s(call) for _ in range(ROUNDS))


def cpu_s(call: Callable[[], object]) -> float:
    """Seconds of CPU time of a call."""
    began = time.process_time()
    call()
    return time.process_time() - began


def filled(disks: int) -> MemoryStore:
    """A memory store that holds a busy month of so many disks."""
    store = MemoryStore()
    offset = WALL_NS - BOOT_NS
    entries: list[Entry] = []
    for number in range(disks):
        recorded = busy(shift=number)
        entries += [
            Span(
                f"d{number}",
                period.state,
                period.began - offset,
                period.ended - offset,
                period.began,
                period.ended,
                period.active,
                Evidence.MOVED,
            )
            for period in recorded.periods
        ]
        entries += [
            Cycle(at, f"d{number}", spin_up.at - offset, spin_up.at, True)
            for at, spin_up in enumerate(recorded.spin_ups)
        ]
    accounts: dict[str, dict[str, object]] = {f"d{number}": {} for number in range(disks)}
    store.note(BOOT_NS, WALL_NS, accounts, ())
    store.commit(Commit(1, BOOT_NS, WALL_NS, "boot", False, accounts, {}, tuple(entries)))
    return store


if __name__ == "__main__":
    main()
