"""Replies with what they must mean, each with its source; several test files use them.

"Built from the layout" means: bytes put together by hand from the cited tables, not captured from
a drive. Rows of the tables are in test_ata.py and test_scsi.py; here are whole replies.
"""

from __future__ import annotations

from dataclasses import dataclass

from spinledger.model import Command, Completion, Condition, Mode, Reason

State = tuple[Mode, Condition | None]


@dataclass(frozen=True)
class Vector:
    """One reply: its bytes, the status they came with, and the state or the reason."""

    name: str
    octets: str  # sense for CHECK POWER MODE, data for REQUEST SENSE
    expected: State | Reason
    source: str
    command: Command = Command.CHECK_POWER_MODE_16
    status: int = 0x02

    @property
    def raw(self) -> bytes:
        """The bytes."""
        return bytes.fromhex(self.octets)

    def completion(self, raw: bytes | None = None) -> Completion:
        """The completion that carries them, or other bytes in their place."""
        reply = self.raw if raw is None else raw
        by_data = self.command is Command.REQUEST_SENSE and self.status == 0
        sense, data = (b"", reply) if by_data else (reply, b"")
        return Completion(self.status, 0, 0x08 if sense else 0, sense, data, 1_000_000)


IDLE, STANDBY, EITHER = (Mode.IDLE, None), (Mode.STANDBY, None), (Mode.ACTIVE_OR_IDLE, None)
_STANDBY_Y = (Mode.IDLE, Condition.STANDBY_Y)
_LAYOUT = (
    "built from the layout of the status return (Linux 6.12 drivers/ata/libata-scsi.c:241-316) and "
    "the counts of the Ultrastar HC580 specification, table 86"
)
_FIXED = "built from the fixed layout in Linux 6.12 drivers/ata/libata-scsi.c, lines 241-316"
_SENSE = "SPC-4 4.5, from memory; built from the layout"
_ASC = "Linux 6.12 drivers/scsi/sense_codes.h:27-69, 743-758; the layout from memory"

# CHECK POWER MODE, answered by an ATA status return.
ATA = (
    Vector(
        "descriptor 00h",
        "72 01 00 1D 00 00 00 0E 09 0C 00 00 00 00 00 00 00 00 00 00 00 50",
        STANDBY,
        _LAYOUT,
    ),
    Vector(
        "descriptor 80h",
        "72 01 00 1D 00 00 00 0E 09 0C 00 00 00 80 00 00 00 00 00 00 00 50",
        IDLE,
        _LAYOUT,
    ),
    Vector(
        "descriptor FFh",
        "72 01 00 1D 00 00 00 0E 09 0C 00 00 00 FF 00 00 00 00 00 00 00 50",
        EITHER,
        _LAYOUT,
    ),
    Vector(
        "published IDENTIFY sense, COUNT 01h",
        "72 01 00 1D 00 00 00 0E 09 0C 00 00 00 01 00 00 00 00 00 00 00 50",
        _STANDBY_Y,
        "bytes: Linux commit 'Set proper SK when CK_COND is set'; 01h: HC580 table 86",
    ),
    Vector(
        "published IDENTIFY sense before that commit: NO SENSE 00/00",
        "72 00 00 00 00 00 00 0E 09 0C 00 00 00 FF 00 00 00 00 00 00 00 50",
        EITHER,
        "key and code: the same commit, 'before'; COUNT built from the layout",
    ),
    Vector(
        "DEVICE register in use",
        "72 01 00 1D 00 00 00 0E 09 0C 00 00 00 80 00 00 00 00 00 00 A0 50",
        IDLE,
        _LAYOUT,
    ),
    Vector(
        "descriptor second in the list, after Information",
        "72 01 00 1D 00 00 00 1A 00 0A 80 00 00 00 00 00 00 00 00 00"
        " 09 0C 00 00 00 80 00 00 00 00 00 00 00 50",
        IDLE,
        "Information descriptor (SPC-4 4.5.2.2, from memory), and " + _LAYOUT,
    ),
    Vector(
        "padded beyond ADDITIONAL SENSE LENGTH",
        "72 01 00 1D 00 00 00 0E 09 0C 00 00 00 80 00 00 00 00 00 00 00 50 00 00 00 00",
        IDLE,
        _LAYOUT,
    ),
    Vector("fixed 00h", "F0 00 01 00 50 00 00 0A 00 00 00 00 00 1D 00 00 00 00", STANDBY, _FIXED),
    Vector("fixed 80h", "F0 00 01 00 50 00 80 0A 00 00 00 00 00 1D 00 00 00 00", IDLE, _FIXED),
    Vector("fixed FFh", "F0 00 01 00 50 00 FF 0A 00 00 00 00 00 1D 00 00 00 00", EITHER, _FIXED),
    Vector(
        "success that the kernel turned into GOOD",
        "72 01 00 1D 00 00 00 0E 09 0C 00 00 00 80 00 00 00 00 00 00 00 50",
        IDLE,
        "Linux drivers/scsi/scsi_lib.c, RECOVERED ERROR as success (from memory)",
        status=0x00,
    ),
)

