"""What a rehearsed month costs, and how near the ledger is to the simulator's own tally.

Run: python tests/bench/bench_rehearse.py [days] (default 30). Prints days, seconds and series.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from spinledger.app.rehearsing import Rehearsal, rehearse
from spinledger.keeper.view import view


def main() -> None:
    """Print the figures."""
    days = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    with tempfile.TemporaryDirectory() as folder:
        ledger, series = Path(folder) / "month.db", Path(folder) / "month.om"
        began = time.perf_counter()
        with series.open("w", encoding="utf-8") as out:
            done = rehearse(Rehearsal(days), ledger, out)
        took = time.perf_counter() - began
        truth = done.shelf.truth(done.clock.now())
        print(f"{days:g} days of {len(truth)} disks          {took:10.1f} s")
        print(f"lines of series             {done.lines:10}")
        print(f"bytes of series             {series.stat().st_size:10}")
        print(f"bytes of ledger             {ledger.stat().st_size:10}")
        for name, account in sorted(done.loop.accounts.items()):
            cycles = sum(view(account).samples["cycles"].values())
            print(f"{name:24} cycles {cycles:6.0f} of {truth[name].cycles}")


if __name__ == "__main__":
    main()
