"""Plays one scenario inside the guest and prints one JSON report.

Standard input is the play:

    drives        traits of the emulated drives (see drive.py), plugged in at once, or by their
                  first `attach` when `plugged` is false
    serves        name, path, config (YAML text), port, edited: exporters to run side by side,
                  each on its own disks (see exporter.py)
    acts          at (seconds after all exporters are ready and calm), drive, do, and what the act
                  needs; acts of one drive run in their order, those of different drives side by
                  side
    until_s       how long it lasts
    scrape_s      how often each exporter is scraped

The report, all times in seconds of the boot clock unless said otherwise:

    began, ended, wall_less_boot
    acts          each act with began, done and value
    logs          by drive: what it logged, from plugging in to 3 s after the exporters had stopped
    scrapes       by exporter: at, took, text
    served        by exporter: ready, code, stopped_s (time from SIGTERM to its end), log
    snapshots     by exporter: /snapshot at the end
    kernel        kernel log lines, stamped by the kernel's own clock
    timeouts      by drive: commands whose time limit ran out in the kernel (device/iotmo_cnt)
    attached      by drive: every kernel name it had

Acts: `arm` (a direct read, then timer_s begins to count from it), `read`, `send` (command: a name
of sgio.COMMANDS), `hold` (open read-write and keep it open), `fsync` (of that descriptor), `set`
(see rack.py), `suspend` (runtime power management that stops the disk; delay_ms), `status`
(runtime_status), `detach`, `attach`. A drive may also be the serial number of any other disk.
"""

from __future__ import annotations

import json
import mmap
import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

from tests.lab.guest import sgio
from tests.lab.guest.client import value
from tests.lab.guest.exporter import Exporter, now

AFTERMATH_S = 3.0
CALM_S = 40.0  # at most
CALM_SCRAPE_S = 0.3


class Bench:
    """Carries out acts on disks, called by drive name or serial number."""

    def __init__(self, drives: list[dict[str, Any]]) -> None:
        self._ours = {drive["name"] for drive in drives}
        self._held: dict[str, int] = {}
        self.attached: dict[str, list[str]] = {}
        self._later: dict[str, dict[str, Any]] = {}
        for drive in drives:
            name = drive["name"]
            self.attached[name] = []
            if drive.pop("plugged", True):
                self.attached[name].append(value("attach", settle=False, **drive))
            else:
                self._later[name] = drive
        subprocess.run(["udevadm", "settle", "--timeout=120"], check=True)

    def node(self, drive: str) -> str:
        """The kernel name now."""
        if drive in self._ours:
            return str(value("node", name=drive))
        for page in Path("/sys/block").glob("sd*/device/vpd_pg80"):
            if drive.encode() in page.read_bytes():
                return page.parent.parent.name
        raise LookupError(f"no disk {drive}")

    def act(self, drive: str, do: str, **arguments: Any) -> Any:
        """Carry out one act; what came of it."""
        return getattr(self, f"_{do}")(drive, **arguments)

    def release(self) -> None:
        """Close what is held, and pull the drives out."""
        for descriptor in self._held.values():
            os.close(descriptor)
        for name in sorted(self._ours):
            value("set", name=name, hangs_on_probes=False)
            if value("node", name=name):
                value("detach", name=name)

    def _arm(self, drive: str, timer_s: float) -> None:
        self._read(drive)
        value("set", name=drive, timer_s=timer_s)

    def _read(self, drive: str) -> int:
        descriptor = os.open(f"/dev/{self.node(drive)}", os.O_RDONLY | os.O_DIRECT)
        try:
            return os.preadv(descriptor, [mmap.mmap(-1, 4096)], 1 << 20)
        finally:
            os.close(descriptor)

    def _send(self, drive: str, command: str) -> dict[str, Any]:
        cdb, want = sgio.COMMANDS[command]
        done = sgio.send(f"/dev/{self.node(drive)}", cdb, want)
        return {"status": done.status, "sense": done.sense, "data": done.data}

    def _hold(self, drive: str) -> None:
        self._held[drive] = os.open(f"/dev/{self.node(drive)}", os.O_RDWR)

    def _fsync(self, drive: str) -> None:
        os.fsync(self._held[drive])

    def _set(self, drive: str, **arguments: Any) -> None:
        value("set", name=drive, **arguments)

    def _suspend(self, drive: str, delay_ms: int) -> None:
        device = Path("/sys/block", self.node(drive), "device")
        (stops,) = device.glob("scsi_disk/*/manage_runtime_start_stop")
        stops.write_text("1")
        (device / "power/autosuspend_delay_ms").write_text(str(delay_ms))
        (device / "power/control").write_text("auto")

    def _status(self, drive: str) -> str:
        return (
            Path("/sys/block", self.node(drive), "device/power/runtime_status").read_text().strip()
        )

    def _detach(self, drive: str) -> None:
        value("detach", name=drive)

    def _attach(self, drive: str) -> str:
        node = str(value("attach", **self._later.pop(drive, {"name": drive})))
        self.attached[drive].append(node)
        return node


