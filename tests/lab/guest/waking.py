"""Wakes disks in known ways under a real exporter and prints what its ledger says of each; JSON.

Standard input: `drives`, name -> traits of the rack with `identity`; `rounds`, one after the other,
each a list of acts on different drives, which run side by side: `name`, `drives` that must be in
standby before, `unit` whose control group it runs in, `run`, a shell line, and how long it `lasts`;
`{NAME}` in a line is the drive's node. `prepare` is a shell script run before the exporter.

A round is run when its drives are in standby and nothing is dirty. What the drives logged, and the
rows of the ledger's `cycles`, are given whole: the test joins them by time. Times are seconds of
the boot clock.
"""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from tests.lab.guest.client import value
from tests.lab.guest.exporter import Exporter, now

PORT = 9790
LEDGER = "/run/wakes.db"
INSTANCES = Path("/sys/kernel/tracing/instances")
GROUPS = Path("/sys/fs/cgroup")
CONFIG = """\
sample: {fast: 0.5s, slow: 2s, asleep: 4s}
wear: {every: 0}
disks:
"""
DISK = "  - match: {identity: %s}\n    declared_timer: 3s\n"
OTHERS = "  - match: {all: true}\n    watch: off\n"
# So that dirty data is written soon: vm.rst of Linux 6.12; the defaults are 3000 and 500.
SOON = {"dirty_expire_centisecs": "800", "dirty_writeback_centisecs": "100"}


def main() -> None:
    """Play and print."""
    request = json.load(sys.stdin)
    drives: dict[str, dict[str, Any]] = request["drives"]
    identities = [traits.pop("identity") for traits in drives.values()]
    nodes = {name: value("attach", name=name, **traits) for name, traits in drives.items()}
    try:
        json.dump(play(request, nodes, identities), sys.stdout)
    finally:
        subprocess.run(
            ["/bin/bash", "-c", request["clean"].format(**nodes)], check=False, capture_output=True
        )
        for name in drives:
            value("detach", name=name)


def play(request: dict[str, Any], nodes: dict[str, str], identities: list[str]) -> dict[str, Any]:
    """Everything but plugging in and pulling out."""
    for name, text in SOON.items():
        Path("/proc/sys/vm", name).write_text(text)
    groups()
    shell(request["prepare"].format(**nodes))
    stale = INSTANCES / "spinledger-wakes-4194305"  # above the highest process number (proc(5))
    stale.mkdir(exist_ok=True)
    config = CONFIG + "".join(DISK % identity for identity in identities) + OTHERS
    Path(LEDGER).unlink(missing_ok=True)
    exporter = Exporter("wakes", "/exporter", config, PORT, None, LEDGER)
    exporter.await_ready()
    acts = [done for acts in request["rounds"] for done in play_round(acts, nodes)]
    time.sleep(6)
    instances = os.listdir(INSTANCES)
    metrics = exporter.get("/metrics")
    exporter.stop()
    time.sleep(1)
    return {
        "acts": acts,
        "logs": {name: value("log", name=name) for name in nodes},
        "nodes": nodes,
        "cycles": cycles(),
        "instances": instances,
        "left_behind": os.listdir(INSTANCES),
        "metrics": metrics,
        "log": exporter.report()["log"],
    }


def groups() -> None:
    """Control groups with the controllers that writeback by group needs."""
    if not (GROUPS / "cgroup.procs").exists():
        shell(f"mount -t cgroup2 cgroup2 {GROUPS}")
    (GROUPS / "cgroup.subtree_control").write_text("+memory +io")
    slices = GROUPS / "system.slice"
    slices.mkdir(exist_ok=True)
    (slices / "cgroup.subtree_control").write_text("+memory +io")


def play_round(acts: list[dict[str, Any]], nodes: dict[str, str]) -> list[dict[str, Any]]:
    """Run acts side by side, and wait until their drives were woken."""
    drives = [drive for one in acts for drive in one["drives"]]
    for one in acts:
        shell(str(one["before"]).format(**nodes))
    shell("sync")
    asleep(drives)
    time.sleep(1.5)  # the exporter probes every 2 s while it is idle
    asleep(drives)
    wait_for_exporter()
    at = now()
    running = [begin(one, nodes) for one in acts]
    time.sleep(max(one["lasts"] for one in acts))
    until = now()
    for process in running:
        out, _ = process.communicate(timeout=60)
        if process.returncode != 0:
            raise RuntimeError(f"{process.args!r}: {out}")
    return [{"name": one["name"], "at": at, "until": until} for one in acts]


def begin(one: dict[str, Any], nodes: dict[str, str]) -> subprocess.Popen[str]:
    """Start an act in the control group of its unit."""
    run = one["run"].format(**nodes)
    if unit := one["unit"]:
        group = GROUPS / "system.slice" / unit
        group.mkdir(exist_ok=True)
        run = f"echo $BASHPID >{group}/cgroup.procs; {run}"
    return subprocess.Popen(
        ["/bin/bash", "-c", run], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )


def asleep(drives: list[str], within_s: float = 90.0) -> None:
    """Wait until these drives are in standby."""
    ends = now() + within_s
    while any(value("state", name=name)["mode"] != "standby" for name in drives):
        if now() > ends:
            raise TimeoutError(f"{drives} are not all in standby")
        time.sleep(0.2)


def wait_for_exporter() -> None:
    """One probe interval, so that it knows."""
    time.sleep(3.0)


def cycles() -> list[dict[str, Any]]:
    """The rows of the ledger, each with its disk's identity."""
    with sqlite3.connect(f"file:{LEDGER}?mode=ro", uri=True) as ledger:
        ledger.row_factory = sqlite3.Row
        rows = ledger.execute("select * from cycles join disks using (disk) order by boot_ns")
        return [dict(row) for row in rows]


def shell(line: str) -> None:
    """Run a line; its failure ends all."""
    done = subprocess.run(["/bin/bash", "-c", line], capture_output=True, text=True)
    if done.returncode != 0:
        raise RuntimeError(f"{line}: {done.stdout}{done.stderr}")


if __name__ == "__main__":
    main()
