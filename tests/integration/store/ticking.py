"""A process that records and can be killed: each tick raises every disk's count by one.

Run: python ticking.py LEDGER LIVE BOOT. Prints one line a fact, at once: `restored N AT ROWS LOST`,
`committed N`, `noted N`, `refused TEXT`.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from spinledger.errors import Refusal
from spinledger.model import HOUR, SECOND
from tests.integration.store.written import WALL_NS, Shelf, everything, store

DISKS = 3
TICK_NS = 5 * SECOND


def main() -> None:
    """Go on until killed."""
    ledger, live, boot = sys.argv[1:]
    file_store = store(Path(ledger), Path(live) if live != "none" else None, boot_id=boot)
    try:
        restored = file_store.restore()
    except Refusal as refused:
        print(f"refused {refused}", flush=True)
        return
    shelf = Shelf(DISKS)
    shelf.number = restored.number
    counts = {str(account["cycles"]) for account in restored.accounts.values()} or {"0"}
    rows = everything(file_store.history()).total()
    print(f"restored {'/'.join(counts)} {restored.at_ns} {rows} {restored.lost}", flush=True)
    count = int(counts.pop())
    shelf.cycles = dict.fromkeys(shelf.names, count)
    shelf.at_ns = HOUR + count * TICK_NS
    shelf.wall_ns = WALL_NS + count * TICK_NS
    pending: dict[int, int] = {}
    while True:
        shelf.tick(file_store, TICK_NS, 1.0)
        count += 1
        print(f"noted {count}", flush=True)
        if count % 3 == 0 and shelf.commit(file_store, boot):
            pending[shelf.number] = count
        for number, good in file_store.finished():
            if good:
                print(f"committed {pending[number]}", flush=True)
        time.sleep(0.001)


if __name__ == "__main__":
    main()
