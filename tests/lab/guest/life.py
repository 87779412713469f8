"""The life of the Debian package under systemd; prints what came of it as JSON.

`begin` installs an earlier build, lets it record a spin-up, and upgrades it. `end` goes back to the
earlier build with a ledger of a later version, then removes the package, and purges it. Standard
input: `drive`, traits of the rack with `identity`. /package has earlier.deb and current.deb.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import sys
from pathlib import Path
from typing import Any

from tests.lab.guest.client import value
from tests.lab.guest.exporter import now
from tests.lab.guest.units import (
    BOTH,
    CONFIG,
    INSTANCES,
    LEDGER,
    SOCKET,
    WEB,
    Disk,
    configure,
    cycles,
    properties,
    shell,
    systemctl,
    there,
    until,
    wake,
)

PLACES = (
    "/etc/spinledger",
    "/var/lib/spinledger",
    "/usr/lib/spinledger",
    "/usr/share/spinledger",
    "/run/spinledger",
    SOCKET,
    "/etc/systemd/system/multi-user.target.wants/spinledger.service",
    "/etc/systemd/system/sockets.target.wants/spinledger-prober.socket",
)
LATER = 99  # a version of the ledger's schema (PRAGMA user_version)


def main() -> None:
    """Play one part and print."""
    traits = json.load(sys.stdin)["drive"]
    name, identity = traits["name"], traits.pop("identity")
    if sys.argv[1] == "begin":
        report = begin(Disk(identity, name, value("attach", **traits)))
    else:
        report = end()
    json.dump(report, sys.stdout)


def begin(disk: Disk) -> dict[str, Any]:
    """Install the earlier build, and upgrade it."""
    CONFIG.parent.mkdir()
    configure(disk, "4s")
    began = now()
    dpkg("--force-confold --install /package/earlier.deb")
    enabled = shell("systemctl is-enabled spinledger.service spinledger-prober.socket").split()
    until("the state", lambda: there(disk))
    wake(disk)
    until("the spin-up in the ledger", cycles)
    before, old = disk.samples(), processes()
    dpkg("--force-confold --install /package/current.deb")
    until("the state", lambda: there(disk))
    return {
        "began": began,
        "enabled": enabled,
        "before": before,
        "after": disk.samples(),
        "kept processes": [unit for unit in BOTH if processes()[unit] == old[unit]],
        "version": shell("spinledger -V").strip(),
        "configuration": CONFIG.read_text(),
    }


def end() -> dict[str, Any]:
    """Go back, remove, purge; the service has been stopped before."""
    kept = cycles()
    version = as_version(LATER)
    digest = file_digest()
    began = shell("cut -d' ' -f1 /proc/uptime").strip()
    dpkg("--force-confold --install /package/earlier.deb")
    until("a second refusal", lambda: len(refusals(float(began))) > 1)
    systemctl("stop", WEB)
    report: dict[str, Any] = {
        "refusals": refusals(float(began)),
        "untouched": file_digest() == digest,
    }
    as_version(version)
    dpkg("--force-confold --install /package/current.deb")
    until("the exporter", lambda: properties(WEB)["ActiveState"] == "active")
    dpkg("--remove spinledger")
    report["spin-ups"] = {"before": kept, "after": cycles()}
    report["removed"] = left()
    dpkg("--purge spinledger")
    report["purged"] = left()
    return report


def left() -> dict[str, Any]:
    """What is there of the package."""
    return {
        "places": [place for place in PLACES if os.path.lexists(place)],
        "ledger": os.path.exists(LEDGER),
        "shared memory": os.listdir("/dev/shm"),
        "instances": os.listdir(INSTANCES),
        "processes": [unit for unit, number in processes().items() if number != "0"],
    }


def dpkg(words: str) -> None:
    """Run dpkg."""
    shell(f"DEBIAN_FRONTEND=noninteractive dpkg {words}")


def processes() -> dict[str, str]:
    """The process number of each unit, "0" for none."""
    return {unit: properties(unit)["MainPID"] for unit in BOTH}


def refusals(since_s: float) -> list[str]:
    """What the service wrote to the journal since then, line by line."""
    rows = shell("journalctl --no-pager -o json -t spinledger").splitlines()
    found = [json.loads(row) for row in rows]
    late = [row for row in found if int(row["__MONOTONIC_TIMESTAMP"]) > since_s * 1e6]
    return [row["MESSAGE"] for row in late if "ledger" in row["MESSAGE"]]


def as_version(version: int) -> int:
    """Give the ledger a version of the schema; the one before."""
    with sqlite3.connect(LEDGER) as ledger:
        (before,) = ledger.execute("pragma user_version").fetchone()
        ledger.execute(f"pragma user_version = {version}")
        ledger.execute("update meta set version = ?", [version])
    return int(before)


def file_digest() -> str:
    """SHA-256 of the ledger file."""
    return hashlib.sha256(Path(LEDGER).read_bytes()).hexdigest()


if __name__ == "__main__":
    main()
