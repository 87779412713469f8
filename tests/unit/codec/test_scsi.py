"""REQUEST SENSE and the 5Eh power conditions, against the published codes."""

from __future__ import annotations

import pytest

from spinledger.codec import scsi, sense
from spinledger.errors import Misuse, Undecodable
from spinledger.model import Condition, Mode, Reason

# Linux 6.12 drivers/scsi/sense_codes.h:743-758 (SPC-4): condition, and by command or timer.
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


@pytest.mark.parametrize("ascq", range(0x100))
def test_every_qualifier_of_5e(ascq: int) -> None:
    """Each of the 256 qualifiers of 5Eh is its condition or unknown (sense_codes.h, SPC-4)."""
    data = sense.parse(sense.encode_fixed(0, (0x5E, ascq)))
    if ascq in QUALIFIERS:
        mode, condition, by_command = QUALIFIERS[ascq]
        given = scsi.decode_power_sense(data)
        assert (given.mode, given.condition) == (mode, condition)
        assert ("by command" in given.clause) == by_command
        raw = scsi.encode_power_sense(condition, by_command=by_command)
        assert raw[12:14] == bytes([0x5E, ascq])
    else:
        with pytest.raises(Undecodable) as caught:
            scsi.decode_power_sense(data)
        assert caught.value.reason == Reason.OTHER_SENSE


@pytest.mark.parametrize("asc", range(0x100))
def test_no_other_code_is_a_state(asc: int) -> None:
    """Under NO SENSE only 00/00 and 5Eh are states, whatever the first byte of the code (SPC-4)."""
    data = sense.parse(sense.encode_fixed(0, (asc, 0x02)))
    if asc == 0x5E:
        assert scsi.decode_power_sense(data).mode is Mode.STANDBY
    else:
        with pytest.raises(Undecodable) as caught:
            scsi.decode_power_sense(data)
        assert caught.value.reason == Reason.OTHER_SENSE


@pytest.mark.parametrize("key", range(1, 16))
@pytest.mark.parametrize("code", [(0x00, 0x00), (0x5E, 0x02)])
def test_no_other_key_is_a_state(key: int, code: sense.Code) -> None:
    """A power condition is reported under NO SENSE only (SPC-4 REQUEST SENSE)."""
    with pytest.raises(Undecodable) as caught:
        scsi.decode_power_sense(sense.parse(sense.encode_fixed(key, code)))
    assert caught.value.reason == Reason.OTHER_SENSE


def test_request_sense_block() -> None:
    """REQUEST SENSE is 03h with DESC in byte 1 bit 0 and the allocation in byte 4 (SPC-4)."""
    view = scsi.RequestSense(252, descriptors=True)
    assert scsi.encode_request_sense(view) == bytes.fromhex("03 01 00 00 FC 00")
    assert scsi.parse_request_sense(bytes.fromhex("03 01 00 00 FC 00")) == view


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
