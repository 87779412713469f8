"""The closed table: every command this program may ever send to a drive.

Rules: no row reads or writes the medium, changes a setting, or starts or stops anything; no row
carries data to the drive. A message to the privileged prober names a row and never holds bytes.
The command blocks are built from the field tables of `sat` and `scsi`. Keep this module light: the
prober loads it.

A1h is BLANK on an optical drive (MMC-6, from memory). The 12-byte form is therefore for bridges
that refuse the 16-byte one, and only for peripheral device type 00h.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from spinledger.codec import ata, pages, sat, scsi
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
    "it is unproven for each disk until it has slept while it was probed"
)
_UNIT_ATTENTION = (
    "a pending unit attention would be reported in place of the answer and be cleared by that "
    "(SAM-5 unit attention conditions, from memory)"
)


_MAY_SPIN_UP = "may spin up: sent only while sectors move by the I/O of other programs"
_MAY_RESTART = (
    "may restart it (Linux Documentation/hwmon/drivetemp.rst reports a drive that does): sent "
    "only just after sectors moved, so that a restart adds no more than one sample interval"
)
_NO_REGISTERS = "none is requested with the data; " + _UNIT_ATTENTION


def _read_ata(command: int, *, feature: int = 0, blocks: int = 1, lba: int = 0) -> bytes:
    """PIO data-in of 512-byte blocks, COUNT of them. SAT-3 ATA PASS-THROUGH (16), from memory.

    CK_COND stays clear, so that success is GOOD with data; an error returns its registers anyway.
    """
    return sat.encode_cdb(
        sat.PassThrough(
            sat.PASS_THROUGH_16,
            command,
            sat.PIO_IN,
            feature=feature,
            count=blocks,
            lba=lba,
            t_dir=1,
            byt_blok=1,
            t_length=2,
            extend=int(command == ata.READ_LOG_EXT),
        )
    )


def _log(address: int, page: int) -> int:
    """LBA of READ LOG EXT: log address in 7:0, page in 15:8 and 39:32. ACS-3, from memory."""
    return address | (page & 0xFF) << 8 | page >> 8 << 32


def _record(command: Command, cdb: bytes, data_in: int, source: str) -> CommandRow:
    """A row that reads one of the drive's records."""
    return CommandRow(command, cdb, data_in, _MAY_SPIN_UP, _MAY_RESTART, _NO_REGISTERS, source)


def _page(command: Command, opcode: int, page: int, source: str) -> CommandRow:
    """A row for a log or mode page of a SCSI drive."""
    cdb = pages.encode_page_read(pages.PageRead(opcode, page))
    return _record(command, cdb, pages.ALLOCATION, source)


BLOCK = 512  # bytes
DEVICE_STATISTICS = 0x04  # General Purpose log addresses, ACS-3 annex A (from memory)
POWER_CONDITIONS = 0x08


def _check_power_mode(opcode: int) -> bytes:
    """CHECK POWER MODE: no data, CK_COND to get the registers back after success."""
    return sat.encode_cdb(sat.PassThrough(opcode, ata.CHECK_POWER_MODE, sat.NON_DATA, ck_cond=1))


_ROWS = (
    CommandRow(
        Command.CHECK_POWER_MODE_16,
        _check_power_mode(sat.PASS_THROUGH_16),
        0,
        _ATA_ASLEEP,
        _ATA_TIMER,
        _UNIT_ATTENTION,
        "ACS-3 CHECK POWER MODE (Ultrastar HC580 specification, p138); SAT-3 ATA PASS-THROUGH (16) "
        "(Linux 6.1 ata_scsi_pass_thru); link reset: seen on Linux 6.1",
    ),
    CommandRow(
        Command.CHECK_POWER_MODE_12,
        _check_power_mode(sat.PASS_THROUGH_12),
        0,
        _ATA_ASLEEP,
        _ATA_TIMER,
        _UNIT_ATTENTION,
        "ACS-3 CHECK POWER MODE (Ultrastar HC580 specification, p138); SAT-3 ATA PASS-THROUGH (12) "
        "(Linux 6.1 ata_scsi_pass_thru); link reset: seen on Linux 6.1",
    ),
    CommandRow(
        Command.REQUEST_SENSE,
        scsi.encode_request_sense(scsi.RequestSense(scsi.ALLOCATION)),
        scsi.ALLOCATION,
        "answered with GOOD in every power condition, which it leaves as it is",
        "should leave the power condition timers running (SPC-4, from memory); unproven for each "
        "disk until it has slept while it was probed",
        "returns and clears it: a pending unit attention reaches us and not the next command "
        "(SPC-4 REQUEST SENSE, from memory); sense of failed commands travels with their status",
        "SPC-4 REQUEST SENSE; SCSI Commands Reference Manual, 3.41",
    ),
    _record(
        Command.IDENTIFY_DEVICE,
        _read_ata(ata.IDENTIFY_DEVICE),
        BLOCK,
        "ACS-3 IDENTIFY DEVICE; SAT-3 ATA PASS-THROUGH (16) (Linux 6.1 ata_scsi_pass_thru)",
    ),
    _record(
        Command.SMART_READ_DATA,
        _read_ata(ata.SMART, feature=ata.SMART_READ_DATA, lba=ata.SMART_SIGNATURE),
        BLOCK,
        "ACS-3 SMART READ DATA; Travelstar 5K320 specification, p151",
    ),
    _record(
        Command.DEVICE_STATISTICS_GENERAL,
        _read_ata(ata.READ_LOG_EXT, lba=_log(DEVICE_STATISTICS, 0x01)),
        BLOCK,
        "ACS-3 READ LOG EXT, log 04h page 01h; Ultrastar HC580 specification, p198",
    ),
    _record(
        Command.DEVICE_STATISTICS_ROTATING,
        _read_ata(ata.READ_LOG_EXT, lba=_log(DEVICE_STATISTICS, 0x03)),
        BLOCK,
        "ACS-3 READ LOG EXT, log 04h page 03h; Ultrastar HC580 specification, p198",
    ),
    _record(
        Command.POWER_CONDITIONS_LOG,
        _read_ata(ata.READ_LOG_EXT, blocks=2, lba=_log(POWER_CONDITIONS, 0x00)),
        2 * BLOCK,
        "ACS-3 READ LOG EXT, log 08h pages 00h and 01h; Ultrastar HC580 specification, p207",
    ),
    _page(
        Command.START_STOP_LOG,
        pages.LOG_SENSE,
        pages.START_STOP_CYCLES,
        "SPC-4 LOG SENSE, page 0Eh; SCSI Commands Reference Manual, p366 table 346",
    ),
    _page(
        Command.TRANSITIONS_LOG,
        pages.LOG_SENSE,
        pages.TRANSITIONS,
        "SPC-4 LOG SENSE, page 1Ah; SCSI Commands Reference Manual, p351",
    ),
    _page(
        Command.POWER_CONDITION_MODE,
        pages.MODE_SENSE_10,
        pages.POWER_CONDITION,
        "SPC-4 MODE SENSE (10), page 1Ah; SCSI Commands Reference Manual, p422",
    ),
)

TABLE: Mapping[Command, CommandRow] = MappingProxyType({row.command: row for row in _ROWS})
