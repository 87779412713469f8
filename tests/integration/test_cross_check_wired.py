"""The cross-check as a user has it: the exporter's own process, its configuration, its metrics.

The disks are mocked, the program is a stand-in that prints one kind of output for each disk. What
is whole and what is not follows smartctl(8), EXIT STATUS, and the form of smartctl 7.3.
"""

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import sys
import threading
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from spinledger.ports import TROUBLES
from tests.fakes.drive_bytes import identify, smart
from tests.fakes.mocked import Shelf, mocked_shelf
from tests.fakes.patience import PATIENCE_S, until

DEADLINE_S = 20  # of the program; 30 s unless a test sets it
OWN = {4: 50, 9: 20_000, 12: 40, 192: 7, 193: 5678}
HEAD = "smartctl 7.3 2022-02-28 r5338 [x86_64-linux] (local build)\n\n"
TABLE = (
    "ID# ATTRIBUTE_NAME          FLAG     VALUE WORST THRESH TYPE      UPDATED  WHEN_FAILED "
    "RAW_VALUE\n"
)


def report(serial: str, loads: int | str = 5678) -> str:
    """A whole report, made by hand in the form of smartctl 7.3."""
    rows = {**OWN, 193: loads}
    table = "".join(
        f"{number:3} A_Name                  0x0032   100   100   000    Old_age   Always       "
        f"-       {raw}\n"
        for number, raw in rows.items()
    )
    return (
        f"{HEAD}=== START OF INFORMATION SECTION ===\nDevice Model:     LAB HDD 5400\n"
        f"Serial Number:    {serial}\nRotation Rate:    5400 rpm\nSMART support is: Enabled\n\n"
        "=== START OF READ SMART DATA SECTION ===\n"
        "SMART overall-health self-assessment test result: PASSED\n\n"
        f"Vendor Specific SMART Attributes with Thresholds:\n{TABLE}{table}\n"
        "SMART Error Log Version: 1\nNo Errors Logged\n"
    )


def _cases(serials: list[str]) -> list[tuple[str, str]]:
    """For each disk a script and the result it shall count as."""
    whole = [report(serial) for serial in serials]
    texts = [
        (whole[0], "exit 0", "read"),
        (whole[1].partition("\n\nSMART Error")[0], "exit 0", "truncated"),
        (whole[2].partition("=== START OF READ")[0] + "=== ANFANG DER DATEN ===\n", "exit 0",
         "truncated"),
        ("Sprache: deutsch\n" + whole[3], "exit 0", "not_understood"),
        ("", "exit 0", "empty"),
        (whole[5].replace("5678", "; rm -rf /").replace(" 50\n", " $(reboot)\n").replace(
            "20000", "\x1b[2J\x07").replace(" 40\n", " 4,0\n").replace(" 7\n", " 7'7\n"),
         "exit 0", "not_understood"),
        (HEAD, "exec sleep 600", "timeout"),
        (report(serials[7], 999_999), "exit 0", "read"),
        (HEAD + "Smartctl open device: /dev/sdi failed: Permission denied\n", "exit 2",
         "permission"),
        (HEAD + "Device is in STANDBY mode, exit(3)\n", "exit 3", "asleep"),
        (report("LAB-99999"), "exit 0", "another_disk"),
        ("smartctl 7.3\n", "exec yes hello", "not_understood"),
        (HEAD + "CHECK POWER MODE not implemented, exit(5)\n", "exit 5", "unsure"),
        (whole[13], "exit 2", "failed"),
        ("", "kill -9 $$", "empty"),
    ]  # fmt: skip
    folder = _folder()
    cases = []
    for number, (text, end, result) in enumerate(texts):
        (folder / f"{number}.txt").write_text(text, encoding="utf-8")
        cases.append((f"cat {folder}/{number}.txt; {end}", result))
    return cases


