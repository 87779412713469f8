"""Turns a report of `spinledger check --report FILE` into test vectors.

    python -m tests.vector FILE [--disk NAME] [--into FOLDER]

Writes one file a disk into tests/data/drives. `unit/test_drives.py` then expects of each what the
program that wrote the report understood. Read these lines, change them to what the standard says,
and make the test pass.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from spinledger.app.reporting import FORMAT, VERSION
from spinledger.device.identity import clean

HERE = Path(__file__).parent
DRIVES = HERE / "data" / "drives"
NODE = ("model", "firmware", "transport", "probe_method", "not_probed_because", "skipped")
ORIGIN = ("format", "version", "program", "python", "kernel", "system")

Vector = dict[str, Any]


def vectors(report: dict[str, Any], disk: str = "") -> Iterator[tuple[str, Vector]]:
    """A name and a vector for each disk of a report, or for the one with that kernel name."""
    for one in report["disks"]:
        if disk in ("", one["kernel_name"]):
            replies = [
                {key: value for key, value in reply.items() if key != "understood"}
                | {"expected": expected(reply["understood"])}
                for reply in one["replies"]
                if "status" in reply
            ]
            model = one["model"] or one["sysfs"]["attributes"].get("device/model", "")
            yield (
                f"{clean(model or 'no_model')}-{one['kernel_name']}.json",
                {
                    "origin": {key: report[key] for key in ORIGIN},
                    "kernel_name": one["kernel_name"],
                    "sysfs": one["sysfs"],
                    "expected": {key: one[key] for key in NODE},
                    "replies": replies,
                },
            )


def expected(understood: dict[str, Any]) -> dict[str, Any]:
    """Of what was understood, what a test can hold: no text that is for people."""
    return {key: one for key, one in understood.items() if key not in ("detail", "clause")}


def main(arguments: list[str] | None = None) -> int:
    """Write the vectors, and print what each expects."""
    parser = argparse.ArgumentParser(prog="python -m tests.vector", description=__doc__)
    parser.add_argument("report", type=Path, metavar="FILE")
    parser.add_argument("--disk", default="", metavar="NAME", help="only this disk, by kernel name")
    parser.add_argument("--into", type=Path, default=DRIVES, metavar="FOLDER")
    given = parser.parse_args(arguments)
    try:
        report = json.loads(given.report.read_text(encoding="utf-8"))
        if (report["format"], report["version"]) != (FORMAT, VERSION):
            raise ValueError
    except (OSError, ValueError, KeyError, TypeError):
        parser.error(f"{given.report} is no report of version {VERSION}")
    given.into.mkdir(parents=True, exist_ok=True)
    count = 0
    for name, vector in vectors(report, given.disk):
        (given.into / name).write_text(json.dumps(vector, indent=1) + "\n", encoding="utf-8")
        print(f"{given.into / name}\n  {json.dumps(vector['expected'])}")
        for reply in vector["replies"]:
            print(f"  {reply['command']}: {json.dumps(reply['expected'])}")
        count += 1
    if not count:
        parser.error(f"{given.report} has no disk {given.disk}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
