"""What `check` says of a disk before anything is sent to it; the machine's disks are given by hand.

The bytes of the commands are held against the standards in tests/unit/codec/test_command_table.py.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from spinledger.app import examining
from spinledger.app.examining import Examined
from spinledger.cli import check
from spinledger.config.load import load
from spinledger.facts import DiskView
from spinledger.model import Cadence, Command, Policy, Watch
from spinledger.web.snapshot_json import Json
from tests.fakes.series import changed
from tests.fakes.snapshots import snapshot, view


def report(
    monkeypatch: pytest.MonkeyPatch, policy: Policy | None = None, **disk: Any
) -> tuple[Json, str]:
    """The report on one disk, as JSON types and in words."""
    plain = view(0)
    seen: DiskView = changed(
        plain,
        disk=replace(plain.disk, **disk),
        policy=policy or plain.policy,
    )
    looked = Examined(snapshot(seen), {}, (), ())
    monkeypatch.setattr(examining, "examine", lambda config, probe: looked)
    given = check.examine(load(None), probe=False)
    (only,) = given["disks"]
    return only, check.render(given)


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
        assert f"in use, would send {row['cdb']}  ({row['command']})" in words
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
    assert "in use, would send" not in words


def test_what_is_known_of_its_timer(monkeypatch: pytest.MonkeyPatch) -> None:
    """A legacy timer cannot be read back, and `check` says so; a SCSI drive's can."""
    _, words = report(monkeypatch)
    assert "standby timer declared: 20 min; set in the drive: a legacy ATA timer cannot" in words
    only, _ = report(monkeypatch, probe_method=Command.REQUEST_SENSE)
    assert only["standby_timer"] == {"Declared": "20 min", "Set in the drive": "not read yet"}
