"""Captures that are killed, refused or given odd programs to name; prints what came of it as JSON.

Standard input: `node` and `other`, kernel names of two disks, and `odd`, a program's name.

killed    A capture is killed; the next finds its instance.
several   That next capture watches all disks and writes to a pipe: `odd` reads the first disk, a
          flusher only flushes the other, a reader reads both a little later.
refused   Captures as an ordinary user, and where no tracefs is mounted.
crowded   An instance with a small table, and more programs than it has places for.
"""

from __future__ import annotations

import json
import mmap
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, "/exporter")

from spinledger.device import tracing
from spinledger.device.histogram import device_number
from tests.lab.guest.services import INSTANCES, Service, armed, now, start

AS_NOBODY = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups")
UNMOUNTED = ("unshare", "--mount", "sh", "-c", 'umount -l /sys/kernel/tracing; exec "$@"', "sh")


def main() -> None:
    """Play and print."""
    request = json.load(sys.stdin)
    report: dict[str, Any] = {"killed": killed(), **several(**request)}
    report["refused"] = {
        name: outcome(start("--for", "1s", before=before))
        for name, before in (("nobody", AS_NOBODY), ("unmounted", UNMOUNTED))
    }
    report["crowded"] = crowded(request["node"])
    report["left_behind"] = os.listdir(INSTANCES)
    json.dump(report, sys.stdout)


def killed() -> list[str]:
    """Instances after a capture was killed."""
    capture = start("--for", "60s")
    armed(capture)
    capture.kill()
    capture.wait()
    return os.listdir(INSTANCES)


def several(node: str, other: str, odd: str) -> dict[str, Any]:
    """A capture of all disks, which ends by itself."""
    first, second = f"/dev/{node}", f"/dev/{other}"
    work = [
        Service(first, odd, "read", [0.1, 1.6]),
        Service(second, "flusher", "flush", [0.2, 1.4]),
        Service(first, "reader", "read", [2.5]),
        Service(second, "reader", "read", [2.5]),
    ]
    capture = start("--for", "5s")
    armed(capture)
    instances = os.listdir(INSTANCES)
    began = now() + 0.5
    for service in work:
        service.go(began)
    for service in work:
        service.finish()
    flushed = _flushes(capture.pid)
    return {"during": instances, "flushes": flushed, "outcome": outcome(capture)}


def _flushes(pid: int) -> int:
    """Requests of the flusher that the kernel counted."""
    path = INSTANCES / f"spinledger-capture-{pid}/events/block/block_bio_queue/hist"
    lines = [line for line in path.read_text().splitlines() if "comm: flusher" in line]
    return sum(int(line.split("hitcount:")[1].split()[0]) for line in lines)


def crowded(node: str) -> list[tuple[int, bool, list[str]]]:
    """Readings of a table of 128 places, the fewest there can be; last what found no place.

    Each is the entries, whether it was cleared then, and the programs. 100 programs read before
    the first reading, one before the second, 140 before the third.
    """
    number = device_number(Path(f"/sys/block/{node}/dev").read_text().strip())
    assert number is not None
    disk = os.open(f"/dev/{node}", os.O_RDONLY | os.O_DIRECT)
    page = mmap.mmap(-1, 4096)
    tracing.PLACES = 128
    readings = []
    with tracing.Instance([number]) as instance:
        for batch in (range(100), range(200, 201), range(300, 440)):
            for program in batch:
                Path("/proc/self/comm").write_text(f"p{program}")
                os.preadv(disk, [page], 1 << 20)
            seen, cleared = instance.read()
            names = sorted(key.comm.decode() for key in seen.sums)
            readings.append((seen.entries, cleared, names))
            lost = seen.dropped
    readings.append((lost, False, []))
    return readings


def outcome(capture: subprocess.Popen[str]) -> dict[str, Any]:
    """How a capture ended."""
    out, err = capture.communicate(timeout=60)
    return {"code": capture.returncode, "out": out, "err": err}


if __name__ == "__main__":
    main()
