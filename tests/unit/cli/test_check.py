"""What `check` says of a disk before anything is sent to it; the disks are made by hand.

The bytes of the commands are held against the standards in tests/unit/codec/test_command_table.py.
"""

from __future__ import annotations

import re
import socket
import sqlite3
import threading
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from spinledger import cli
from spinledger.app import examining
from spinledger.app.examining import Examined
from spinledger.cli import check, exporter
from spinledger.cli.check_report import TROUBLES, render
from spinledger.cli.exporter import NoExporter
from spinledger.cli.screen import Screen
from spinledger.config.load import parse
from spinledger.device.discovery import Discovery
from spinledger.device.kernel_counters import SysfsCounters
from spinledger.device.tracing import untraceable
from spinledger.facts import DiskView
from spinledger.model import Cadence, Command, Counted, Disk, Policy, RuntimeStatus, Seen, Watch
from spinledger.web.snapshot_json import Json
from tests.fakes.series import changed
from tests.fakes.snapshots import disk as invented
from tests.fakes.snapshots import snapshot, view

TWO = (invented(0), invented(1))
WIDE = Screen(1000)  # no line is wrapped


def report(
    monkeypatch: pytest.MonkeyPatch, policy: Policy | None = None, text: str = "", **disk: Any
) -> tuple[Json, str]:
    """The report on one disk under a configuration, as JSON types and in words."""
    plain = view(0)
    seen: DiskView = changed(
        plain,
        disk=replace(plain.disk, **disk),
        policy=policy or plain.policy,
    )
    found = Examined(snapshot(seen), {})
    monkeypatch.setattr(examining, "examine", lambda config, probe: found)
    examined = check.examine(parse(text, "c.yml"), probe=False)
    (only,) = examined["disks"]
    return only, render(examined, WIDE)


ATA = ["identify_device", "smart_read_data"]
LOGS = ["device_statistics_general", "device_statistics_rotating"]
SAS = ["start_stop_log", "transitions_log", "power_condition_mode"]


@pytest.mark.parametrize(
    ("disk", "names"),
    [
        ({}, ATA),
        ({"gpl": True}, ATA + LOGS),
        ({"gpl": True, "epc": True}, [*ATA, *LOGS, "power_conditions_log"]),
        ({"probe_method": Command.REQUEST_SENSE}, SAS),
        ({"probe_method": Command.CHECK_POWER_MODE_12}, []),
    ],
)
def test_the_commands_that_would_read_its_counters(
    monkeypatch: pytest.MonkeyPatch, disk: dict[str, Any], names: list[str]
) -> None:
    """The rows of the closed table for this kind of drive, with their bytes, in words as well."""
    only, words = report(monkeypatch, **disk)
    assert [row["command"] for row in only["records"]] == names
    for row in only["records"]:
        assert f"its counters are read by {row['cdb']} ({row['command']})" in words
    assert ("only while sectors move" in words) == bool(names)


@pytest.mark.parametrize(
    "policy", [Policy(watch=Watch.COUNTERS), Policy(cadence=Cadence(wear_ns=0))]
)
def test_nothing_would_be_read_where_that_is_off(
    monkeypatch: pytest.MonkeyPatch, policy: Policy
) -> None:
    """Neither under `watch: counters` nor with `wear: {every: 0}`."""
    only, words = report(monkeypatch, policy)
    assert only["records"] == []
    assert "its counters are read" not in words


def test_what_is_known_of_its_timer(monkeypatch: pytest.MonkeyPatch) -> None:
    """A legacy timer cannot be read back, and `check` says so; a SCSI drive's can."""
    _, words = report(monkeypatch)
    assert "standby timer declared: 20 min; set in the drive: a legacy ATA timer cannot" in words
    only, _ = report(monkeypatch, probe_method=Command.REQUEST_SENSE)
    assert only["standby_timer"] == {"Declared": "20 min", "Set in the drive": "not read yet"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "configured by the defaults: no entry of disks matches"),
        (
            'disks:\n  - match: {model: "ARCHIVE *"}\n  - match: {model: "LAB *"}\n',
            'configured by the entry in line 3 (model: "LAB *")',
        ),
        (
            "disks: [{match: {identity: wwn-0x5000c500a1b20000}}, {match: {all: true}}]",
            "configured by the entry in line 1 (identity: wwn-0x5000c500a1b20000)",
        ),
        ("disks: [{match: {all: true}}]", "configured by the entry in line 1 (all: true)"),
    ],
)
def test_the_entry_that_holds_for_a_disk(
    monkeypatch: pytest.MonkeyPatch, text: str, words: str
) -> None:
    """The first that matches, by its line and what it matches."""
    assert words in report(monkeypatch, text=text)[1]


