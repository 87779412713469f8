"""What the summing up of dirtying costs a busy disk, measured in the guest; prints JSON.

Standard input: `kind` (ext4, xfs or btrfs), `device` (a kernel name; it is overwritten), `mib` a
run, `dirty_mib` that may be dirty before a writer waits for the disk, `rounds`. A round writes a
file, buffered and then synced, once with nothing traced and once with what is always traced, in
turn first, so that a drift of the machine meets both alike. A run gives its seconds, by the
guest's clock: an instruction of the guest is a nanosecond, so processor time is in it as well as
the disk's.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, "/exporter")

from spinledger.device.wakes import WakeTracing

POINT = "/mnt/busy"
MAKE = {
    "ext4": ["mkfs.ext4", "-q", "-F", "-E", "lazy_itable_init=0,lazy_journal_init=0"],
    "xfs": ["mkfs.xfs", "-q", "-f"],
    "btrfs": ["mkfs.btrfs", "-q", "-f"],
}


def main() -> None:
    """Measure and print."""
    request = json.load(sys.stdin)
    node, kind = f"/dev/{request['device']}", request["kind"]
    for name, share in (("dirty_bytes", 1), ("dirty_background_bytes", 2)):
        limit = (request["dirty_mib"] << 20) // share
        Path("/proc/sys/vm", name).write_text(str(limit))  # Linux admin-guide/sysctl/vm.rst
    for command in (
        ["modprobe", kind],
        [*MAKE[kind], node],
        ["mkdir", "-p", POINT],
        ["mount", node, POINT],
    ):
        subprocess.run(command, check=True, capture_output=True)
    took: dict[str, list[float]] = {"nothing": [], "traced": []}
    try:
        write(request["mib"])  # the first run meets cold caches
        for number in range(request["rounds"]):
            for name in sorted(took, reverse=bool(number % 2)):
                tracing = WakeTracing() if name == "traced" else None
                took[name].append(write(request["mib"]))
                if tracing is not None:
                    tracing.close()
    finally:
        subprocess.run(["umount", POINT], check=True)
    json.dump(took, sys.stdout)


def write(mib: int) -> float:
    """Seconds that a run takes."""
    began = time.clock_gettime(time.CLOCK_BOOTTIME)
    command = ["dd", "if=/dev/zero", f"of={POINT}/file", "bs=64k", f"count={mib * 16}"]
    subprocess.run([*command, "conv=fsync", "status=none"], check=True)
    return time.clock_gettime(time.CLOCK_BOOTTIME) - began


if __name__ == "__main__":
    main()
