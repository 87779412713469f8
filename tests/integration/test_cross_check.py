"""The cross-check: stand-ins for smartctl, published samples, and mocked disks."""

from __future__ import annotations

import importlib.metadata
import json
import os
import select
import subprocess
import sys
import tarfile
import time
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from spinledger.codec import packings
from spinledger.device.cross_check import SmartctlCrossChecker
from spinledger.device.discovery import Discovery
from spinledger.device.prober_client import ProcessProber
from spinledger.device.smartctl import ENVIRONMENT, OPTIONS
from spinledger.model import SECOND, Command, Probe, Record
from spinledger.ports import CrossChecked
from tests.fakes.drive_bytes import identify, smart
from tests.fakes.facts import DISK
from tests.fakes.mocked import Shelf, mocked_shelf
from tests.fakes.patience import PATIENCE_S, until
from tests.fakes.probing import answers

ATA = replace(DISK, probe_method=Command.CHECK_POWER_MODE_16, serial="")
SCSI = replace(DISK, probe_method=Command.REQUEST_SENSE, serial="")
REPORT = """smartctl 7.3 2022-02-28 r5338 [x86_64-linux] (local build)
Copyright (C) 2002-22, Bruce Allen, Christian Franke, www.smartmontools.org

=== START OF INFORMATION SECTION ===
Device Model:     LAB HDD 5400
Serial Number:    LAB-00001
Rotation Rate:    5400 rpm
SMART support is: Enabled

=== START OF READ SMART DATA SECTION ===
SMART overall-health self-assessment test result: PASSED

Vendor Specific SMART Attributes with Thresholds:
ID# ATTRIBUTE_NAME          FLAG     VALUE WORST THRESH TYPE      UPDATED  WHEN_FAILED RAW_VALUE
  4 Start_Stop_Count        0x0032   100   100   000    Old_age   Always       -       50
  9 Power_On_Hours          0x0032   100   100   000    Old_age   Always       -       20000
193 Load_Cycle_Count        0x0032   100   100   000    Old_age   Always       -       5678

SMART Error Log Version: 1
No Errors Logged
"""  # made by hand in the form of smartctl 7.3


def wait(reader: SmartctlCrossChecker, at_ns: int = 0) -> CrossChecked:
    """The next result."""
    end = time.monotonic() + PATIENCE_S
    while (left := end - time.monotonic()) > 0:
        select.select([reader], [], [], left)
        for result in reader.results(at_ns):
            return result
    raise AssertionError("no result")


def stand_in(folder: Path, script: str) -> str:
    """A program that takes smartctl's place."""
    path = folder / "smartctl"
    path.write_text(f"#!/bin/sh\n{script}\n")
    path.chmod(0o755)
    return str(path)


def result_of(
    folder: Path, script: str, disk: Any = ATA, deadline_ns: int = 15 * SECOND
) -> CrossChecked:
    """What comes of a stand-in's output."""
    reader = SmartctlCrossChecker(stand_in(folder, script), deadline_ns)
    try:
        assert reader.start(disk, 0)
        assert not reader.start(disk, 0)
        return wait(reader)
    finally:
        reader.close()


def show(folder: Path, text: str, status: int = 0) -> str:
    """A script that prints a text and ends with a status."""
    (folder / "report").write_text(text, encoding="utf-8")
    return f"cat {folder}/report; exit {status}"


def test_it_runs_its_one_line_alone(tmp_path: Path) -> None:
    """smartctl is run once, with the row's arguments and no environment but ours."""
    script = f'echo "line: $*" >>{tmp_path}/lines; env >{tmp_path}/environment; ' + show(
        tmp_path, REPORT
    )
    for disk, interface in ((ATA, "sat"), (SCSI, "scsi")):
        (tmp_path / "lines").write_text("")
        result_of(tmp_path, script, disk)
        lines = (tmp_path / "lines").read_text().splitlines()
        assert lines == [f"line: {' '.join(OPTIONS)} -d {interface} --all /dev/{DISK.kernel_name}"]
    seen = dict(line.split("=", 1) for line in (tmp_path / "environment").read_text().splitlines())
    assert {name: seen.pop(name) for name in ENVIRONMENT} == ENVIRONMENT
    assert set(seen) <= {"PWD", "_", "SHLVL", "OLDPWD"}  # the shell's own


