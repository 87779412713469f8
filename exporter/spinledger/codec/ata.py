"""The state that an ATA drive reports: the COUNT of CHECK POWER MODE, and when to believe it.

Rules: COUNT is believed only beside an ATA status with BSY clear, DRDY set, and DF, DRQ and ERR
clear; `check_status` comes first. A drive in PM3:Sleep takes no command until a reset (Deskstar
7K1000.B specification, p61): a probe makes the host adapter's driver reset the link and come back
with COUNT 00h and STATUS 00h (seen on Linux 6.1), and that is not standby.

- BSY set: every other bit is invalid then, and a completed command has it clear (from memory).
- DRQ set: the command moves no data, so data cannot be waiting (from memory).
  Both contradict a completed non-data command: MALFORMED.
- DF is judged before ERR: a device fault outweighs the aborted command it causes.
- ERROR is defined only while ERR is set (from memory), so it is otherwise ignored.
- 40h and 41h are obsolete (Ultrastar HC580 specification, p138). They once meant, for drives with a
  non-volatile cache, spindle stopped or stopping and spindle running or starting (from memory).
  Neither "stopping" nor "starting" proves a stopped spindle, and a current drive may not use them:
  RESERVED, with that said.
- 01h, Standby_y, may spin at reduced speed (10K v7 product manual, rev. C, p18), so its mode is
  idle.
- 00h is also what older drives return while going to or recovering from standby (Maxtor product
  manual, 7-8).
"""

from __future__ import annotations

from dataclasses import dataclass

from spinledger.errors import Misuse, Undecodable
from spinledger.model import Condition, Mode, Reason, Reported

CHECK_POWER_MODE = 0xE5
CHECK_POWER_MODE_OLD = 0x98  # alias of early drives; answered by simulated drives, never sent
IDENTIFY_DEVICE = 0xEC
READ_LOG_EXT = 0x2F
SMART = 0xB0  # with a FEATURES value and the signature C24Fh in LBA bits 23:8
SMART_READ_DATA = 0xD0
SMART_SIGNATURE = 0xC24F00

# STATUS field, ACS-3 6.2 (from memory).
BSY = 0x80
DRDY = 0x40
DF = 0x20
DRQ = 0x08
ERR = 0x01
READY = 0x50  # DRDY and the obsolete seek-complete bit: what drives show after success

ABRT = 0x04  # ERROR field, ACS-3 6.3 (from memory)


@dataclass(frozen=True, slots=True)
class PowerCode:
    """One COUNT that is a state."""

    count: int
    mode: Mode
    condition: Condition | None
    meaning: str

    @property
    def reported(self) -> Reported:
        """The state with its clause."""
        clause = f"ACS-3 CHECK POWER MODE, COUNT {self.count:02X}h: {self.meaning}"
        return Reported(self.mode, self.condition, clause)


# ACS-3 CHECK POWER MODE, COUNT; read in the Ultrastar HC580 specification, p138 table 86.
POWER_CODES = (
    PowerCode(0x00, Mode.STANDBY, None, "PM2:Standby, or Standby_z with EPC"),
    PowerCode(0x01, Mode.IDLE, Condition.STANDBY_Y, "Standby_y, may spin at reduced speed"),
    PowerCode(0x80, Mode.IDLE, None, "PM1:Idle"),
    PowerCode(0x81, Mode.IDLE, Condition.IDLE_A, "PM1:Idle, Idle_a"),
    PowerCode(0x82, Mode.IDLE, Condition.IDLE_B, "PM1:Idle, Idle_b"),
    PowerCode(0x83, Mode.IDLE, Condition.IDLE_C, "PM1:Idle, Idle_c"),
    PowerCode(0xFF, Mode.ACTIVE_OR_IDLE, None, "PM0:Active or PM1:Idle"),
)

# Former meanings, from memory.
OBSOLETE = {
    0x40: "obsolete; once: spindle stopped or stopping, which proves neither",
    0x41: "obsolete; once: spindle running or starting, which proves neither",
}

_BY_COUNT = {row.count: row for row in POWER_CODES}
_BY_STATE = {(row.mode, row.condition): row.count for row in POWER_CODES} | {
    (Mode.STANDBY, Condition.STANDBY_Z): 0x00
}


def check_status(status: int, error: int) -> None:
    """Raise `Undecodable` unless the ATA status says that the command succeeded.

    ACS-3 6.2 and 6.3, from memory.
    """
    seen = f"ATA status {status:02X}h, error {error:02X}h"
    if status & BSY:
        raise Undecodable(Reason.MALFORMED, f"{seen}: busy, in a command said to be complete")
    if not status & DRDY:
        raise Undecodable(
            Reason.STATUS_CLEAR, f"{seen}: the drive is not ready, the link was reset"
        )
    if status & DF:
        raise Undecodable(Reason.DEVICE_ERROR, f"{seen}: device fault")
    if status & ERR and error & ABRT:
        raise Undecodable(Reason.REJECTED, f"{seen}: the drive aborted the command")
    if status & ERR:
        raise Undecodable(Reason.DEVICE_ERROR, f"{seen}: the drive reports an error")
    if status & DRQ:
        raise Undecodable(Reason.MALFORMED, f"{seen}: data waiting, in a command without data")


def decode_count(count: int) -> Reported:
    """The state a COUNT names; `Undecodable(RESERVED)` if none. HC580 specification, table 86."""
    row = _BY_COUNT.get(count)
    if row is None:
        why = OBSOLETE.get(count, "reserved")
        raise Undecodable(Reason.RESERVED, f"CHECK POWER MODE count {count:02X}h: {why}")
    return row.reported


def encode_count(mode: Mode, condition: Condition | None = None) -> int:
    """The COUNT a drive in this state returns; STANDBY with standby_z is 00h too."""
    try:
        return _BY_STATE[mode, condition]
    except KeyError:
        raise Misuse(f"CHECK POWER MODE has no count for {mode} with {condition}") from None