# CHECK POWER MODE without a state.
ATA_UNKNOWN = (
    Vector(
        "link reset by a probe of a drive in PM3:Sleep: COUNT 00h, STATUS 00h",
        "72 01 00 1D 00 00 00 0E 09 0C 00 00 00 00 00 00 00 00 00 00 00 00",
        Reason.STATUS_CLEAR,
        "seen on Linux 6.1 with an emulated AHCI disk",
    ),
    Vector(
        "link reset reported as ABORTED COMMAND",
        "72 0B 00 00 00 00 00 0E 09 0C 00 00 00 00 00 00 00 00 00 00 00 00",
        Reason.STATUS_CLEAR,
        _LAYOUT,
    ),
    Vector(
        "aborted by the drive",
        "72 0B 00 00 00 00 00 0E 09 0C 00 04 00 00 00 00 00 00 00 00 00 51",
        Reason.REJECTED,
        _LAYOUT + "; ACS-3 ERROR field bit 2, from memory",
    ),
    Vector(
        "refused, registers nevertheless fine",
        "72 05 20 00 00 00 00 0E 09 0C 00 00 00 00 00 00 00 00 00 00 00 50",
        Reason.REJECTED,
        _SENSE,
    ),
    Vector(
        "device fault",
        "72 04 44 00 00 00 00 0E 09 0C 00 00 00 00 00 00 00 00 00 00 00 70",
        Reason.DEVICE_ERROR,
        _LAYOUT,
    ),
    Vector(
        "unit attention with a return that claims standby",
        "72 06 29 00 00 00 00 0E 09 0C 00 00 00 00 00 00 00 00 00 00 00 50",
        Reason.OTHER_SENSE,
        _SENSE,
    ),
    Vector(
        "RECOVERED ERROR of another kind with a return that claims standby",
        "72 01 11 00 00 00 00 0E 09 0C 00 00 00 00 00 00 00 00 00 00 00 50",
        Reason.OTHER_SENSE,
        _SENSE,
    ),
    Vector(
        "deferred error with a return that claims standby",
        "73 01 00 1D 00 00 00 0E 09 0C 00 00 00 00 00 00 00 00 00 00 00 50",
        Reason.OTHER_SENSE,
        _SENSE,
    ),
    Vector(
        "reserved count",
        "72 01 00 1D 00 00 00 0E 09 0C 00 00 00 02 00 00 00 00 00 00 00 50",
        Reason.RESERVED,
        "Ultrastar HC580 specification, table 86",
    ),
    Vector(
        "count 0100h, whose low byte alone would say standby",
        "72 01 00 1D 00 00 00 0E 09 0C 01 00 01 00 00 00 00 00 00 00 00 50",
        Reason.RESERVED,
        _LAYOUT,
    ),
    Vector(
        "fixed: COUNT upper byte not zero",
        "F0 00 01 00 50 00 00 0A C0 00 00 00 00 1D 00 00 00 00",
        Reason.RESERVED,
        _FIXED,
    ),
    Vector(
        "fixed as Linux 6.1 fills it, from byte 8: STATUS 50h at 9, COUNT FFh at 11",
        "70 00 01 00 00 00 00 0A 00 50 00 FF 00 1D 00 00 00 00",
        Reason.MALFORMED,
        "Linux 6.1 drivers/ata/libata-scsi.c, lines 950-965",
    ),
    Vector(
        "fixed without 00/1D: what lies in INFORMATION is no register",
        "F0 00 01 00 50 00 00 0A 00 00 00 00 00 00 00 00 00 00",
        Reason.NO_REGISTERS,
        _SENSE,
    ),
    Vector(
        "two status returns",
        "72 01 00 1D 00 00 00 1C 09 0C 00 00 00 00 00 00 00 00 00 00 00 50"
        " 09 0C 00 00 00 FF 00 00 00 00 00 00 00 50",
        Reason.MALFORMED,
        _SENSE,
    ),
    Vector(
        "status return of a wrong length",
        "72 01 00 1D 00 00 00 0C 09 0A 00 00 00 00 00 00 00 00 00 50",
        Reason.MALFORMED,
        _SENSE,
    ),
    Vector("no descriptor", "72 01 00 1D 00 00 00 00", Reason.NO_REGISTERS, _SENSE),
    Vector("no descriptor, key 0", "72 00 00 00 00 00 00 00", Reason.NO_REGISTERS, _SENSE),
    Vector("invalid operation code", "72 05 20 00 00 00 00 00", Reason.REJECTED, _SENSE),
    Vector(
        "invalid operation code, fixed",
        "70 00 05 00 00 00 00 0A 00 00 00 00 20 00 00 00 00 00",
        Reason.REJECTED,
        _SENSE,
    ),
    Vector(
        "aborted command without registers",
        "70 00 0B 00 00 00 00 0A 00 00 00 00 00 00 00 00 00 00",
        Reason.REJECTED,
        _SENSE,
    ),
    Vector("power on or reset occurred", "72 06 29 00 00 00 00 00", Reason.OTHER_SENSE, _SENSE),
    Vector("response code 00h", "00 00 00 00 00 00 00 00", Reason.MALFORMED, _SENSE),
    Vector("response code 7Fh, vendor", "7F 00 00 00 00 00 00 00", Reason.MALFORMED, _SENSE),
    Vector(
        "descriptor runs past the end",
        "72 01 00 1D 00 00 00 0E 09 0D 00 00 00 00 00 00 00 00 00 00 00 50",
        Reason.MALFORMED,
        _SENSE,
    ),
    Vector(
        "fixed too short for a code",
        "70 00 01 00 50 00 00 05 00 00 00 00 00",
        Reason.MALFORMED,
        _SENSE,
    ),
)


