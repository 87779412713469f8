"""REQUEST SENSE and the 5Eh power conditions, against the published codes."""

from __future__ import annotations

import pytest

from spinledger.codec import scsi, sense
from spinledger.errors import Misuse, Undecodable
from spinledger.model import Condition, Mode, Reason

# Linux 6.12 drivers/scsi/sense_codes.h:743-758: condition, and by command or timer.
# 5E/02 and 5E/04 as standby_z: from memory.
QUALIFIERS = {
    0x01: (Mode.IDLE, Condition.IDLE_A, False),
    0x02: (Mode.STANDBY, Condition.STANDBY_Z, False),
    0x03: (Mode.IDLE, Condition.IDLE_A, True),
    0x04: (Mode.STANDBY, Condition.STANDBY_Z, True),
    0x05: (Mode.IDLE, Condition.IDLE_B, False),
    0x06: (Mode.IDLE, Condition.IDLE_B, True),
    0x07: (Mode.IDLE, Condition.IDLE_C, False),
    0x08: (Mode.IDLE, Condition.IDLE_C, True),
    0x09: (Mode.IDLE, Condition.STANDBY_Y, False),
    0x0A: (Mode.IDLE, Condition.STANDBY_Y, True),
}


def refuse(key: int, code: sense.Code) -> None:
    """Such data is no state."""
    with pytest.raises(Undecodable) as caught:
        scsi.decode_power_sense(sense.parse(sense.encode_fixed(key, code)))
    assert caught.value.reason == Reason.OTHER_SENSE


def test_every_qualifier_of_5e() -> None:
    """Each of the 256 qualifiers of 5Eh is its condition, or no state (sense_codes.h)."""
    for ascq in range(0x100):
        if ascq not in QUALIFIERS:
            refuse(0, (0x5E, ascq))
            continue
        mode, condition, by_command = QUALIFIERS[ascq]
        for fixed in (False, True):
            raw = scsi.encode_power_sense(condition, by_command=by_command, fixed=fixed)
            assert raw[12 if fixed else 2 :][:2] == bytes([0x5E, ascq])
            reported = scsi.decode_power_sense(sense.parse(raw))
            assert (reported.mode, reported.condition) == (mode, condition)
            assert ("by command" in reported.clause) == by_command


def test_no_other_code_or_key_is_a_state() -> None:
    """A power condition has key NO SENSE and a 5Eh code (SCSI Commands Reference Manual, 3.41)."""
    for asc in range(0x100):
        if asc != 0x5E:
            refuse(0, (asc, 0x02))
    for key in range(1, 16):
        refuse(key, (0x00, 0x00))
        refuse(key, (0x5E, 0x02))


def test_request_sense_block() -> None:
    """REQUEST SENSE is 03h with the allocation length in byte 4 (SPC-4, from memory)."""
    view = scsi.RequestSense(252)
    assert scsi.encode_request_sense(view) == bytes.fromhex("03 00 00 00 FC 00")
    assert scsi.parse_request_sense(bytes.fromhex("03 00 00 00 FC 00")) == view


@pytest.mark.parametrize("cdb", ["", "03", "03 00 00 00 FC", "12 00 00 00 FC 00"])
def test_other_blocks_are_malformed(cdb: str) -> None:
    """Anything but a whole REQUEST SENSE block is a typed error."""
    with pytest.raises(Undecodable) as caught:
        scsi.parse_request_sense(bytes.fromhex(cdb))
    assert caught.value.reason == Reason.MALFORMED


def test_an_allocation_is_one_byte() -> None:
    """An allocation that does not fit is our own mistake."""
    with pytest.raises(Misuse):
        scsi.encode_request_sense(scsi.RequestSense(256))