@pytest.fixture
def two_disks(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine with two disks whose counters do not move."""

    def scan(self: Discovery, at_ns: int) -> tuple[list[Seen], list[tuple[str, str]]]:
        return [Seen(one, at_ns) for one in TWO], []

    def read(self: SysfsCounters, disk: Disk, at_ns: int) -> Counted:
        return Counted(disk.identity, at_ns, 0, 0, 0, 0, 0, RuntimeStatus.ACTIVE)

    monkeypatch.setattr(Discovery, "scan", scan)
    monkeypatch.setattr(SysfsCounters, "read", read)
    monkeypatch.setattr(examining, "BETWEEN_NS", 0)
    monkeypatch.setenv("COLUMNS", "1000")  # no line is wrapped


@pytest.mark.usefixtures("two_disks")
def test_entries_that_match_no_disk_and_disks_that_are_off(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Both are in the report; an entry that takes a disk out matches it; exit code 1."""
    path = tmp_path / "config.yml"
    path.write_text(
        "ledger: {path: /nowhere/ledger.db}\n"
        "disks:\n"
        f"  - match: {{identity: {TWO[0].identity}}}\n"
        "    watch: off\n"
        "  - match: {identity: wwn-0x5000c500deadbeef}\n"
    )
    assert cli.main(["check", "--config", str(path)]) == 1
    words = capsys.readouterr().out
    line = "this entry of disks matches no disk: identity: wwn-0x5000c500deadbeef"
    assert f"! {path}:5: {line}\n" in words
    assert words.count("matches no disk") == 1
    assert "1 more disk is not watched." in words
    off = f"not watched, by the entry in line 3 (identity: {TWO[0].identity})"
    assert f"\n{TWO[0].kernel_name}: {off}\n" in words
    assert f"{TWO[0].kernel_name}  {TWO[0].identity}  {TWO[0].model}" in words


def mixed(monkeypatch: pytest.MonkeyPatch, text: str = "") -> tuple[Json, str]:
    """The report on two disks of one kind and one on USB, for a program that may do everything."""
    config = parse(text, "c.yml")
    views = []
    for number in range(3):
        plain = view(number)
        usb = {"transport": "usb", "not_probed_because": "behind a bridge"} if number == 2 else {}
        disk = replace(plain.disk, **usb)  # type: ignore[arg-type]
        views.append(changed(plain, disk=disk, policy=config.policy_for(disk)))
    found = Examined(snapshot(*views), {})
    monkeypatch.setattr(examining, "examine", lambda config, probe: found)
    monkeypatch.setattr(check, "missing", lambda disk, hello: None)
    examined = check.examine(config, probe=False)
    return examined, render(examined, WIDE)


def test_the_summary_comes_first_and_no_line_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    """How many disks can report their state; then each line once, with its disks."""
    text = "disks: [{match: {all: true}, budget_per_day: 7, declared_timer: 20m}]"
    lines = mixed(monkeypatch, text)[1].splitlines()
    assert lines[0] == "The power state of 2 of 3 disks can be known."
    assert "all 3 disks: configured by the entry in line 1 (all: true)" in lines
    assert "    budget 7 spin-ups a day (configured), no quiet hours, standby timer 20 min" in lines
    assert sum("a probe sends" in line for line in lines) == 1
    assert any(line.startswith("sda and sdb: a probe sends 85 06 ") for line in lines)


def test_the_line_that_has_a_usb_disk_probed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The very line, which does what it says; an entry of that disk is named instead."""
    words = mixed(monkeypatch)[1]
    (line,) = re.findall(r"^ +(- \{match.*)$", words, re.MULTILINE)
    fixed, words = mixed(monkeypatch, f"disks:\n{line}\n")
    assert [disk["watch"] for disk in fixed["disks"]] == ["full"] * 3
    assert words.startswith("The power state of 3 of 3 disks can be known.\n")
    named = f"disks: [{{match: {{identity: {view(2).disk.identity}}}, budget_per_day: 3}}]"
    assert "set in the entry in line 1:\n    watch: full\n" in mixed(monkeypatch, named)[1]


def test_an_address_in_use_by_another_program(monkeypatch: pytest.MonkeyPatch) -> None:
    """`serve` would be refused it; a free address is none of its concern."""
    monkeypatch.setattr(exporter, "TIMEOUT_S", 0.5)  # of the second request, which nobody takes
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        thread = threading.Thread(target=_answer_once, args=(other,), daemon=True)
        thread.start()
        found = check.address_trouble(("127.0.0.1", port))
        thread.join()
    assert f"`serve` could not listen at 127.0.0.1:{port}, which is in use" in found
    assert check.address_trouble(("127.0.0.1", 0)) == ""
    assert "could not listen at 192.0.2.1:9786" in check.address_trouble(("192.0.2.1", 9786))


def _answer_once(server: socket.socket) -> None:
    connection, _ = server.accept()
    connection.sendall(b"hello\r\n")
    connection.close()


@pytest.mark.usefixtures("two_disks")
@pytest.mark.parametrize(
    ("statements", "words"),
    [
        ("create table books (page); pragma user_version=1", "is a ledger of version 1"),
        ("create table plates (number)", "is not a ledger of this program"),
    ],
)
def test_a_ledger_that_serve_would_refuse(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], statements: str, words: str
) -> None:
    """An old file, and a file of another program: a line in the report, exit code 1."""
    ledger, path = tmp_path / "ledger.db", tmp_path / "config.yml"
    path.write_text(f"ledger: {{path: {ledger}}}\n")
    with closing(sqlite3.connect(ledger)) as connection:
        connection.executescript(statements)
    assert cli.main(["check", "--config", str(path)]) == 1
    assert f"! `serve` would refuse the ledger: {ledger}: {words}" in capsys.readouterr().out


def test_what_serve_refuses_check_refuses(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same line, by both, with exit code 2."""
    path = tmp_path / "config.yml"
    path.write_text("web: {tls_and_users: /etc/spinledger/none.yml}\n")
    lines = set()
    for command in ("check", "serve"):
        assert cli.main([command, "--config", str(path)]) == 2
        lines.add(capsys.readouterr().err)
    (line,) = lines
    assert line.startswith("spinledger: /etc/spinledger/none.yml: there is no such file; ")
    assert line.count("\n") == 1


def test_check_says_what_tracing_would_bring(tmp_path: Path) -> None:
    """Where the kernel has no tracefs, why, and what is missing then; else that it is used."""
    assert "does not exist" in untraceable(str(tmp_path / "none"))
    event = tmp_path / "events/block/block_bio_queue"
    event.mkdir(parents=True)
    assert untraceable(str(tmp_path)) == f"{tmp_path}/instances cannot be written"
    (tmp_path / "instances").mkdir()
    assert untraceable(str(tmp_path)) == ""
    report = {**dict.fromkeys(TROUBLES, ()), "configuration": {"source": "c.yml"}, "off": [],
              "skipped": [], "disks": [], "wakes_untraced": "no tracefs"}  # fmt: skip
    assert "Who wakes" not in render(report, WIDE)


def test_an_exporter_that_runs_without_tls_so_far_is_no_other_program(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """`check` before the restart that puts TLS in force; common practice, no source."""

    class Running:
        def snapshot(self) -> None:
            """It answers."""

    def without_tls(listen: tuple[str, int], tls_and_users: Path | None = None) -> Running:
        if tls_and_users:
            raise NoExporter("no_exporter", "wrong version number")
        return Running()

    monkeypatch.setattr(check, "listening", without_tls)
    with socket.create_server(("127.0.0.1", 0)) as running:
        assert check.address_trouble(running.getsockname(), tmp_path / "web.yml") == ""
