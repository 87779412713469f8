"""`check --report` on mocked disks: what is sent, what the file holds, and vectors made of it.

What reached a drive is judged by the drives' own log. Functions named `_...` run inside the shelf.
"""

from __future__ import annotations

import contextlib
import io
import json
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from spinledger import cli
from spinledger.app import examining
from spinledger.device.clock import RealClock
from spinledger.device.kernel_counters import SysfsCounters
from spinledger.model import Counted, Disk
from spinledger.ports import Source
from tests import vector
from tests.fakes.drive_bytes import MODEL, identify, smart
from tests.fakes.mocked import Shelf, mocked_shelf
from tests.vector import DRIVES

ROOT = Path(__file__).parents[2]
E5 = "850620" + "00" * 11 + "e500"
MOVED = "100 0 2008 300 50 0 1000 200 0 400 500 0 0 0 0 7 0"
MODES = ("standby", "active_or_idle", "idle")  # by number modulo three: HC580, table 86


def _report(shelf: Shelf) -> dict[str, Any]:
    """Report while sda and sdc are in use and sdb, sdd are not; sdd's serial is in odd places."""

    def wait(self: RealClock, until_ns: int, sources: Sequence[Source]) -> Sequence[Source]:
        if sources:
            return waited(self, until_ns, sources)
        for node in ("sda", "sdc"):
            shelf.do("set", node=node, name="stat", value=MOVED)
        return ()

    def read(self: SysfsCounters, disk: Disk, at_ns: int) -> Counted | None:
        self.forget(disk.identity)  # a mocked file is replaced, not written, when it changes
        return looked(self, disk, at_ns)

    waited, looked = RealClock.wait, SysfsCounters.read
    RealClock.wait, SysfsCounters.read = wait, read  # type: ignore[method-assign]
    examining.BETWEEN_PROBING_NS = 0
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "report.json"
        config = Path(folder) / "config.yml"
        config.write_text(f"ledger: {{path: {folder}/ledger.db}}\n", encoding="utf-8")
        with contextlib.redirect_stdout(io.StringIO()) as out:
            status = cli.main(["check", "--config", str(config), "--report", str(file)])
        return {"status": status, "out": out.getvalue(), "file": file.read_text("utf-8")}


@pytest.fixture(scope="module")
def made() -> tuple[dict[str, Any], dict[str, Any]]:
    """What the report holds, and what each drive got."""
    with mocked_shelf(4) as shelf:
        for number, node in enumerate(("sda", "sdb", "sdc", "sdd")):
            name = f"0x5000{0xB0000000000 + number:012x}"
            canned = {
                "aec00": identify(f"LAB-{number:05d}", name).hex(),
                "ab0d0": smart({4: 1200, 193: 34567}).hex(),
            }
            shelf.do("can", node=node, **canned)
        return shelf.run(_report), shelf.do("log")


def test_only_disks_in_use_are_sent_anything(made: tuple[dict[str, Any], dict[str, Any]]) -> None:
    """A drive in standby gets the probe and nothing more, one that spins its records as well; one
    whose sectors did not move gets nothing, and the report says why."""
    inside, log = made
    assert [log[node] for node in ("sdb", "sdd")] == [[], []]
    assert log["sda"] == [E5]  # it says standby
    assert log["sdc"][0] == E5
    assert [cdb[28:30] for cdb in log["sdc"][1:]] == ["ec", "b0"]
    report = json.loads(inside["file"])
    said = {disk["kernel_name"]: disk["nothing_sent"] for disk in report["disks"]}
    assert said["sda"] == said["sdc"] == ""
    assert "its sectors did not move" in said["sdb"]


def test_the_file_holds_replies_and_no_number(
    made: tuple[dict[str, Any], dict[str, Any]],
) -> None:
    """States as the drives gave them; no serial number or world-wide name in any form."""
    inside, _ = made
    assert (inside["status"], inside["file"].count(MODEL) > 0) == (1, True)
    report = json.loads(inside["file"])
    assert (report["format"], report["version"]) == ("spinledger-report", 1)
    disks = {disk["kernel_name"]: disk for disk in report["disks"]}
    states = {node: disks[node]["replies"][0]["understood"]["state"] for node in ("sda", "sdc")}
    assert states == {"sda": MODES[0], "sdc": MODES[2]}
    values = disks["sdc"]["replies"][2]["understood"]["values"]
    assert (values["start_stops"], values["loads"]) == (1200, 34567)
    plain = inside["file"].lower().replace(" ", "")
    for number in range(4):
        serial, name = f"LAB-{number:05d}", f"5000{0xB0000000000 + number:012x}"
        swapped = identify(serial, f"0x{name}")
        for secret in (serial.lower(), serial.encode().hex(), name, swapped[20:30].hex()):
            assert secret not in plain
        assert swapped[216:224].hex() not in plain
        assert number or name[4:] not in plain


def test_a_report_becomes_vectors(
    made: tuple[dict[str, Any], dict[str, Any]], tmp_path: Path
) -> None:
    """One command makes them; the one of this shelf is kept in tests/data, and is the same."""
    file = tmp_path / "report.json"
    file.write_text(made[0]["file"], encoding="utf-8")
    command = [sys.executable, "-m", "tests.vector", str(file), "--disk", "sdc"]
    done = subprocess.run(
        [*command, "--into", str(tmp_path)], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert '{"state": "idle", "condition": null}' in done.stdout
    (written,) = tmp_path.glob("*-sdc.json")
    kept = json.loads((DRIVES / written.name).read_text("utf-8"))
    new = json.loads(written.read_text("utf-8"))
    for one in (kept, new):
        one.pop("origin")
        for reply in one["replies"]:
            reply.pop("elapsed_ns")
    assert new == kept


def test_a_file_that_is_no_report_is_one_line(tmp_path: Path) -> None:
    """Exit code 2, with what is wrong."""
    file = tmp_path / "other.json"
    file.write_text("{}")
    with pytest.raises(SystemExit) as ended:
        vector.main([str(file)])
    assert ended.value.code == 2