def calm(exporters: list[Exporter]) -> None:
    """Wait until the first work is done and every exporter answers quickly."""
    deadline = now() + CALM_S
    slowest = CALM_SCRAPE_S
    while slowest >= CALM_SCRAPE_S and now() < deadline:
        slowest = 0.0
        for exporter in exporters:
            if exporter.ready:
                exporter.scrape()
                slowest = max(slowest, exporter.scrapes.pop()["took"])
        time.sleep(0.5)


def say(stage: str) -> None:
    """Progress, shown with SPINLEDGER_LAB_ECHO=1."""
    print(f"{now():.1f} {stage}", file=sys.stderr, flush=True)


def play(scenario: dict[str, Any]) -> dict[str, Any]:
    """Run the scenario; the report."""
    say("plugging in")
    bench = Bench(scenario["drives"])
    say("starting exporters")
    exporters = [Exporter(**serve) for serve in scenario["serves"]]
    for exporter in exporters:
        exporter.await_ready()
    say("all ready")
    calm(exporters)
    say("calm")
    began, wall_less_boot = now(), time.time() - now()
    acts: list[dict[str, Any]] = sorted(scenario["acts"], key=lambda act: float(act["at"]))
    by_drive: dict[str, list[dict[str, Any]]] = {}
    for act in acts:
        by_drive.setdefault(act["drive"], []).append(act)

    def perform(own: list[dict[str, Any]]) -> None:
        for act in own:
            time.sleep(max(0.0, began + act["at"] - now()))
            arguments = {key: item for key, item in act.items() if key != "at"}
            act["began"] = now()
            try:
                act["value"] = bench.act(**arguments)
            except Exception as error:
                act["error"] = f"{type(error).__name__}: {error}"
            act["done"] = now()

    def watch(exporter: Exporter) -> None:
        due = began
        while now() < began + scenario["until_s"]:
            exporter.scrape()
            due = max(due + scenario["scrape_s"], now())
            time.sleep(max(0.0, min(due, began + scenario["until_s"]) - now()))

    threads = [threading.Thread(target=perform, args=(own,)) for own in by_drive.values()]
    threads += [threading.Thread(target=watch, args=(one,)) for one in exporters if one.ready]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    ended = now()
    say("stopping")
    snapshots = {}
    for exporter in exporters:
        if exporter.ready:
            exporter.scrape()
            snapshots[exporter.name] = json.loads(exporter.get("/snapshot"))
    stopping = [threading.Thread(target=exporter.stop) for exporter in exporters]
    for thread in stopping:
        thread.start()
    for thread in stopping:
        thread.join()
    time.sleep(AFTERMATH_S)
    logs = {drive["name"]: value("log", name=drive["name"]) for drive in scenario["drives"]}
    timeouts = {}
    for name in logs:
        count = Path("/sys/block", bench.node(name), "device/iotmo_cnt")
        timeouts[name] = int(count.read_text(), 0) if count.exists() else None
    kernel = subprocess.run(["dmesg"], capture_output=True, text=True, check=True).stdout
    bench.release()
    return {
        "began": began,
        "ended": ended,
        "wall_less_boot": wall_less_boot,
        "acts": acts,
        "logs": logs,
        "scrapes": {exporter.name: exporter.scrapes for exporter in exporters},
        "snapshots": snapshots,
        "served": {exporter.name: exporter.report() for exporter in exporters},
        "kernel": kernel.splitlines(),
        "timeouts": timeouts,
        "attached": bench.attached,
    }


if __name__ == "__main__":
    json.dump(play(json.load(sys.stdin)), sys.stdout)
