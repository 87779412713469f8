"""What the simulated shelf costs: a sample, a probe, the history before the first sample.

Run: python tests/bench/bench_sim.py [days]. Prints microseconds a sample beside the making of a
bare record, so that the ratio says how much is the drive and how much is the language.
"""

from __future__ import annotations

import sys
import time

from spinledger.model import DAY, SECOND, Counted, Probe, RuntimeStatus
from spinledger.sim.shelf import EPOCH_WALL_NS, SimulatedShelf

FAST_NS = 5 * SECOND


def main() -> None:
    """Print the table."""
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    began = time.perf_counter()
    shelf = SimulatedShelf(1, 0, EPOCH_WALL_NS + DAY)
    built = time.perf_counter() - began
    print(f"shelf of 8 disks, one day of history      {built:8.3f} s")

    disks = [place.disk for place in shelf.places]
    read, samples = shelf.counters.read, 0
    began = time.perf_counter()
    for at_ns in range(0, days * DAY, FAST_NS):
        for disk in disks:
            read(disk, at_ns)
            samples += 1
    sample = (time.perf_counter() - began) / samples
    began = time.perf_counter()
    for number in range(200_000):
        Counted("disk", number, 1, 2, 3, 0, 5, RuntimeStatus.ACTIVE)
    bare = (time.perf_counter() - began) / 200_000
    print(f"a sample, {samples} of them, every 5 s    {sample * 1e6:8.2f} us")
    print(f"a bare record of one                      {bare * 1e6:8.2f} us")
    print(f"ratio                                     {sample / bare:8.2f}")
    print(f"samples of 8 disks and 30 days            {sample * 8 * 30 * 17280:8.1f} s")

    method = disks[0].probe_method
    assert method is not None
    probes = 20_000
    began = time.perf_counter()
    for number in range(probes):
        at_ns = days * DAY + number * FAST_NS
        shelf.prober.send(Probe(number, disks[0].identity, method, at_ns, at_ns), disks[0])
        for _ in shelf.prober.replies(at_ns + 60 * SECOND):
            pass
    probe = (time.perf_counter() - began) / probes
    print(f"a probe through the codec                 {probe * 1e6:8.2f} us")

    began = time.perf_counter()
    SimulatedShelf(1, 0, EPOCH_WALL_NS + 100 * DAY)
    print(f"history, a day of 8 disks                 {(time.perf_counter() - began) * 10:8.2f} ms")


if __name__ == "__main__":
    main()
