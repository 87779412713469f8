"""The closed table: every command this program may ever send to a drive.

Rules: no row reads or writes the medium, changes a setting, or starts or stops anything; no row
carries data to the drive. A message to the privileged prober names a row and never holds bytes.
The command blocks are built from the field tables of `sat` and `scsi`. Keep this module light: the
prober loads it.

A1h is BLANK on an optical drive (MMC-6). The 12-byte form is therefore for bridges that refuse
the 16-byte one, and only for peripheral device type 00h.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from spinledger.codec import ata, sat, scsi
from spinledger.model import Command


@dataclass(frozen=True, slots=True)
class CommandRow:
    """One command, and what it does to a drive beyond answering."""

    command: Command
    cdb: bytes
    data_in: int  # bytes it may return; 0: none
    asleep: str  # effect on a sleeping drive
    timer: str  # effect on its standby timer
    sense: str  # effect on sense data that is pending
    source: str


_ATA_ASLEEP = (
    "in standby the drive answers and stays down; in PM3:Sleep the kernel resets the link, which "
    "ends the sleep, and COUNT 00h comes back with STATUS 00h"
)
_ATA_TIMER = (
    "should leave it running; stated in print for a tape drive only (SDX-470V ATA manual, 6.1), so "
    "it is unproven for each disk until it has slept while being asked"
)
_UNIT_ATTENTION = (
    "a pending unit attention would be reported in place of the answer and be cleared by that "
    "(SAM-5 unit attention conditions, from memory)"
)


def _ask_ata(opcode: int) -> bytes:
    """CHECK POWER MODE: no data, CK_COND to get the registers back after success."""
    return sat.encode_cdb(sat.PassThrough(opcode, ata.CHECK_POWER_MODE, sat.NON_DATA, ck_cond=1))


_ROWS = (
    CommandRow(
        Command.CHECK_POWER_MODE_16,
        _ask_ata(sat.PASS_THROUGH_16),
        0,
        _ATA_ASLEEP,
        _ATA_TIMER,
        _UNIT_ATTENTION,
        "ACS-3 CHECK POWER MODE; SAT-3 ATA PASS-THROUGH (16); link reset: seen on Linux 6.1",
    ),
    CommandRow(
        Command.CHECK_POWER_MODE_12,
        _ask_ata(sat.PASS_THROUGH_12),
        0,
        _ATA_ASLEEP,
        _ATA_TIMER,
        _UNIT_ATTENTION,
        "ACS-3 CHECK POWER MODE; SAT-3 ATA PASS-THROUGH (12); link reset: seen on Linux 6.1",
    ),
    CommandRow(
        Command.REQUEST_SENSE,
        scsi.encode_request_sense(scsi.RequestSense(scsi.ALLOCATION)),
        scsi.ALLOCATION,
        "answered with GOOD in every power condition, which it leaves as it is",
        "should leave the power condition timers running (SPC-4, from memory); unproven for each "
        "disk until it has slept while being asked",
        "returns and clears it: a pending unit attention reaches us and not the next command "
        "(SPC-4 REQUEST SENSE, from memory); sense of failed commands travels with their status",
        "SPC-4 REQUEST SENSE; SCSI Commands Reference Manual, 3.41",
    ),
)

TABLE: Mapping[Command, CommandRow] = MappingProxyType({row.command: row for row in _ROWS})
