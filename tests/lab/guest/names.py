"""Commands by the names that a drive's log calls them by, and the kinds of them."""

from __future__ import annotations

# SCSI operation codes (SPC-4, SBC-3, SAT-3) and ATA commands (ACS-3), all from memory.
SCSI_NAMES = {
    0x00: "TEST UNIT READY",
    0x03: "REQUEST SENSE",
    0x08: "READ",
    0x0A: "WRITE",
    0x12: "INQUIRY",
    0x1A: "MODE SENSE",
    0x1B: "START STOP UNIT",
    0x25: "READ CAPACITY",
    0x28: "READ",
    0x2A: "WRITE",
    0x2F: "VERIFY",
    0x35: "SYNCHRONIZE CACHE",
    0x4D: "LOG SENSE",
    0x5A: "MODE SENSE",
    0x88: "READ",
    0x8A: "WRITE",
    0x8F: "VERIFY",
    0x91: "SYNCHRONIZE CACHE",
    0x9E: "READ CAPACITY",
}
ATA_NAMES = {
    0x2F: "READ LOG EXT",
    0x94: "STANDBY IMMEDIATE",
    0x95: "IDLE IMMEDIATE",
    0x96: "STANDBY",
    0x97: "IDLE",
    0x98: "CHECK POWER MODE",
    0x99: "SLEEP",
    0xB0: "SMART",
    0xE0: "STANDBY IMMEDIATE",
    0xE1: "IDLE IMMEDIATE",
    0xE2: "STANDBY",
    0xE3: "IDLE",
    0xE5: "CHECK POWER MODE",
    0xE6: "SLEEP",
    0xE7: "FLUSH CACHE",
    0xEC: "IDENTIFY DEVICE",
}
STATE_PROBES = ("CHECK POWER MODE", "REQUEST SENSE")
RECORDS = ("IDENTIFY DEVICE", "SMART", "READ LOG EXT", "LOG SENSE", "MODE SENSE 1Ah")
MEDIA = ("READ", "WRITE", "VERIFY")


def command_name(cdb: bytes) -> str:
    """A command's name for the log: that of the ATA command inside a pass-through."""
    operation = cdb[0]
    if operation in (0x85, 0xA1):
        command = cdb[14] if operation == 0x85 else cdb[9]
        return ATA_NAMES.get(command, f"ATA {command:02X}h")
    if is_power_page(cdb):
        return "MODE SENSE 1Ah"
    return SCSI_NAMES.get(operation, f"{operation:02X}h")


def is_power_page(cdb: bytes) -> bool:
    """MODE SENSE (10) of the Power Condition mode page (SPC-4)."""
    return cdb[0] == 0x5A and cdb[2] & 0x3F == 0x1A