def _folder() -> Path:
    folder = Path(os.environ["SHELF_CONTROL"] + ".d")
    folder.mkdir(exist_ok=True)
    return folder


def stand_in(scripts: list[str]) -> Path:
    """A program in smartctl's place: one script a disk, and a line in `lines` for each run."""
    folder = _folder()
    branches = "\n".join(
        f"/dev/sd{chr(97 + number)}) {script} ;;" for number, script in enumerate(scripts)
    )
    path = folder / "smartctl"
    path.write_text(
        f'#!/bin/sh\necho "$$ $*" >>{folder}/lines\nfor disk; do :; done\n'
        f'case "$disk" in\n{branches}\nesac\n'
    )
    path.chmod(0o755)
    (folder / "lines").touch()
    return path


class Exporter:
    """A running `serve` before the shelf."""

    def __init__(self, wear: str, deadline_s: int | None = None) -> None:
        self.config = _folder() / "c.yml"
        self.write(wear)
        short = f"cross_check.DEADLINE_NS = {deadline_s} * SECOND;" if deadline_s else ""
        run = (
            "import sys; from spinledger.device import cross_check;"
            "from spinledger.cli import main;"
            f"from spinledger.model import SECOND; {short} sys.exit(main(sys.argv[1:]))"
        )
        line = ["serve", "--config", str(self.config), "--ledger", "memory"]
        line += ["--listen", "127.0.0.1:0"]
        self.process = subprocess.Popen(
            [sys.executable, "-c", run, *line], stderr=subprocess.PIPE, text=True
        )
        assert self.process.stderr is not None
        self.logged: list[str] = []
        first = self.process.stderr.readline()
        self.url = first.removeprefix("spinledger: serving ").strip()
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()

    def _listen(self) -> None:
        assert self.process.stderr is not None
        self.logged.extend(line.strip() for line in self.process.stderr)

    def write(self, wear: str) -> None:
        """Write the configuration."""
        self.config.write_text(f"sample: {{fast: 0.5s, slow: 60s, asleep: 60s}}\nwear: {wear}\n")

    def scrape(self) -> dict[str, float]:
        """All samples, by name and labels as they are written."""
        with urllib.request.urlopen(self.url, timeout=PATIENCE_S) as page:
            lines = page.read().decode().splitlines()
        rows = (line.rpartition(" ") for line in lines if not line.startswith("#"))
        return {name: float(value) for name, _, value in rows}

    def stop(self) -> None:
        """End it by SIGTERM."""
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(PATIENCE_S)
        self._listener.join(PATIENCE_S)


@contextlib.contextmanager
def in_use(nodes: list[str]) -> Iterator[None]:
    """Another program reads from all these disks, several times a second.

    In place, as the kernel's own file changes: the exporter keeps it open.
    """
    ended = threading.Event()
    sysfs = f"{os.environ['UMOCKDEV_DIR']}/sys/block"
    files = [os.open(f"{sysfs}/{node}/stat", os.O_WRONLY) for node in nodes]

    def read() -> None:
        count = 1_000_000
        while not ended.is_set():
            count += 1
            line = f"{count} 0 {8 * count} 300 50 0 1000 200 0 400 500 0 0 0 0 7 0\n"
            for file in files:
                os.pwrite(file, line.encode(), 0)
            ended.wait(0.1)

    thread = threading.Thread(target=read)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()
        for file in files:
            os.close(file)


def results(samples: dict[str, float]) -> dict[str, float]:
    """Cross-checks by result."""
    name = re.compile(r'spinledger_wear_cross_checks_total\{result="(\w+)"\}')
    return {found[1]: value for key, value in samples.items() if (found := name.fullmatch(key))}


def _can(shelf: Shelf, nodes: list[str]) -> None:
    """The mocked drives give their counters."""
    for number, node in enumerate(nodes):
        data = bytearray(identify(f"LAB-{number:05d}", f"0x5000{0xB0000000000 + number:012x}"))
        answers = {"aec00": bytes(data), "ab0d0": smart(OWN)}
        shelf.do("can", node=node, **{key: value.hex() for key, value in answers.items()})


