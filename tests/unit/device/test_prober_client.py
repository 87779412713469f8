"""What `check` reports about missing permissions."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from spinledger.device.messages import decode_hello
from spinledger.device.prober import abilities
from spinledger.device.prober_client import missing
from spinledger.model import Command
from tests.fakes.facts import DISK

WITH_RAWIO = "CapEff:\t0000000000020000"  # bit 17, include/uapi/linux/capability.h
WITHOUT = "CapEff:\t000001fffffdffff"  # all but that
ATA, SCSI = Command.CHECK_POWER_MODE_16, Command.REQUEST_SENSE


@pytest.mark.parametrize(
    ("method", "status", "node", "expected"),
    [
        (ATA, WITH_RAWIO, True, None),
        (ATA, WITHOUT, True, "CAP_SYS_RAWIO"),
        (SCSI, WITHOUT, True, None),
        (ATA, WITH_RAWIO, False, "cannot be read"),
        (None, WITHOUT, False, None),
    ],
)
def test_the_missing_capability_is_named(
    tmp_path: Path, method: Command | None, status: str, node: bool, expected: str | None
) -> None:
    """ATA pass-through needs CAP_SYS_RAWIO, REQUEST SENSE does not (Linux 6.12
    drivers/scsi/scsi_ioctl.c scsi_cmd_allowed; seen on 6.1 as a member of group disk)."""
    (tmp_path / "status").write_text(f"Name:\tx\n{status}\n")
    if node:
        (tmp_path / "sda").touch()
    hello = abilities(str(tmp_path), status=str(tmp_path / "status"))
    disk = dataclasses.replace(DISK, probe_method=method)
    sentence = missing(disk, decode_hello(hello.encode()))
    if expected is None:
        assert sentence is None
    else:
        assert expected in (sentence or "")
