"""Runs the units that ship with the program under systemd; prints what came of it as JSON.

Standard input: `drive` (traits of the rack, with `identity`), `kills` (how often each of the two
processes is killed) and `stops` (whether each is stopped, too). The package is installed and runs
(life.py). Times are seconds of the boot clock.

The steps: standby; a wake by another service; a reload; what a process in each unit's
sandbox can do; kills, each process in turn, some when all is up and others while it starts; a
process that is stopped by SIGSTOP; the end by `systemctl stop`.
"""

from __future__ import annotations

import http.client
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from tests.lab.guest.client import value
from tests.lab.guest.exporter import now

PORT = 9786
CONFIG = Path("/etc/spinledger/config.yml")
UNITS = Path("/run/systemd/system")
LEDGER = "/var/lib/spinledger/ledger.db"
SOCKET = "/run/spinledger-prober.sock"
INSTANCES = Path("/sys/kernel/tracing/instances")
WEB, PROBER = "spinledger.service", "spinledger-prober.service"
BOTH = (WEB, PROBER)
SETTINGS = """\
sample: {{fast: 0.5s, slow: 2s, asleep: {asleep}}}
wear: {{every: 0}}
disks:
  - match: {{identity: {identity}}}
    declared_timer: 3s
  - match: {{all: true}}
    watch: off
"""
WATCHDOG = "[Service]\nWatchdogSec=4\n"
EARLY_S = (0.05, 0.2, 0.5, 0.9, 1.3)  # after a process has begun
WHOLE = 10  # one in so many rounds begins when all is up

Value = TypeVar("Value")
Samples = dict[str, float]


def main() -> None:
    """Play and print."""
    request = json.load(sys.stdin)
    traits = request["drive"]
    disk = Disk(traits["identity"], traits["name"], value("node", name=traits["name"]))
    report: dict[str, Any] = {"began": now(), "first": disk.samples()}
    report["standby"] = until("the disk in standby", lambda: disk.state() == "standby")
    report["greeting"] = properties(PROBER)
    report["wake"] = wake(disk)
    report["reload"] = reload(disk)
    report["attempts"] = {unit: attempts(disk, unit) for unit in BOTH}
    report["kills"] = kills(disk, request["kills"])
    report["stopped"] = [hang(disk, unit) for unit in BOTH if request["stops"]]
    report["instances"] = os.listdir(INSTANCES)
    report["samples"], report["at"] = disk.samples(), now()
    systemctl("stop", WEB)
    until("the prober's end", lambda: main_process(PROBER) == 0, 20.0)  # it may wait for 5 s
    report["cycles"] = cycles()
    report["left"] = {
        "instances": os.listdir(INSTANCES),
        "shared memory": os.listdir("/dev/shm"),
        "active": [properties(unit)["ActiveState"] for unit in BOTH],
    }
    ended = now()
    time.sleep(8)  # two probes of a disk in standby
    report["log"] = value("log", name=disk.name)
    report["after"] = value("log", name=disk.name, since=ended)
    report["journal"] = shell("journalctl --no-pager -o short-monotonic -u 'spinledger*'")
    json.dump(report, sys.stdout)


class Disk:
    """The watched disk, and what the exporter says of it."""

    def __init__(self, identity: str, name: str, node: str) -> None:
        self.identity, self.name, self.node = identity, name, node

    def samples(self) -> Samples:
        """Series of this disk and of the exporter, without other disks; {} while none serves."""
        link = http.client.HTTPConnection("127.0.0.1", PORT, timeout=10)
        try:
            link.request("GET", "/metrics")
            answer = link.getresponse()
            lines = answer.read().decode().splitlines()
            if answer.status != 200:
                return {}
        except (OSError, http.client.HTTPException):
            return {}
        finally:
            link.close()
        pairs = (line.rsplit(" ", 1) for line in lines if not line.startswith("#"))
        return {name: float(number) for name, number in pairs}

    def state(self) -> str:
        """The power state that the exporter shows; "" for none."""
        start = f'spinledger_disk_power_state{{disk="{self.identity}",'
        for name, number in self.samples().items():
            if number == 1 and name.startswith(start):
                return name.split('"')[-2]
        return ""

    def recorded(self) -> float:
        """Its observed spin-ups."""
        return self.samples().get(
            f'spinledger_disk_cycles_total{{disk="{self.identity}",observed="yes"}}', -1
        )


def until(what: str, found: Callable[[], Value], within_s: float = 60.0) -> float:
    """Wait until something is found; seconds that it took. Says so on standard error."""
    began = now()
    print(f"{began:.1f} waiting for {what}", file=sys.stderr)
    while not found():
        if now() > began + within_s:
            status = shell(f"systemctl status --no-pager {WEB} {PROBER}; journalctl -n 60")
            raise TimeoutError(f"{what}: not within {within_s:g} s\n{status}")
        time.sleep(0.1)
    return now() - began


def configure(disk: Disk, asleep: str) -> None:
    """Write the configuration."""
    CONFIG.write_text(SETTINGS.format(identity=disk.identity, asleep=asleep))


def wake(disk: Disk) -> dict[str, Any]:
    """Let another service read the sleeping disk; its row in the ledger's `cycles`."""
    until("standby", lambda: disk.state() == "standby")
    before = disk.recorded()
    at = now()
    read = f"dd if=/dev/{disk.node} of=/dev/null bs=4k count=1 iflag=direct"
    shell(f"systemd-run --quiet --collect --unit=viewer {read}")
    until("the spin-up", lambda: disk.recorded() == before + 1)
    return {"at": at, "node": disk.node}