def _fixed(key: int, code: str) -> str:
    """18 bytes of fixed sense data, written out."""
    return f"70 00 {key:02X} 00 00 00 00 0A 00 00 00 00 {code} 00 00 00 00"


def _request_sense(name: str, octets: str, expected: State | Reason, source: str = _ASC) -> Vector:
    """A reply to REQUEST SENSE: data under GOOD."""
    return Vector(name, octets, expected, source, Command.REQUEST_SENSE, 0x00)


SCSI = (
    _request_sense("active, fixed", _fixed(0, "00 00"), EITHER),
    _request_sense("active, descriptor", "72 00 00 00 00 00 00 00", EITHER),
    _request_sense("idle_a by timer", _fixed(0, "5E 01"), (Mode.IDLE, Condition.IDLE_A)),
    _request_sense("idle_a by command", _fixed(0, "5E 03"), (Mode.IDLE, Condition.IDLE_A)),
    _request_sense("idle_b by timer", _fixed(0, "5E 05"), (Mode.IDLE, Condition.IDLE_B)),
    _request_sense("idle_b by command", _fixed(0, "5E 06"), (Mode.IDLE, Condition.IDLE_B)),
    _request_sense("idle_c by timer", _fixed(0, "5E 07"), (Mode.IDLE, Condition.IDLE_C)),
    _request_sense("idle_c by command", _fixed(0, "5E 08"), (Mode.IDLE, Condition.IDLE_C)),
    _request_sense("standby_z by timer", _fixed(0, "5E 02"), (Mode.STANDBY, Condition.STANDBY_Z)),
    _request_sense("standby_z by command", _fixed(0, "5E 04"), (Mode.STANDBY, Condition.STANDBY_Z)),
    _request_sense("standby_y by timer", _fixed(0, "5E 09"), _STANDBY_Y),
    _request_sense("standby_y by command", "72 00 5E 0A 00 00 00 00", _STANDBY_Y),
)