def test_a_report(tmp_path: Path) -> None:
    """Counts by attribute, hours in seconds, nothing for an attribute that is not there."""
    result = result_of(tmp_path, show(tmp_path, REPORT))
    assert result.values == {"start_stops": 50, "power_on_s": 72_000_000, "loads": 5678}
    assert result_of(tmp_path, show(tmp_path, REPORT), replace(ATA, serial="LAB-00001")).values
    other = result_of(tmp_path, show(tmp_path, REPORT), replace(ATA, serial="LAB-00002"))
    assert other.trouble == "another_disk"


@pytest.mark.parametrize(
    ("text", "status", "trouble"),
    [
        ("", 0, "empty"),
        (REPORT[: len(REPORT) // 3], 0, "truncated"),
        (REPORT.partition("\n\nSMART Error")[0], 0, "truncated"),
        (REPORT.replace("smartctl 7.3", "Sprache: smartctl 7.3"), 0, "not_understood"),
        (REPORT.partition("=== START OF READ")[0] + "=== ANFANG DER DATEN ===\n", 0, "truncated"),
        (REPORT.replace("       50\n", "       5.0\n").replace("5678", "5,678")
         .replace("20000", "20 000"), 0, "not_understood"),
        (REPORT.replace(" 50\n", " $(reboot)\n").replace("5678", "; rm").replace("20000", "{}"), 0,
         "not_understood"),
        ("smartctl \u202e\ufeff\U0001f4a5\n" * 200, 0, "truncated"),
        (REPORT, 2, "failed"),
        ("smartctl 7.3\n\nDevice is in STANDBY mode, exit(3)\n", 3, "asleep"),
        ("smartctl 7.3\n\nCHECK POWER MODE not implemented, exit(5)\n", 5, "unsure"),
    ],
)  # fmt: skip
def test_troubles(tmp_path: Path, text: str, status: int, trouble: str) -> None:
    """Truncated, localised, empty and hostile output: a reason each, and no exception."""
    result = result_of(tmp_path, show(tmp_path, text, status))
    assert (result.trouble, dict(result.values)) == (trouble, {})
    assert result.detail


def test_every_cut_of_a_report(tmp_path: Path) -> None:
    """A report cut at any line gives a trouble or true values, never others."""
    lines = REPORT.splitlines(keepends=True)
    true = {"start_stops": 50, "power_on_s": 72_000_000, "loads": 5678}
    for cut in range(0, len(lines), 3):
        result = result_of(tmp_path, show(tmp_path, "".join(lines[:cut])))
        assert result.trouble or result.values == true


def test_endless_output(tmp_path: Path) -> None:
    """A flood is cut off and counted."""
    result = result_of(tmp_path, "echo 'smartctl 7.3'; exec yes hello")
    assert result.trouble == "not_understood"


@pytest.mark.parametrize(
    ("script", "trouble"),
    [
        ("exec sleep 3600", "timeout"),
        ("echo 'smartctl 7.3'; exec >&-; sleep 3600", "timeout"),
        ("kill -9 $$", "empty"),
    ],
)
def test_smartctl_that_hangs_or_dies(tmp_path: Path, script: str, trouble: str) -> None:
    """The child ends at its own deadline and reports it."""
    assert result_of(tmp_path, script, deadline_ns=SECOND).trouble == trouble


def test_missing_smartctl() -> None:
    """Counted, and the reader can be used again."""
    reader = SmartctlCrossChecker("/nowhere/smartctl")
    for _ in range(2):
        assert reader.start(ATA, 0)
        assert wait(reader).trouble == "missing"
    reader.close()


def test_a_child_that_hangs_is_let_go(tmp_path: Path) -> None:
    """Past its deadline the child's whole group is killed; the next disk is read."""
    reader = SmartctlCrossChecker(
        stand_in(tmp_path, f"echo $$ >{tmp_path}/pid; exec sleep 3600"), 60 * SECOND
    )
    assert reader.start(ATA, 0)
    until(lambda: (tmp_path / "pid").read_text(), "the child has begun")
    due_ns = reader.due_ns()
    assert due_ns is not None
    assert list(reader.results(due_ns - 1)) == []
    assert [one.trouble for one in reader.results(due_ns)] == ["timeout"]
    pid = int((tmp_path / "pid").read_text())
    process = Path(f"/proc/{pid}")
    until(
        lambda: not process.exists() or "Z" in (process / "stat").read_text(), "the child has ended"
    )
    assert reader.due_ns() is None
    assert reader.start(ATA, due_ns)
    reader.close()


# What the samples' own text says; read off the files.
SAMPLES = {
    "megaraid_ph_sata_hdd_0": ("sat", 89, 47_396, 85, 1931, 1931),
    "sat_hdd_0_issue70": ("sat", 39, 1380, 39, 38, 97),
    "sata_hdd_0_issue42": ("sat", 10, 252, 9, 8, 1230),
    "sata_hdd_1_issue46": ("sat", 126, 592, 6, 507, 507),
    "sas_hdd_0_issue_51": ("scsi", 1051, 50_000, 1155, 600_000),
    "megaraid_ph_sas_hdd_0": ("scsi", 101, 50_000, 974, 600_000),
}
_ATA = ("start_stops", "power_on_s", "power_cycles", "retracts", "loads")
_SAS = ("start_stops", "rated_start_stop", "loads", "rated_load")


@pytest.fixture(scope="module")
def samples(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, str]:
    """The --all reports in pySMART's source distribution, fetched now: its licence is not ours."""
    folder = tmp_path_factory.mktemp("sdist")
    version = importlib.metadata.version("pySMART")
    wanted = ["--no-deps", "--no-binary", "pySMART", f"pySMART=={version}", "--dest", str(folder)]
    subprocess.run([sys.executable, "-m", "pip", "download", "-q", *wanted], check=True)
    (archive,) = folder.glob("*.tar.gz")
    found = {}
    with tarfile.open(archive) as tar:
        for member in tar.getmembers():
            parts = member.name.split("/")
            if parts[-3:-2] == ["singletests"] and "--all" in parts[-1]:
                file = tar.extractfile(member)
                assert file is not None
                found[parts[-2]] = file.read().decode("utf-8", "replace")
    return found


@pytest.mark.slow
def test_the_six_rotating_samples_are_all(samples: Mapping[str, str]) -> None:
    """They are the samples whose report gives a rotation rate in rpm."""
    rotating = {
        name
        for name, text in samples.items()
        if any("Rotation Rate" in line and "rpm" in line for line in text.splitlines())
    }
    assert rotating == set(SAMPLES)


@pytest.mark.slow
@pytest.mark.parametrize("name", SAMPLES)
def test_published_samples(samples: Mapping[str, str], tmp_path: Path, name: str) -> None:
    """Real drives' reports in pySMART's source distribution give the counts in their own text."""
    interface, *figures = SAMPLES[name]
    disk = ATA if interface == "sat" else SCSI
    result = result_of(tmp_path, show(tmp_path, samples[name]), disk)
    expected = dict(zip(_ATA if interface == "sat" else _SAS, figures, strict=True))
    if "power_on_s" in expected:
        expected["power_on_s"] = 3600 * int(expected["power_on_s"])
    assert result.values == expected, result


# A packing: smartctl's name of it for attribute 9, ours, and a raw value. smartctl(8), -v.
PACKINGS = [
    ("raw24(raw8)", "hours", 0xAB_0000_0000 + 12_345),
    ("raw24(raw8)", "hours", 43_830),
    ("msec24hour32", "hours_ms", 0x1F40_0000_0000 + 12_345),
    ("minutes", "minutes", 630_742),
    ("halfminutes", "half_minutes", 1_261_484),
    ("seconds", "seconds", 37_844_520),
    ("sec2hour", "seconds", 37_844_520),
]
LOADS = [0, 5678, 600_000, 0xFFFFFF, (1_152_921 << 24) + 1_152_733, (105 << 24) + 5]
OLDER = 3  # of the packings: that drive counts loads in attribute 225, as older ones do


# Standard INQUIRY data of a disk; SPC-4, from memory.
INQUIRY = bytes.fromhex("000005021F000000").ljust(36)


def _can(shelf: Shelf, node: str, answers: Mapping[str, bytes]) -> None:
    """What a mocked drive sends from now on."""
    shelf.do("can", node=node, **{key: data.hex() for key, data in answers.items()})


def _read_both(shelf: Shelf) -> list[dict[str, Any]]:
    """Inside the shelf: each packing's raw values through our own prober and through pySMART."""
    disk = Discovery().scan(0)[0][0].disk
    prober = ProcessProber()
    inherited = {name: os.environ[name] for name in ("LD_PRELOAD", "UMOCKDEV_DIR")}
    both = []
    identity = bytearray(identify(disk.serial, disk.wwn))
    identity[160:162] = b"\xf0\x03"  # word 80: versions up to ACS-2
    identity[164] |= 1  # word 82 bit 0: SMART supported; 85: enabled (from memory)
    identity[170] |= 1
    thresholds = smart(dict.fromkeys((4, 9, 12, 192, 193, 225), 0))
    canned = {"aec00": bytes(identity), "ab0d1": thresholds, "ab0da": b"", "ab0d5": bytes(512)}
    _can(shelf, disk.kernel_name, {**canned, "s12": INQUIRY})
    folder = os.environ["SHELF_CONTROL"] + ".d"
    os.makedirs(folder)
    for at, (theirs, _, raw) in enumerate(PACKINGS):
        loads = LOADS[at % len(LOADS)]
        number = 225 if at == OLDER else 193
        data = smart({4: 1234 + at, 9: raw, 12: 40, 192: 7, number: loads})
        _can(shelf, disk.kernel_name, {"ab0d0": data})
        probe = Probe(at + 1, disk.identity, Command.SMART_READ_DATA, 0, SECOND)
        prober.send(probe, disk)
        (answer,) = answers(prober, 1)
        assert isinstance(answer.reply, Record), answer
        # The drive database has no such drive, so the packing is given on the command line.
        wide = " -v 193,loadunload" if loads > 0xFFFFFF else ""
        line = f"exec /usr/sbin/smartctl -v '9,{theirs}'{wide}"
        smartctl = stand_in(Path(folder), line + ' "$@"')
        reader = SmartctlCrossChecker(smartctl, 15 * SECOND, {**ENVIRONMENT, **inherited})
        assert reader.start(disk, 0)
        result = wait(reader)
        reader.close()
        both.append({"ours": dict(answer.reply.values), "theirs": dict(result.values),
                     "trouble": f"{result.trouble} {result.detail}".strip()})  # fmt: skip
    prober.close()
    return both


def _read_asleep(shelf: Shelf) -> list[str]:
    """Inside the shelf: a sleeping disk, and one whose power mode cannot be determined."""
    disk = Discovery().scan(0)[0][0].disk
    inherited = {name: os.environ[name] for name in ("LD_PRELOAD", "UMOCKDEV_DIR")}
    _can(shelf, disk.kernel_name, {"aec00": identify(disk.serial, disk.wwn), "s12": INQUIRY})
    found = []
    for count in (0x00, 0x42):
        shelf.do("count", node=disk.kernel_name, count=count)
        reader = SmartctlCrossChecker(environment={**ENVIRONMENT, **inherited})
        assert reader.start(disk, 0)
        found.append(wait(reader).trouble)
        reader.close()
    return found


@pytest.fixture
def shelf() -> Iterator[Shelf]:
    """A shelf of two: sda in standby, sdb awake."""
    with mocked_shelf(2) as running:
        yield running


def test_our_decoding_and_pysmart_agree(shelf: Shelf) -> None:
    """Every packing of the table, through our own commands and through pySMART and smartctl."""
    shelf.do("count", node="sda", count=0xFF)
    both = json.loads(json.dumps(shelf.run(_read_both)))
    assert len(both) == len(PACKINGS)
    assert {name for _, name, _ in PACKINGS} == {row.name for row in packings.CLOCKS}
    for (_, name, raw), row in zip(PACKINGS, both, strict=True):
        ours, theirs = row["ours"], row["theirs"]
        assert theirs, row
        assert ours.pop("power_on_raw") == raw & (1 << 48) - 1
        hours = packings.clock_s(name, raw) // 3600
        assert theirs.pop("power_on_s") // 3600 == hours
        assert packings.by_hours(raw, hours * 3600) in (name, "hours")
        for raw_name in [key for key in ours if key.endswith(packings.RAW)]:
            # Above 16 bits smartctl takes one count; ours is decided by evidence (wear.packed).
            ours[raw_name.removesuffix(packings.RAW)] = ours.pop(raw_name)
        assert ours == theirs
        assert "loads" in ours


def test_a_sleeping_disk_stays_asleep(shelf: Shelf) -> None:
    """With COUNT 00h and with an unknown one nothing is read: exit 3 and exit 5 (smartctl(8))."""
    assert shelf.run(_read_asleep) == ["asleep", "unsure"]
    log = shelf.do("log")["sda"]
    assert not [cdb for cdb in log if cdb[:2] == "85" and cdb[28:30] == "b0"]
    assert len([cdb for cdb in log if cdb[:2] == "85" and cdb[28:30] == "e5"]) >= 2
