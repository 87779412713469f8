"""How long what-if timers take: one gap by the number of candidates, and a long replay.

Run: python tests/bench/bench_gaps.py [gaps]. Prints figures; exits 1 when a bound is broken:
512 candidates at most 1.3 times the cost of 8; a year of 24 disks (10 million gaps) under 60 s on
one core, with no more memory at the end than at the start beyond 16 MiB.
"""

from __future__ import annotations

import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from math import log
from pathlib import Path

from spinledger.cli.traces import Trace
from spinledger.model import HOUR, MINUTE, SECOND, Gap, Policy
from spinledger.whatif.gaps import WhatIf
from spinledger.whatif.replay import DEFAULT_TIMERS_NS, Replay
from spinledger.whatif.trace import mixed

YEAR_NS = 31_557_600 * SECOND


def lengths(count: int, mean_ns: int) -> Iterator[int]:
    """Gap lengths of random arrivals (exponential), the same at every run."""
    for number in range(count):
        yield round(-mean_ns * log((mixed(number + 1) + 1) / 2**64))


def gap_cost(candidates: int, spinup_ns: int, gaps: list[Gap]) -> float:
    """Seconds for one gap, with candidates evenly spread from 1 min to 5.5 h."""
    step = (330 * MINUTE - MINUTE) // (candidates - 1)
    timers = [MINUTE + index * step for index in range(candidates)]
    fold = WhatIf(timers, spinup_ns)
    policy = Policy(candidates_ns=tuple(timers), whatif_spinup_ns=spinup_ns)
    began = time.process_time()
    for gap in gaps:
        fold.step(gap, policy)
    return (time.process_time() - began) / len(gaps)


def compare(spinup_ns: int) -> float:
    """The cost with 512 candidates over that with 8: the median of many short pairs, so that a
    machine which others slow down for a while does so to both of a pair.
    """
    gaps = []
    at = 0
    for length in lengths(10_000, HOUR):
        gaps.append(Gap("sim-1", at, at + length, 0, False))
        at += length
    pairs = [[gap_cost(count, spinup_ns, gaps) for count in (8, 512)] for _ in range(41)]
    few, many = (statistics.median(pair[side] for pair in pairs) for side in (0, 1))
    ratio = statistics.median(pair[1] / pair[0] for pair in pairs)
    print(
        f"spin-up {spinup_ns // SECOND} s: one gap {few * 1e9:.0f} ns with 8 candidates, "
        f"{many * 1e9:.0f} ns with 512: ratio {ratio:.2f}"
    )
    return ratio


def write_trace(path: Path, count: int) -> None:
    """A trace of `count` gaps over 24 disk-years, to the microsecond, with operations."""
    mean = 24 * YEAR_NS // count
    with path.open("w", encoding="ascii") as file:
        file.write("timestamp_seconds,op\n0,read\n")
        at = 0
        for length in lengths(count, mean):
            at += length
            file.write(f"{at // SECOND}.{at % SECOND // 1000:06d},read\n")


def peak_mib() -> float:
    """The process's peak resident memory so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def replay(count: int) -> bool:
    """Replay a trace file through reader and timers; True within the bounds."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "trace.csv"
        write_trace(path, count)
        before = peak_mib()
        began = time.process_time()
        run = Replay(DEFAULT_TIMERS_NS)
        run.arrivals(Trace(path).times())
        taken = time.process_time() - began
        grown = peak_mib() - before
        cycles = [outcome.cycles for outcome in run.outcomes()]
        print(
            f"{count} gaps from a {path.stat().st_size / 1e6:.0f} MB file, "
            f"{len(DEFAULT_TIMERS_NS)} timers, {cycles[0]} to {cycles[-1]} cycles: "
            f"{taken:.1f} s of one core, peak memory {peak_mib():.0f} MiB, grown by {grown:.1f}"
        )
        return taken * 10_000_000 / count < 60 and grown < 16


def main() -> int:
    """Run all; 1 when a bound is broken."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    ratios = [compare(0), compare(10 * SECOND)]
    return 0 if replay(count) and max(ratios) <= 1.3 else 1


if __name__ == "__main__":
    sys.exit(main())
