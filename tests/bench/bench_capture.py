"""What `spinledger capture` costs a busy disk: I/O a second without and with it, and its readings.

Run: python tests/bench/bench_capture.py. It boots the virtual machine of tests/lab (see there). On
a disk in memory an I/O is as short as it can be, so the share that counting takes is the largest
there is; the emulated AHCI disk is closer to life. The processor is emulated, so only ratios within
one run mean something; copying each event out is printed beside them.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "exporter")]

from tests.lab.build import PROJECT, image  # noqa: E402  the script finds the sources by itself
from tests.lab.vm import AHCI_SERIALS, Guest  # noqa: E402

ROUNDS = 5
MEMORY_READS = 200_000
AHCI_READS = 16_000


def measure(guest: Guest, device: str, reads: int) -> None:
    """Print one device's table."""
    order = json.dumps({"device": device, "reads": reads, "rounds": ROUNDS})
    given = guest.python("capture_cost", stdin=order, timeout=600)
    usual = min(given["runs"]["nothing"])
    print(f"{device}: {reads} direct reads of 4 KiB a run, the quickest of {ROUNDS}")
    for name, runs in given["runs"].items():
        took = min(runs)
        more_us = (took - usual) / reads * 1e6
        print(f"  {name:10} {reads / took:9.0f} I/O a second", end=" ")
        print(f"{took / usual:6.3f} x {more_us:+7.2f} us each; slowest run {max(runs):.2f} s")
    print(f"  a reading of the histogram: {given['reading'] * 1e3:.2f} ms of processor time")


def main() -> None:
    """Boot and measure."""
    with Guest(image(), {"exporter": PROJECT / "exporter"}) as guest:
        guest.run("modprobe brd rd_nr=1 rd_size=1048576; udevadm settle").ok()
        measure(guest, "ram0", MEMORY_READS)
        measure(guest, guest.node(AHCI_SERIALS[0]), AHCI_READS)


if __name__ == "__main__":
    main()
