"""CHECK POWER MODE's counts and the ATA status, against the standard's tables."""

from __future__ import annotations

import pytest

from spinledger.codec import ata
from spinledger.errors import Misuse, Undecodable
from spinledger.model import Condition, Mode, Reason

# Ultrastar HC580 specification, table 86 (p138), restating ACS-3.
COUNTS = {
    0x00: (Mode.STANDBY, None),
    0x01: (Mode.IDLE, Condition.STANDBY_Y),  # may still spin: 10K v7 product manual, p18
    0x80: (Mode.IDLE, None),
    0x81: (Mode.IDLE, Condition.IDLE_A),
    0x82: (Mode.IDLE, Condition.IDLE_B),
    0x83: (Mode.IDLE, Condition.IDLE_C),
    0xFF: (Mode.ACTIVE_OR_IDLE, None),
}


def test_every_count() -> None:
    """Each of the 256 counts is the state of the table, or reserved (HC580 specification, p138)."""
    for count in range(0x100):
        if count in COUNTS:
            reported = ata.decode_count(count)
            assert (reported.mode, reported.condition) == COUNTS[count]
            assert f"COUNT {count:02X}h" in reported.clause
            assert ata.encode_count(*COUNTS[count]) == count
        else:
            with pytest.raises(Undecodable) as caught:
                ata.decode_count(count)
            assert caught.value.reason == Reason.RESERVED


@pytest.mark.parametrize(("count", "word"), [(0x40, "stopping"), (0x41, "starting")])
def test_obsolete_counts_say_what_they_were(count: int, word: str) -> None:
    """40h, 41h are obsolete (HC580 specification, p138); the old meaning is from memory."""
    with pytest.raises(Undecodable, match=word):
        ata.decode_count(count)


def test_standby_z_is_count_zero() -> None:
    """A drive with EPC in standby_z returns 00h (HC580 specification, table 86)."""
    assert ata.encode_count(Mode.STANDBY, Condition.STANDBY_Z) == 0x00


def test_a_state_without_a_count() -> None:
    """Encoding a state that the table does not have is our own mistake."""
    with pytest.raises(Misuse):
        ata.encode_count(Mode.ACTIVE_OR_IDLE, Condition.IDLE_A)


@pytest.mark.parametrize(
    ("status", "error", "reason"),
    [
        (0x00, 0x00, Reason.STATUS_CLEAR),  # link reset, seen on Linux 6.1
        (0x10, 0x00, Reason.STATUS_CLEAR),
        (0x01, 0x04, Reason.STATUS_CLEAR),
        (0x51, 0x04, Reason.REJECTED),  # ERR with ABRT
        (0x51, 0x10, Reason.DEVICE_ERROR),
        (0x70, 0x00, Reason.DEVICE_ERROR),  # DF
        (0x71, 0x04, Reason.DEVICE_ERROR),  # DF outweighs ABRT
        (0x58, 0x00, Reason.MALFORMED),  # DRQ after a command without data
        (0x80, 0x00, Reason.MALFORMED),  # BSY in a completed command
        (0xD0, 0x00, Reason.MALFORMED),
        (0xFF, 0xFF, Reason.MALFORMED),  # an empty bus
    ],
)
def test_bad_status(status: int, error: int, reason: Reason) -> None:
    """Each way an ATA status can be wrong has its own reason (ACS-3 6.2, 6.3, from memory)."""
    with pytest.raises(Undecodable) as caught:
        ata.check_status(status, error)
    assert caught.value.reason == reason


@pytest.mark.parametrize(("status", "error"), [(0x50, 0), (0x40, 0), (0x52, 0), (0x50, 0x04)])
def test_good_status(status: int, error: int) -> None:
    """DRDY alone is success; ERROR counts only beside ERR (ACS-3 6.2, 6.3, from memory)."""
    ata.check_status(status, error)
