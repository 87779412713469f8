"""Three services use one disk while `spinledger capture` watches; prints what came of it as JSON.

Standard input: `node` (a kernel name), `end_s` (when the capture gets SIGINT) and `services`: name
-> `op` (read, write or flush), `at` (seconds from the common start) and `partition` (its I/O goes
to a partition that begins at 1 MiB).

The services hold their descriptors open all the time: closing a disk that was open for writing
makes udev read it. Each notes the boot clock at every I/O. Their requests are direct, so that the
kernel sees them when and by whom they are made.
"""

from __future__ import annotations

import ctypes
import fcntl
import json
import mmap
import os
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

INSTANCES = Path("/sys/kernel/tracing/instances")
EVENT = "events/block/block_bio_queue"
BLKPG, ADD_PARTITION = 0x1269, 1  # include/uapi/linux/fs.h, blkpg.h
MIB = 1 << 20
ARMED_S = 60.0
STOP_S = 20.0


def now() -> float:
    """Seconds of the boot clock."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def main() -> None:
    """Play and print."""
    request = json.load(sys.stdin)
    node = f"/dev/{request['node']}"
    services = request["services"]
    if any(service.get("partition") for service in services.values()):
        add_partition(node)
        subprocess.run(["udevadm", "settle"], check=True)
    children = [Service(node, name, **service) for name, service in services.items()]
    trace = Path("/run/capture.csv")
    trace.unlink(missing_ok=True)
    capture = start("--for", "10m", "--out", str(trace), "--disk", request["node"])
    instance = armed(capture)
    began = now() + 1
    for child in children:
        child.go(began)
    done = {child.name: child.finish() for child in children}
    time.sleep(max(0.0, began + request["end_s"] - now()))
    histogram = (instance / EVENT / "hist").read_text()
    trace_pipe = (instance / "trace").read_text()
    capture.send_signal(signal.SIGINT)
    out, err = capture.communicate(timeout=STOP_S)
    report = {
        "code": capture.returncode,
        "out": out,
        "err": err,
        "trace": trace.read_text(),
        "histogram": histogram,
        "format": Path("/sys/kernel/tracing", EVENT, "format").read_text(),
        "copied_out": [line for line in trace_pipe.splitlines() if not line.startswith("#")],
        "left_behind": [entry.name for entry in INSTANCES.iterdir()],
        "boot_to_wall_s": time.time() - now(),
        "began": began,
        "done": done,
    }
    json.dump(report, sys.stdout)


def add_partition(node: str) -> None:
    """Give the kernel a partition of 2 MiB from 1 MiB on; nothing is written to the disk.

    struct blkpg_partition and struct blkpg_ioctl_arg: include/uapi/linux/blkpg.h, Linux 6.1.
    """
    partition = ctypes.create_string_buffer(struct.pack("=qqi64s64s4x", MIB, 2 * MIB, 1, b"", b""))
    size = ctypes.sizeof(partition) - 1  # less the zero that ctypes adds
    disk = os.open(node, os.O_RDONLY)
    try:
        address = ctypes.addressof(partition)
        fcntl.ioctl(disk, BLKPG, struct.pack("iiiP", ADD_PARTITION, 0, size, address))
    finally:
        os.close(disk)


def start(*arguments: str, before: Sequence[str] = ()) -> subprocess.Popen[str]:
    """`spinledger capture`, as a user would start it; `before` it a command that runs it."""
    return subprocess.Popen(
        [*before, sys.executable, "-m", "spinledger", "capture", *arguments],
        env=os.environ | {"PYTHONPATH": "/exporter:/opt/wheels"},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def armed(capture: subprocess.Popen[str]) -> Path:
    """Wait until the kernel counts for it; its instance."""
    instance = INSTANCES / f"spinledger-capture-{capture.pid}"
    ends = now() + ARMED_S
    while now() < ends and capture.poll() is None:
        try:
            if "[active]" in (instance / EVENT / "trigger").read_text():
                return instance
        except OSError:
            pass
        time.sleep(0.05)
    capture.kill()
    raise RuntimeError(f"the capture did not begin: {capture.communicate()}")


class Service:
    """A process of its own name that reads or writes one page at given times."""

    def __init__(
        self, node: str, name: str, op: str, at: list[float], partition: bool = False
    ) -> None:
        self.name = name
        start_read, self._start = os.pipe()
        self._noted, noted = os.pipe()
        self._pid = os.fork()
        if self._pid:
            os.close(start_read)
            os.close(noted)
            return
        code = 1
        try:
            os.close(self._start)
            Path("/proc/self/comm").write_bytes(name.encode())
            mode = os.O_RDWR if op == "write" else os.O_RDONLY
            disk = os.open(f"{node}1" if partition else node, mode | os.O_DIRECT)
            began = json.loads(os.read(start_read, 100))
            times = list(self._work(disk, op, [began + offset for offset in at]))
            os.write(noted, json.dumps(times).encode())
            os.read(start_read, 1)  # until the parent ends: the descriptor stays open
            code = 0
        finally:
            os._exit(code)

    @staticmethod
    def _work(disk: int, op: str, at: list[float]) -> list[float]:
        page = mmap.mmap(-1, 4096)
        times = []
        for number, moment in enumerate(at):
            time.sleep(max(0.0, moment - now()))
            times.append(now())
            place = (8 + number) * 4096
            if op == "flush":
                os.fsync(disk)
            elif op == "write":
                os.pwritev(disk, [page], place)
            else:
                os.preadv(disk, [page], place)
        return times

    def go(self, began: float) -> None:
        """Begin; offsets count from `began`."""
        os.write(self._start, json.dumps(began).encode())

    def finish(self) -> list[float]:
        """Wait for its last I/O; when each was made."""
        noted = os.read(self._noted, 1 << 16)
        times: list[float] = json.loads(noted)
        return times


if __name__ == "__main__":
    main()
