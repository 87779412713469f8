"""What counting costs each I/O, measured in the guest; prints JSON.

Standard input: `device` (read from, a kernel name), `reads` a run, `rounds`. Each round runs every
way of watching once, so that a drift of the machine meets all of them alike:

nothing     no capture
elsewhere   a capture of another disk: the filter drops the event
counted     a capture of this disk, read once a second
copied      the same event copied out to a buffer that is not read
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread

sys.path.insert(0, "/exporter")

from spinledger.device.histogram import device_number
from spinledger.device.tracing import EVENT, TRACEFS, Instance

ELSEWHERE = 1  # no device has this number
SECTORS_A_READ = 8


def main() -> None:
    """Measure and print seconds a run, and seconds a reading of the histogram."""
    request = json.load(sys.stdin)
    device = request["device"]
    number = device_number(Path(f"/sys/block/{device}/dev").read_text().strip())
    assert number is not None
    assert int(Path(f"/sys/block/{device}/size").read_text()) >= request["reads"] * SECTORS_A_READ
    command = ["dd", f"if=/dev/{device}", "of=/dev/null", "bs=4k", "iflag=direct"]
    command += [f"count={request['reads']}", "status=none"]
    ways: dict[str, Callable[[], float]] = {
        "nothing": lambda: timed(command),
        "elsewhere": lambda: counted(command, ELSEWHERE),
        "counted": lambda: counted(command, number),
        "copied": lambda: copied(command),
    }
    took: dict[str, list[float]] = {name: [] for name in ways}
    timed(command)  # the first run meets cold caches
    for _ in range(request["rounds"]):
        for name, way in ways.items():
            took[name].append(way())
    json.dump({"runs": took, "reading": reading(number)}, sys.stdout)


def timed(command: list[str]) -> float:
    """Seconds of wall time that a run takes."""
    began = time.perf_counter()
    subprocess.run(command, check=True)
    return time.perf_counter() - began


def counted(command: list[str], number: int) -> float:
    """A run while a capture reads once a second, as the command does."""
    with Instance([number]) as instance:
        over = Event()

        def read() -> None:
            while not over.wait(1.0):
                instance.read()

        reader = Thread(target=read)
        reader.start()
        took = timed(command)
        over.set()
        reader.join()
        return took


def copied(command: list[str]) -> float:
    """A run while each event is copied out."""
    with plain_instance():
        return timed(command)


@contextmanager
def plain_instance() -> Iterator[None]:
    """An instance that records the event."""
    path = Path(TRACEFS, "instances", "copied")
    path.mkdir()
    try:
        (path / EVENT / "enable").write_text("1")
        yield
    finally:
        (path / EVENT / "enable").write_text("0")
        path.rmdir()


def reading(number: int) -> float:
    """Seconds of processor time to read and understand the histogram once."""
    with Instance([number]) as instance:
        began = time.process_time()
        for _ in range(50):
            instance.read()
        return (time.process_time() - began) / 50


if __name__ == "__main__":
    main()