def reload(disk: Disk) -> dict[str, Any]:
    """Change the configuration, and reload it by `systemctl reload`."""
    stamp = "spinledger_config_reload_timestamp_seconds"
    before, process = disk.samples()[stamp], properties(WEB)["MainPID"]
    configure(disk, "3s")
    systemctl("reload", WEB)
    until("the reload", lambda: disk.samples().get(stamp, before) > before)
    return {
        "good": disk.samples()["spinledger_config_reload_success"],
        "same process": properties(WEB)["MainPID"] == process,
    }


def attempts(disk: Disk, unit: str) -> dict[str, Any]:
    """What a process can do that runs with all of a unit's settings."""
    number = Path(f"/sys/block/{disk.node}/dev").read_text().strip()
    (generic,) = os.listdir(f"/sys/block/{disk.node}/device/scsi_generic")
    out = Path(f"/run/attempts-{unit}.json")
    command = f"/usr/bin/python3 -I /lab/tests/lab/guest/attempts.py {disk.node} {number} {generic}"
    lines = Path(shell(f"systemctl show -P FragmentPath {unit}").strip()).read_text().splitlines()
    kept = [
        line
        for line in lines
        if not line.startswith(("ExecStart=", "Type=", "Requires=", "Restart=", "WatchdogSec="))
    ]
    place = kept.index("[Service]") + 1
    kept[place:place] = [
        "Type=oneshot", f"ExecStart={command} {SOCKET}", f"StandardOutput=truncate:{out}"
    ]  # fmt: skip
    (UNITS / f"attempts-{unit}").write_text("\n".join(kept) + "\n")
    systemctl("daemon-reload")
    systemctl("start", f"attempts-{unit}")
    found: dict[str, Any] = json.loads(out.read_text())
    return found


def kills(disk: Disk, rounds: int) -> list[dict[str, Any]]:
    """Kill each process so often: at once after a spin-up was recorded, or while it starts."""
    done: list[dict[str, Any]] = []
    for number in range(rounds):
        whole = number % WHOLE == 0
        for unit in BOTH:
            process = 0
            if whole:
                wake(disk)
                before = disk.samples()
                process = main_process(unit)
            while not process:
                until(f"{unit} runs", partial(main_process, unit))
                time.sleep(EARLY_S[number % len(EARLY_S)])
                process = main_process(unit)
            os.kill(process, signal.SIGKILL)
            at = now()
            if whole:
                known = until(f"{unit} again", partial(again, disk, unit, process))
                done.append(
                    {"unit": unit, "at": at, "back_s": known, "before": before,
                     "after": disk.samples()}
                )  # fmt: skip
            else:
                done.append({"unit": unit, "at": at})
    until("the state", lambda: there(disk))
    return done


def again(disk: Disk, unit: str, before: int) -> bool:
    """Whether another process of the unit runs, and the state is shown."""
    return main_process(unit) not in (0, before) and there(disk)


def main_process(unit: str) -> int:
    """Its process number; 0 for none."""
    return int(properties(unit)["MainPID"])


def there(disk: Disk) -> bool:
    """Whether both processes run and the exporter shows the drive's own mode."""
    mode = value("state", name=disk.name)["mode"]
    shown = disk.state()
    return shown == mode or (shown == "idle" and mode == "active")


def hang(disk: Disk, unit: str) -> dict[str, Any]:
    """Stop a process by SIGSTOP, with a short watchdog; what systemd made of it."""
    folder = UNITS / f"{unit}.d"
    folder.mkdir(parents=True)
    (folder / "watchdog.conf").write_text(WATCHDOG)
    systemctl("daemon-reload")
    before = properties(unit)["MainPID"]
    os.kill(int(before), signal.SIGKILL)  # from now on with the short watchdog
    new = started(unit, before)
    until("the state", lambda: there(disk))
    os.kill(int(new), signal.SIGSTOP)
    at = now()
    after = started(unit, new)
    until("the state", lambda: there(disk))
    return {"unit": unit, "stopped": new, "after": after, "took": now() - at}


def started(unit: str, before: str) -> str:
    """Wait for another process of a unit that is ready; its number."""

    def ready() -> bool:
        found = properties(unit)
        return found["MainPID"] not in ("0", before) and found["ActiveState"] == "active"

    until(f"{unit} again", ready)
    return properties(unit)["MainPID"]


def properties(unit: str) -> dict[str, str]:
    """What systemd says of a unit."""
    names = "MainPID,ActiveState,SubState,NRestarts,Result"
    lines = shell(f"systemctl show -p {names} {unit}").splitlines()
    return dict(line.split("=", 1) for line in lines)


def cycles() -> list[dict[str, Any]]:
    """The rows of the ledger's `cycles`."""
    with sqlite3.connect(f"file:{LEDGER}?mode=ro", uri=True) as ledger:
        ledger.row_factory = sqlite3.Row
        return [dict(row) for row in ledger.execute("select * from cycles order by boot_ns")]


def systemctl(*words: str) -> None:
    """Run systemctl."""
    shell(f"systemctl {' '.join(words)}")


def shell(line: str) -> str:
    """Run a line; its failure ends all."""
    done = subprocess.run(["/bin/bash", "-c", line], capture_output=True, text=True)
    if done.returncode != 0:
        log = subprocess.run(["journalctl", "-n", "40"], capture_output=True, text=True).stdout
        raise RuntimeError(f"{line}: {done.stdout}{done.stderr}\n{log}")
    return done.stdout


if __name__ == "__main__":
    main()
