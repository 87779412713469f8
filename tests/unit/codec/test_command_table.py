"""The closed table of commands: its bytes, and that nothing in it can do harm."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from spinledger.codec import sat, scsi
from spinledger.codec.commands import TABLE, CommandRow
from spinledger.model import Command

# Built by hand. ATA PASS-THROUGH: places of the fields as in Linux 6.1 drivers/ata/libata-scsi.c,
# ata_scsi_pass_thru; IDENTIFY DEVICE is the published 12-byte example A1 08 2E 00 01 ... EC of the
# Linux commit "Set proper SK when CK_COND is set", in the longer form and without CK_COND. From
# memory: READ LOG EXT has the log address in LBA 7:0 and the page in LBA 15:8, SMART its signature
# 4Fh, C2h in LBA 15:8 and 23:16 (ACS-3); REQUEST SENSE has DESC 0 and allocation length FCh, LOG
# SENSE reads cumulative values, MODE SENSE current ones (SPC-4).
BY_HAND = {
    Command.CHECK_POWER_MODE_16: "85 06 20 00 00 00 00 00 00 00 00 00 00 00 E5 00",
    Command.CHECK_POWER_MODE_12: "A1 06 20 00 00 00 00 00 00 E5 00 00",
    Command.REQUEST_SENSE: "03 00 00 00 FC 00",
    Command.IDENTIFY_DEVICE: "85 08 0E 00 00 00 01 00 00 00 00 00 00 00 EC 00",
    Command.SMART_READ_DATA: "85 08 0E 00 D0 00 01 00 00 00 4F 00 C2 00 B0 00",
    Command.DEVICE_STATISTICS_GENERAL: "85 09 0E 00 00 00 01 00 04 00 01 00 00 00 2F 00",
    Command.DEVICE_STATISTICS_ROTATING: "85 09 0E 00 00 00 01 00 04 00 03 00 00 00 2F 00",
    Command.POWER_CONDITIONS_LOG: "85 09 0E 00 00 00 02 00 08 00 00 00 00 00 2F 00",
    Command.START_STOP_LOG: "4D 00 4E 00 00 00 00 00 FC 00",
    Command.TRANSITIONS_LOG: "4D 00 5A 00 00 00 00 00 FC 00",
    Command.POWER_CONDITION_MODE: "5A 08 1A 00 00 00 00 00 FC 00",
}

# All that may ever be sent: operation codes, and ATA commands inside the first two of them.
ALLOWED_OPCODES = {0x85, 0xA1, 0x03, 0x4D, 0x5A}
ALLOWED_ATA = {0xE5}
# ATA commands with data from the drive: command, FEATURES, lowest LBA byte (the log address).
ALLOWED_READS = {(0xEC, 0x00, 0x00), (0xB0, 0xD0, 0x00), (0x2F, 0x00, 0x04), (0x2F, 0x00, 0x08)}
ALLOWED_PAGES = {(0x4D, 0x4E), (0x4D, 0x5A), (0x5A, 0x1A)}


@pytest.mark.parametrize("command", Command)
def test_bytes(command: Command) -> None:
    """Each command block is the one built by hand from the sources above, byte by byte."""
    assert TABLE[command].cdb == bytes.fromhex(BY_HAND[command])


def test_closed() -> None:
    """The table has one row a command, under its own name, and cannot be changed."""
    assert set(TABLE) == set(Command)
    assert all(row.command is command for command, row in TABLE.items())
    with pytest.raises(TypeError):
        TABLE[Command.REQUEST_SENSE] = TABLE[Command.REQUEST_SENSE]  # type: ignore[index]


def harm(cdb: bytes) -> list[str]:
    """What in a command block is outside the allow-list; empty for a harmless one."""
    if not cdb or cdb[0] not in ALLOWED_OPCODES:
        return ["operation code"]
    if cdb[0] == scsi.REQUEST_SENSE:
        return [] if len(cdb) == 6 else ["length"]
    if cdb[0] in (0x4D, 0x5A):
        fine = len(cdb) == 10 and (cdb[0], cdb[2]) in ALLOWED_PAGES
        # SP of LOG SENSE, which saves parameters, is byte 1 bit 0; DBD of MODE SENSE bit 3.
        return [] if fine and cdb[1] == {0x4D: 0, 0x5A: 8}[cdb[0]] and cdb[9] == 0 else ["page"]
    view = sat.parse_cdb(cdb)
    read = (view.command, view.feature, view.lba & 0xFF)
    if read in ALLOWED_READS:
        inward = (view.protocol, view.t_dir, view.byt_blok, view.t_length) == (sat.PIO_IN, 1, 1, 2)
        plain = view.ck_cond == view.off_line == view.control == view.device == 0
        return [] if inward and plain and view.count in (1, 2) else ["transfer"]
    wrong = {
        "ATA command": view.command not in ALLOWED_ATA,
        "protocol moves data": view.protocol != sat.NON_DATA,
        "a transfer length": view.t_length != 0,
        "a direction": view.t_dir != 0,  # with T_LENGTH 0 libata refuses one
        "registers set": any((view.feature, view.count, view.lba, view.device)),
        "off-line time": view.off_line != 0,
        "control": view.control != 0,
    }
    return [name for name, is_wrong in wrong.items() if is_wrong]


@pytest.mark.parametrize("row", TABLE.values(), ids=lambda row: row.command)
def test_harmless(row: CommandRow) -> None:
    """No row accesses the medium, writes, or changes a setting: all are on the allow-list."""
    assert harm(row.cdb) == []
    if row.cdb[0] == 0x85 and row.cdb[1] >> 1 == sat.PIO_IN:
        assert row.data_in == 512 * row.cdb[6]
    else:
        assert row.data_in == {0x03: 252, 0x4D: 252, 0x5A: 252}.get(row.cdb[0], 0)


@pytest.mark.parametrize(
    "cdb",
    [
        # Standards from memory, but for IDENTIFY DEVICE.
        "28 00 00 00 00 00 00 00 01 00",  # READ (10), SBC-3
        "1B 00 00 00 00 00",  # START STOP UNIT, SBC-3
        "00 00 00 00 00 00",  # TEST UNIT READY, SPC-4
        "A1 06 20 00 00 00 00 00 00 E0 00 00",  # STANDBY IMMEDIATE, ACS-3
        "A1 06 20 00 78 00 00 00 00 E2 00 00",  # STANDBY with a timer, ACS-3
        "A1 08 2E 00 01 00 00 00 00 EC 00 00",  # IDENTIFY DEVICE, the Linux commit above
        "A1 06 20 05 00 00 00 00 00 EF 00 00",  # SET FEATURES, ACS-3
        "A1 08 2E 00 00 00 00 00 00 E5 00 00",  # CHECK POWER MODE with a data phase
        "85 0B 06 00 00 00 01 00 04 00 01 00 00 00 3F 00",  # WRITE LOG EXT, ACS-3
        "85 06 00 00 D4 00 00 00 01 00 4F 00 C2 00 B0 00",  # SMART EXECUTE OFF-LINE, ACS-3
        "85 08 0E 00 D2 00 01 00 F1 00 4F 00 C2 00 B0 00",  # SMART attribute autosave, ACS-3
        "85 09 0E 00 00 00 01 00 30 00 01 00 00 00 2F 00",  # READ LOG EXT of another log, ACS-3
        "85 0B 06 00 00 00 01 00 04 00 01 00 00 00 2F 00",  # a read that claims to send, SAT-3
        "4C 00 00 00 00 00 00 00 00 00",  # LOG SELECT, SPC-4
        "4D 01 4E 00 00 00 00 00 FC 00",  # LOG SENSE that saves parameters, SPC-4
        "4D 00 4D 00 00 00 00 00 FC 00",  # LOG SENSE of another page, SPC-4
        "55 10 00 00 00 00 00 00 24 00",  # MODE SELECT, SPC-4
    ],
)
def test_the_allow_list_refuses(cdb: str) -> None:
    """The check above finds commands that read, write, set or start something."""
    assert harm(bytes.fromhex(cdb))


@pytest.mark.parametrize("row", TABLE.values(), ids=lambda row: row.command)
def test_effects_are_written_down(row: CommandRow) -> None:
    """Each row states its effect on sleep, timer and pending sense, and names a standard."""
    assert min(len(row.asleep), len(row.timer), len(row.sense)) > 20
    assert "ACS-3" in row.source or "SPC-4" in row.source


def test_light() -> None:
    """Loading the table loads of our program only these modules, so the prober stays small."""
    package = Path(sys.modules["spinledger"].__path__[0]).parent
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); import spinledger.codec.commands; "
        "print(*sorted(name for name in sys.modules if name.startswith('spinledger')))"
    )
    ran = subprocess.run(
        [sys.executable, "-I", "-c", code, str(package)], capture_output=True, text=True, check=True
    )
    names = {name.removeprefix("spinledger").removeprefix(".") for name in ran.stdout.split()}
    assert names == {"", "errors", "model", "schedule", "codec"} | {
        f"codec.{name}" for name in ("ata", "commands", "octets", "pages", "sat", "scsi", "sense")
    }