def _every_kind(shelf: Shelf) -> dict[str, Any]:
    """All kinds of output, one a disk, in one run that begins without a cross-check."""
    count = 15
    nodes = [f"sd{chr(97 + number)}" for number in range(count)]
    _can(shelf, nodes)
    cases = _cases([f"LAB-{number:05d}" for number in range(count)])
    program = stand_in([script for script, _ in cases])
    hanging = "/dev/" + nodes[[result for _, result in cases].index("timeout")]
    exporter = Exporter("{every: 30m}", DEADLINE_S)
    sampled: set[float] = set()  # times of the hanging disk's samples, while its program hangs
    with in_use(nodes):
        try:
            name = "spinledger_disk_load_cycles_total"
            until(lambda: sum(key.startswith(name) for key in exporter.scrape()) == count)
            before = exporter.scrape()
            off = [results(before), (_folder() / "lines").read_text()]
            exporter.write(f"{{every: 30m, cross_check: {program}}}")
            exporter.process.send_signal(signal.SIGHUP)

            def done() -> bool:
                samples = exporter.scrape()
                if hanging in (_folder() / "lines").read_text() and not results(samples)["timeout"]:
                    newest = [v for key, v in samples.items() if "disk_last_sample_timest" in key]
                    sampled.add(min(newest))
                return sum(results(samples).values()) == count

            until(done)
            after = exporter.scrape()
        finally:
            exporter.stop()
    return {
        "off": off,
        "results": results(after),
        "expected": [result for _, result in cases],
        "sampled": len(sampled),
        "lines": (_folder() / "lines").read_text().splitlines(),
        "disagree": [
            key
            for key, value in after.items()
            if "wear_rejected" in key and value and value != before.get(key, 0)
        ],
        "loads": [v for key, v in after.items() if key.startswith(name)],
        "findings": [key for key, v in after.items() if "wear_readings_disagree" in key and v],
        "logged": exporter.logged,
        "openings": sorted({what for _, what in shelf.do("openings")}),
    }


def test_every_kind_of_output_is_counted_and_hinders_nothing() -> None:
    """Truncated, localised, empty, hostile, endless, hanging and refusing: each is one count under
    its reason, logged once in printable words; every disk is sampled on, and the counters that are
    shown are ours, with one finding of a disagreement."""
    with mocked_shelf(15) as shelf:
        seen = shelf.run(_every_kind)
    assert seen["off"] == [{}, ""]
    assert set(seen["results"]) == {"read", *TROUBLES}
    expected = {reason: float(seen["expected"].count(reason)) for reason in seen["results"]}
    assert seen["results"] == expected
    assert seen["sampled"] >= 3  # the loop did not wait for the program that hangs
    assert len(seen["lines"]) == 15  # each disk once
    for line in seen["lines"]:
        assert re.fullmatch(r"\d+ -n standby,3,5 -d sat --all /dev/sd[a-o]", line)
    assert seen["loads"] == [5678.0] * 15
    assert len(seen["disagree"]) == len(seen["findings"]) == 1
    assert 'reason="disagrees"' in seen["disagree"][0]
    assert "00007" in seen["findings"][0]
    words = [line for line in seen["logged"] if "cross-check" in line]
    assert len(words) == 15 - seen["expected"].count("read")
    assert all(line.isprintable() for line in words)
    assert seen["openings"] == ["close", "open"]  # no writable descriptor


def _missing(shelf: Shelf) -> dict[str, Any]:
    exporter = Exporter("{every: 0, cross_check: /nowhere/smartctl}")
    with in_use(["sda", "sdb"]):
        try:
            until(lambda: results(exporter.scrape()).get("missing", 0) == 2)
            return {"results": results(exporter.scrape()), "alive": exporter.process.poll() is None}
        finally:
            exporter.stop()


