"""What the tracing of wakes costs a busy disk: buffered writes without and with it, in paired runs.

Run: python tests/bench/bench_wakes.py. It boots the virtual machine of tests/lab (see there). The
disk is the kernel's own null_blk, in memory, held to the pace of a spinning disk; a second table is
without that limit, where the share that counting takes is the largest there is. The budget is 2 %
of a spinning disk's throughput. The processor is emulated, an instruction a nanosecond, so only
ratios within one run mean something.
"""

from __future__ import annotations

import json
import statistics
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "exporter")]

from tests.lab.build import PROJECT, image  # noqa: E402  the script finds the sources by itself
from tests.lab.vm import Guest  # noqa: E402

ROUNDS = 7
MIB = 128
SPINNING_MB_S = 150  # a large disk's outer tracks reach some 250, common practice, no source
BUDGET = 1.02
DISK = """set -e
modprobe null_blk nr_devices=0
cd /sys/kernel/config/nullb; mkdir {name}; cd {name}
echo 512 >size; echo 1 >memory_backed; {limit} echo 1 >power
udevadm settle
ls -d /dev/{name} /dev/nullb$(cat index) 2>/dev/null | head -1 | cut -d/ -f3
"""


def measure(guest: Guest, kind: str, device: str) -> float:
    """Print one file system's ratio; the median of the pairs."""
    order = json.dumps({"kind": kind, "device": device, "mib": MIB, "rounds": ROUNDS})
    took: dict[str, list[float]] = guest.python("wakes_cost", stdin=order, timeout=900)
    pairs = [
        traced / nothing for nothing, traced in zip(took["nothing"], took["traced"], strict=True)
    ]
    ratio = float(statistics.median(pairs))
    pace = MIB / statistics.median(took["nothing"])
    print(f"  {kind:6} {pace:7.1f} MiB/s untraced; traced takes {ratio:.4f} x", end=" ")
    print(f"(pairs {min(pairs):.4f} to {max(pairs):.4f})", flush=True)
    return ratio


def main() -> None:
    """Boot and measure."""
    with Guest(image(), {"exporter": PROJECT / "exporter"}) as guest:
        for name, limit in (("paced", f"echo {SPINNING_MB_S} >mbps;"), ("free", "")):
            device = guest.run(DISK.format(name=name, limit=limit)).ok().split()[-1]
            what = f"held to {SPINNING_MB_S} MB/s" if limit else "without a limit"
            print(f"{MIB} MiB of buffered writes and an fsync, {ROUNDS} pairs, disk {what}:")
            worst = max(measure(guest, kind, device) for kind in ("ext4", "xfs", "btrfs"))
            if limit:
                print(f"  budget {BUDGET} x: {'kept' if worst <= BUDGET else 'exceeded'}")


if __name__ == "__main__":
    main()
