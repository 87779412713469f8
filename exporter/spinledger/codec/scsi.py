"""The state that a SCSI drive reports: REQUEST SENSE parameter data, both directions.

Rules: the *data* report the state, not the status: in a low power condition REQUEST SENSE ends with
GOOD and parameter data of key NO SENSE and a 5Eh code (SCSI Commands Reference Manual, 3.41). Only
NO SENSE with 00/00 or a 5Eh code of the table is a state:

- 5E/00 says "low power" and not which: OTHER_SENSE.
- 5E/41 to 5E/47 report a change that has happened, for optical drives and with UNIT ATTENTION;
  by the time they are read the condition may be another one: OTHER_SENSE.
- 00/1F, a change in progress, is neither the old condition nor the new one: OTHER_SENSE.
- NOT READY 04/02 is a drive stopped by START STOP UNIT. Its spindle is stopped or still running
  down, and a drive that never started reports the same: OTHER_SENSE, with the name of the code.
- Deferred data (71h, 73h) belong to an earlier command: OTHER_SENSE.
- Data that carries an ATA status return is some other command's sense: OTHER_SENSE.

Standby_y spins at reduced speed (10K v7 product manual, rev. C, p18): mode idle, like idle_c.

Behind libata REQUEST SENSE is emulated as NO SENSE and never reaches the drive (Linux 6.12
drivers/ata/libata-scsi.c:4694): it is for SCSI drives only, and the sender sees to that.
"""

from __future__ import annotations

from dataclasses import dataclass

from spinledger.codec import sense as envelope
from spinledger.codec.octets import malformed, spell
from spinledger.codec.sat import ATA_RETURN
from spinledger.codec.sense import Sense
from spinledger.errors import Misuse, Undecodable
from spinledger.model import Condition, Mode, Reason, Reported

REQUEST_SENSE = 0x03
_CDB_LENGTH = 6
ALLOCATION = 252  # bytes: the most REQUEST SENSE returns, 8 + 244 (SPC-4 4.5.1, from memory)

LOW_POWER = 0x5E  # ADDITIONAL SENSE CODE


@dataclass(frozen=True, slots=True)
class PowerSense:
    """One ADDITIONAL SENSE CODE QUALIFIER of 5Eh that is a state."""

    ascq: int
    mode: Mode
    condition: Condition
    by_command: bool  # else by the drive's timer


# SPC-4 additional sense codes; read in Linux 6.12 drivers/scsi/sense_codes.h:743-758. 5E/01 and
# 5E/03 are idle_a: SCSI Commands Reference Manual 3.41. 5E/02 and 5E/04 are standby_z: from memory.
POWER_SENSES = (
    PowerSense(0x01, Mode.IDLE, Condition.IDLE_A, by_command=False),
    PowerSense(0x02, Mode.STANDBY, Condition.STANDBY_Z, by_command=False),
    PowerSense(0x03, Mode.IDLE, Condition.IDLE_A, by_command=True),
    PowerSense(0x04, Mode.STANDBY, Condition.STANDBY_Z, by_command=True),
    PowerSense(0x05, Mode.IDLE, Condition.IDLE_B, by_command=False),
    PowerSense(0x06, Mode.IDLE, Condition.IDLE_B, by_command=True),
    PowerSense(0x07, Mode.IDLE, Condition.IDLE_C, by_command=False),
    PowerSense(0x08, Mode.IDLE, Condition.IDLE_C, by_command=True),
    PowerSense(0x09, Mode.IDLE, Condition.STANDBY_Y, by_command=False),
    PowerSense(0x0A, Mode.IDLE, Condition.STANDBY_Y, by_command=True),
)

_BY_ASCQ = {row.ascq: row for row in POWER_SENSES}
_BY_CONDITION = {(row.condition, row.by_command): row.ascq for row in POWER_SENSES}
_AWAKE = Reported(Mode.ACTIVE_OR_IDLE, None, "SPC-4 REQUEST SENSE, NO SENSE 00/00: no low power")


@dataclass(frozen=True, slots=True)
class RequestSense:
    """The fields of a REQUEST SENSE command."""

    allocation: int  # bytes


def encode_request_sense(view: RequestSense) -> bytes:
    """The 6-byte command block: byte 4 allocation length. SPC-4 REQUEST SENSE, from memory."""
    if not 0 <= view.allocation <= 0xFF:
        raise Misuse(f"allocation length {view.allocation} does not fit one byte")
    return bytes([REQUEST_SENSE, 0, 0, 0, view.allocation, 0])


def parse_request_sense(cdb: bytes) -> RequestSense:
    """The fields of a command block; `Undecodable(MALFORMED)` unless it is a whole one."""
    if len(cdb) != _CDB_LENGTH or cdb[0] != REQUEST_SENSE:
        raise malformed(f"not a REQUEST SENSE command; bytes {spell(cdb)}")
    return RequestSense(cdb[4])


def decode_power_sense(sense: Sense) -> Reported:
    """The state REQUEST SENSE parameter data names; `Undecodable(OTHER_SENSE)` if none."""
    asc, ascq = sense.code
    foreign = any(one[0] == ATA_RETURN for one in sense.descriptors)
    if sense.deferred or sense.key != envelope.NO_SENSE or foreign:
        raise Undecodable(Reason.OTHER_SENSE, str(sense))
    if sense.code == envelope.NO_CODE:
        return _AWAKE
    row = _BY_ASCQ.get(ascq) if asc == LOW_POWER else None
    if row is None:
        raise Undecodable(Reason.OTHER_SENSE, str(sense))
    means = "command" if row.by_command else "timer"
    clause = f"SPC-4 REQUEST SENSE, 5E/{ascq:02X}: {row.condition} by {means}"
    return Reported(row.mode, row.condition, clause)


def encode_power_sense(
    condition: Condition | None, *, by_command: bool = False, fixed: bool = True
) -> bytes:
    """Parameter data of a drive in this condition; None: active, or idle without a condition."""
    if condition is None:
        code = envelope.NO_CODE
    else:
        code = (LOW_POWER, _BY_CONDITION[condition, by_command])
    encode = envelope.encode_fixed if fixed else envelope.encode_descriptors
    return encode(envelope.NO_SENSE, code)
