"""What a rehearsed month costs, and how near the ledger is to the simulator's own tally.

Run: python tests/bench/bench_rehearse.py [days] (default 30). Prints days, seconds of one core,
series for a backfill, and what promtool (apt-get install prometheus) makes of them.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from spinledger.ledger.summary import lifetime
from spinledger.model import DAY, SECOND
from spinledger.sim.rehearse import Rehearsal, rehearse

FAST_S = 5  # between two samples, by default


def main() -> None:
    """Print the figures."""
    days = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    with tempfile.TemporaryDirectory() as folder:
        ledger, series = Path(folder) / "month.db", Path(folder) / "month.om"
        began = time.perf_counter()
        with series.open("w", encoding="utf-8") as out:
            done = rehearse(Rehearsal(days), ledger, out)
        took, worked = time.perf_counter() - began, time.process_time()
        truth = done.shelf.truth(done.clock.now())
        samples = round(days * DAY / SECOND / FAST_S) * len(truth)
        print(f"{days:g} days of {len(truth)} disks          {took:10.1f} s")
        print(f"of one core                 {worked:10.1f} s")
        print(f"samples of the disks        {samples:10}")
        print(f"samples a second, one core  {samples / worked:10.0f}")
        print(f"lines of series             {done.lines:10}")
        print(f"bytes of series             {series.stat().st_size:10}")
        print(f"bytes of ledger             {ledger.stat().st_size:10}")
        began, blocks = time.perf_counter(), Path(folder) / "blocks"
        load = ["promtool", "tsdb", "create-blocks-from", "openmetrics", "-q"]
        load += ["--max-block-duration=720h", str(series), str(blocks)]
        subprocess.run(load, check=True, stdout=subprocess.DEVNULL)
        print(f"promtool                    {time.perf_counter() - began:10.1f} s")
        made = sum(one.stat().st_size for one in blocks.rglob("*") if one.is_file())
        print(f"bytes of blocks             {made:10}")
        metas = (json.loads(one.read_text()) for one in blocks.glob("*/meta.json"))
        print(f"samples in blocks           {sum(one['stats']['numSamples'] for one in metas):10}")
        for name, account in sorted(done.loop.accounts.items()):
            totals = lifetime(account)
            cycles = totals.cycles + totals.unobserved_cycles
            print(f"{name:24} cycles {cycles:6.0f} of {truth[name].cycles}")


if __name__ == "__main__":
    main()