_OTHER = Reason.OTHER_SENSE
SCSI_UNKNOWN = (
    _request_sense("low power, reason unknown", _fixed(0, "5E 00"), _OTHER),
    _request_sense("5E/0B is not listed", _fixed(0, "5E 0B"), _OTHER),
    _request_sense("change to active", _fixed(6, "5E 41"), _OTHER),
    _request_sense("change to idle", _fixed(6, "5E 42"), _OTHER),
    _request_sense("change to standby", _fixed(6, "5E 43"), _OTHER),
    _request_sense("change to standby under NO SENSE", _fixed(0, "5E 43"), _OTHER),
    _request_sense("5E/44 is not listed", _fixed(0, "5E 44"), _OTHER),
    _request_sense("change to sleep", _fixed(6, "5E 45"), _OTHER),
    _request_sense("5E/46 is not listed", _fixed(0, "5E 46"), _OTHER),
    _request_sense("change to device control", _fixed(6, "5E 47"), _OTHER),
    _request_sense("standby_z under UNIT ATTENTION", _fixed(6, "5E 02"), _OTHER, _SENSE),
    _request_sense("ATA pass-through information", _fixed(0, "00 1D"), _OTHER),
    _request_sense("transitioning to another power condition", _fixed(0, "00 1F"), _OTHER),
    _request_sense("not ready, cause unknown", _fixed(2, "04 00"), _OTHER),
    _request_sense("becoming ready", _fixed(2, "04 01"), _OTHER),
    _request_sense("stopped by START STOP UNIT", _fixed(2, "04 02"), _OTHER),
    _request_sense("self-test", _fixed(2, "04 09"), _OTHER),
    _request_sense("NOTIFY (enable spinup) required", _fixed(2, "04 11"), _OTHER),
    _request_sense("START STOP UNIT in progress", _fixed(2, "04 1A"), _OTHER),
    _request_sense("extra power not yet granted", _fixed(2, "04 1C"), _OTHER),
    _request_sense("deferred, fixed", "71" + _fixed(0, "5E 02")[2:], _OTHER, _SENSE),
    _request_sense("deferred, descriptor", "73 00 00 00 00 00 00 00", _OTHER, _SENSE),
    _request_sense(
        "data that is another command's ATA status return",
        "72 00 00 00 00 00 00 0E 09 0C 00 00 00 00 00 00 00 00 00 00 00 50",
        _OTHER,
        _SENSE,
    ),
    _request_sense("all zeros", "00 " * 18, Reason.MALFORMED, _SENSE),
    Vector(
        "libata's emulation: NO SENSE as the status and no data",
        _fixed(0, "00 00"),
        _OTHER,
        "Linux 6.12 drivers/ata/libata-scsi.c:4694",
        Command.REQUEST_SENSE,
    ),
    Vector(
        "low power in the sense of a failed REQUEST SENSE, not in its data",
        _fixed(0, "5E 02"),
        _OTHER,
        _SENSE,
        Command.REQUEST_SENSE,
    ),
    Vector(
        "REQUEST SENSE refused",
        _fixed(5, "24 00"),
        Reason.REJECTED,
        _SENSE,
        Command.REQUEST_SENSE,
    ),
)

STATES = ATA + SCSI
UNKNOWN = ATA_UNKNOWN + SCSI_UNKNOWN
VECTORS = STATES + UNKNOWN
