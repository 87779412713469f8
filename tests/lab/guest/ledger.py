"""Plays the ledger's scenarios in the guest and prints the results as JSON.

Standard input: `name`, `number`, `size_mib` and `identity` of the drive, `play` (restart or
on_the_disk). Times are seconds of the boot clock.

restart      The exporter observes standby and stops; five times the drive is read and sleeps
             again; the exporter starts, observes standby, and the drive is read once.
on_the_disk  The ledger is on the watched drive. It is read once, and then there is no I/O for a
             while.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from tests.lab.guest.client import value
from tests.lab.guest.exporter import Exporter, now
from tests.lab.guest.scenario import Bench

PORT = 9790
QUIET_S = 25.0
CONFIG = """\
sample: {fast: 0.5s, slow: 2s, asleep: 4s}
wear: {every: %s}
disks:
  - match: {identity: %s}
    declared_timer: %ss
  - match: {all: true}
    watch: off
"""


def until(name: str, mode: str, seconds: float = 40.0) -> None:
    """Wait until the drive itself is in a mode."""
    ends = now() + seconds
    while now() < ends:
        if value("state", name=name)["mode"] == mode:
            return
        time.sleep(0.2)
    raise TimeoutError(f"{name} is not in {mode}")


def shown(exporter: Exporter, state: str, seconds: float = 40.0) -> dict[str, Any]:
    """Wait until the exporter shows a state; its snapshot of the disk."""
    ends = now() + seconds
    while now() < ends:
        disk = snapshot_of(exporter)
        if disk["state"] == state:
            return disk
        time.sleep(0.3)
    raise TimeoutError(f"the exporter does not show {state}: {exporter.report()['log']}")


def snapshot_of(exporter: Exporter) -> dict[str, Any]:
    """The exporter's snapshot of its one disk."""
    (disk,) = json.loads(exporter.get("/snapshot"))["disks"]
    return dict(disk)


def start(identity: str, timer_s: float, wear: str, ledger: str) -> Exporter:
    """An exporter that is ready."""
    config = CONFIG % (wear, identity, timer_s)
    exporter = Exporter("ledger", "/exporter", config, PORT, None, ledger)
    exporter.await_ready()
    if not exporter.ready:
        raise RuntimeError(exporter.report()["log"])
    return exporter


def restart(bench: Bench, name: str, identity: str) -> dict[str, Any]:
    """Five spin-ups while no exporter runs."""
    ledger = "/run/test-ledger.db"
    value("set", name=name, timer_s=5.0)
    first = start(identity, 5, "1s", ledger)
    shown(first, "standby")
    bench.act(name, "read")
    shown(first, "active")
    shown(first, "standby")
    before, starts = snapshot_of(first), value("state", name=name)["start_stops"]
    first.stop()
    for _ in range(5):
        bench.act(name, "read")
        until(name, "standby")
    second = start(identity, 5, "1s", ledger)
    shown(second, "standby")
    bench.act(name, "read")
    shown(second, "active")
    time.sleep(2.0)
    after = snapshot_of(second)
    second.stop()
    return {
        "before": before,
        "after": after,
        "starts": value("state", name=name)["start_stops"] - starts,
        "log": second.report()["log"],
    }


def on_the_disk(bench: Bench, name: str, identity: str) -> dict[str, Any]:
    """The ledger on the watched drive."""
    node = f"/dev/{bench.node(name)}"
    for command in (
        ["modprobe", "ext4"],
        ["mkfs.ext4", "-q", "-E", "lazy_itable_init=0,lazy_journal_init=0", node],
        ["mkdir", "-p", "/mnt/ledger"],
        ["mount", node, "/mnt/ledger"],
        ["sync"],
    ):
        subprocess.run(command, check=True)
    value("set", name=name, timer_s=9.0)
    exporter = start(identity, 9, "0", "/mnt/ledger/ledger.db")
    shown(exporter, "standby", 90.0)
    bench.act(name, "read")
    read = now()
    time.sleep(30.0)
    shown(exporter, "standby", 60.0)
    asleep = now()
    deferred = []
    while now() < asleep + QUIET_S:
        snapshot = json.loads(exporter.get("/snapshot"))
        deferred.append(snapshot["exporter"]["ledger_deferred"][0]["value"])
        time.sleep(1.0)
    ended = now()
    log = value("log", name=name)
    size = Path("/mnt/ledger/ledger.db").stat().st_size
    exporter.stop()
    subprocess.run(["umount", "/mnt/ledger"], check=True)
    return {
        "read": read,
        "asleep": asleep,
        "ended": ended,
        "log": log,
        "deferred": deferred,
        "size": size,
        "exporter_log": exporter.report()["log"],
    }


def main() -> None:
    """One play."""
    request = json.load(sys.stdin)
    name = request["name"]
    bench = Bench(
        [{"name": name, "number": request["number"], "timer_s": 0, "size_mib": request["size_mib"]}]
    )
    try:
        done = {"restart": restart, "on_the_disk": on_the_disk}[request["play"]](
            bench, name, request["identity"]
        )
    finally:
        bench.release()
    json.dump(done, sys.stdout)


if __name__ == "__main__":
    main()
