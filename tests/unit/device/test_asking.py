"""What `check` says about missing permissions, and what a completion becomes."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from spinledger.device.asking import missing, reply_of
from spinledger.model import Command, Completion, Mode, Reason, Refused, Reported
from tests.fakes.drive_bytes import ata_return
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
    disk = dataclasses.replace(DISK, probe_method=method)
    given = missing(disk, str(tmp_path), str(tmp_path / "status"))
    assert (given is None) if expected is None else (given is not None and expected in given)


def test_a_completion_is_told_or_refused() -> None:
    """COUNT 00h is standby (ACS-3); ATA status 00h under it is a cleared register and no state."""

    def completion(sense: bytes) -> Completion:
        return Completion(2, 0, 8, sense, b"", 1)

    given = reply_of(ATA, completion(ata_return(0x00)))
    assert isinstance(given, Reported)
    assert given.mode is Mode.STANDBY
    refused = reply_of(ATA, completion(ata_return(0x00, status=0x00)))
    assert isinstance(refused, Refused)
    assert refused.reason is Reason.STATUS_CLEAR