def test_a_missing_program() -> None:
    """Where smartctl is not there, each disk counts one `missing` a day, and no more."""
    with mocked_shelf(2) as shelf:
        seen = shelf.run(_missing)
    assert seen["results"] == {**dict.fromkeys(("read", *TROUBLES), 0.0), "missing": 2.0}
    assert seen["alive"]


def _stop_while_it_hangs(shelf: Shelf) -> dict[str, Any]:
    program = stand_in(["trap '' TERM INT HUP; while :; do sleep 600; done"])
    lines = _folder() / "lines"
    exporter = Exporter(f"{{every: 0, cross_check: {program}}}", deadline_s=6 * int(PATIENCE_S))
    with in_use(["sda"]):
        try:
            until(lambda: bool(lines.read_text()))
        finally:
            exporter.stop()
    pid = int(lines.read_text().split()[0])
    until(lambda: not _runs(pid))
    return {"code": exporter.process.returncode}


def _runs(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_a_stop_does_not_wait_for_it() -> None:
    """SIGTERM ends the exporter though smartctl hangs and ignores signals; that is killed, too."""
    with mocked_shelf(1) as shelf:
        seen = shelf.run(_stop_while_it_hangs)
    assert seen["code"] == 0


def _by_pysmart(shelf: Shelf) -> dict[str, Any]:
    """The real smartctl on a mocked drive whose counters we do not read."""
    data = bytearray(identify("LAB-00000", f"0x5000{0xB0000000000:012x}"))
    data[160:162] = b"\xf0\x03"  # word 80: versions up to ACS-2
    data[164] |= 1  # word 82 bit 0: SMART supported; 85: enabled (from memory)
    data[170] |= 1
    canned = {"aec00": bytes(data), "ab0d0": smart(OWN), "ab0d1": smart(dict.fromkeys(OWN, 0)),
              "ab0da": b"", "ab0d5": bytes(512),
              "s12": bytes.fromhex("000005021F000000").ljust(36)}  # fmt: skip
    shelf.do("can", node="sda", **{key: value.hex() for key, value in canned.items()})
    shelf.do("count", node="sda", count=0xFF)
    # Its environment is cleared on the way; without these it would see this host's own devices.
    inherited = " ".join(f"{name}={os.environ[name]}" for name in ("LD_PRELOAD", "UMOCKDEV_DIR"))
    folder = _folder()
    (folder / "smartctl").write_text(f'#!/bin/sh\nexec env {inherited} /usr/sbin/smartctl "$@"\n')
    (folder / "smartctl").chmod(0o755)
    exporter = Exporter(f"{{every: 0, cross_check: {folder}/smartctl}}")
    with in_use(["sda"]):
        try:
            until(lambda: sum(results(exporter.scrape()).values()) == 1)
            samples = exporter.scrape()
        finally:
            exporter.stop()
    kept = {
        key.partition("{")[0].removeprefix("spinledger_disk_"): value
        for key, value in samples.items()
    }
    names = ("load_cycles_total", "start_stop_cycles_total", "power_cycles_total",
              "emergency_retracts_total", "power_on_seconds_total")  # fmt: skip
    writable = [one for one in shelf.do("openings") if "writable" in one[1]]
    return {**{name: kept.get(name) for name in names}, "writable": writable,
            "results": results(samples)["read"]}  # fmt: skip


def test_the_real_program_on_a_mocked_drive() -> None:
    """All counters that are shown come through pySMART and smartctl, which opened the disk
    read-only."""
    with mocked_shelf(1) as shelf:
        assert shelf.run(_by_pysmart) == {
            "load_cycles_total": 5678.0,
            "start_stop_cycles_total": 50.0,
            "power_cycles_total": 40.0,
            "emergency_retracts_total": 7.0,
            "power_on_seconds_total": 72_000_000.0,
            "writable": [],
            "results": 1.0,
        }
