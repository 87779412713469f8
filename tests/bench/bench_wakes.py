"""What the tracing of wakes costs a busy disk: buffered writes without and with it, in paired runs.

Run: python -m tests.bench wakes. It boots the virtual machine of tests/lab (see there). The disk is
the kernel's own null_blk, in memory, held to the pace of a spinning disk. In the first table little
may be dirty, so the writer waits for the disk, as on any disk that is busy for longer than its host
has memory: that is the disk's throughput, of which the tracing may take 2 %. In the second all goes
to memory first and the disk waits meanwhile, so the processor's time shows in full. The processor
is emulated, an instruction a nanosecond, some ten times slower than a real one.
"""

from __future__ import annotations

import json
import statistics
import sys

from tests.lab.build import PROJECT, image
from tests.lab.vm import Guest

ROUNDS = 7
MIB = 32
SPINNING_MB_S = 150  # a large disk's outer tracks reach some 250, common practice, no source
BUDGET = 1.02
KINDS = ("ext4", "xfs", "btrfs")
REGIMES = {"the writer waits for the disk": 4, "all goes to memory first": 4 * MIB}  # MiB dirty
DISK = f"""set -e
modprobe null_blk nr_devices=0
cd /sys/kernel/config/nullb; mkdir paced; cd paced
echo 512 >size; echo 1 >memory_backed; echo {SPINNING_MB_S} >mbps; echo 1 >power
udevadm settle
ls -d /dev/paced /dev/nullb$(cat index) 2>/dev/null | head -1 | cut -d/ -f3
"""


def measure(guest: Guest, kind: str, device: str, dirty_mib: int) -> float:
    """Print one file system's ratio; the median of the pairs."""
    order = {"kind": kind, "device": device, "mib": MIB, "dirty_mib": dirty_mib, "rounds": ROUNDS}
    took: dict[str, list[float]] = guest.python("wakes_cost", stdin=json.dumps(order), timeout=900)
    pairs = [
        traced / nothing for nothing, traced in zip(took["nothing"], took["traced"], strict=True)
    ]
    ratio = float(statistics.median(pairs))
    pace = MIB / statistics.median(took["nothing"])
    print(f"  {kind:6} {pace:7.1f} MiB/s untraced; traced takes {ratio:.4f} x", end=" ")
    print(f"(pairs {min(pairs):.4f} to {max(pairs):.4f})", flush=True)
    return ratio


def main() -> int:
    """Boot and measure; 1 when the disk is slower than the budget allows."""
    worst = []
    with Guest(image(), {"exporter": PROJECT / "exporter"}) as guest:
        device = guest.run(DISK).ok().split()[-1]
        for regime, dirty_mib in REGIMES.items():
            print(f"{MIB} MiB written and synced, {ROUNDS} pairs, {regime}:")
            worst.append(max(measure(guest, kind, device, dirty_mib) for kind in KINDS))
    kept = worst[0] <= BUDGET
    print(f"budget {BUDGET} x of the disk's throughput: {'kept' if kept else 'exceeded'}")
    return int(not kept)


if __name__ == "__main__":
    sys.exit(main())
