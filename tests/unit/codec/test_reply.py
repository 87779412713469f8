"""A completed command becomes a state only where a standard says so."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spinledger.codec import ata, reply, scsi
from spinledger.codec import sat as sat_room
from spinledger.errors import Misuse, Undecodable
from spinledger.model import Command, Completion, Mode, Reason, Reported
from tests.unit.codec.vectors import STATES, UNKNOWN, VECTORS, Vector

STATE_PROBES = sorted(reply.STATE_PROBES)


def outcome(command: Command, completion: Completion) -> Reported | Reason:
    """The state, or the reason why there is none; any other exception passes through."""
    try:
        return reply.interpret(command, completion)
    except Undecodable as error:
        return Reason(error.reason)


def name(vector: Vector) -> str:
    """The name of a test case."""
    return vector.name


@pytest.mark.parametrize("vector", STATES, ids=name)
def test_state(vector: Vector) -> None:
    """Each reply that is a state gives exactly that state and a clause (sources: vectors.py)."""
    result = reply.interpret(vector.command, vector.completion())
    assert (result.mode, result.condition) == vector.expected
    assert result.clause.startswith(("ACS-3 CHECK POWER MODE", "SPC-4 REQUEST SENSE"))


@pytest.mark.parametrize("vector", UNKNOWN, ids=name)
def test_no_state(vector: Vector) -> None:
    """Each reply that is no state gives its reason and a detail (sources: vectors.py)."""
    with pytest.raises(Undecodable) as caught:
        reply.interpret(vector.command, vector.completion())
    assert caught.value.reason == vector.expected
    assert caught.value.detail


@pytest.mark.parametrize("vector", [one for one in UNKNOWN if one.expected == Reason.OTHER_SENSE])
def test_other_sense_is_given_whole(vector: Vector) -> None:
    """Sense data that says something else is in the detail to the last byte (own rule)."""
    with pytest.raises(Undecodable) as caught:
        reply.interpret(vector.command, vector.completion())
    assert vector.raw.hex(" ").upper() in caught.value.detail


def test_stopped_unit_is_named() -> None:
    """Key 2 with 04/02 is unknown, and the detail says it was stopped (Linux sense_codes.h)."""
    stopped = next(one for one in UNKNOWN if "START STOP UNIT" in one.name)
    with pytest.raises(Undecodable, match=r"NOT READY, code 04/02 .*stopped by START STOP UNIT"):
        reply.interpret(stopped.command, stopped.completion())


@pytest.mark.parametrize("vector", VECTORS, ids=name)
def test_cut_short(vector: Vector) -> None:
    """Cut at any byte a reply is malformed, never a state (SPC-4 4.5, from memory)."""
    whole = min(8 + vector.raw[7], len(vector.raw))
    for length in range(1, whole):
        cut = vector.completion(vector.raw[:length])
        assert outcome(vector.command, cut) is Reason.MALFORMED
    assert outcome(vector.command, vector.completion(b"")) in (
        Reason.MALFORMED,
        Reason.NO_REGISTERS,
    )


@pytest.mark.parametrize("twelve", [False, True])
def test_both_forms_decode_alike(twelve: bool) -> None:
    """The 12-byte probe has the same replies as the 16-byte one (SAT-3, from memory)."""
    command = Command.CHECK_POWER_MODE_12 if twelve else Command.CHECK_POWER_MODE_16
    sense = sat_room.encode_ata_return(sat_room.AtaReturn(0x80))
    result = reply.interpret(command, Completion(2, 0, 8, sense, b"", 0))
    assert (result.mode, result.condition) == (Mode.IDLE, None)


STANDBY_SENSE = bytes.fromhex("72 01 00 1D 00 00 00 0E 09 0C 00 00 00 00 00 00 00 00 00 00 00 50")
STANDBY_DATA = bytes.fromhex("70 00 00 00 00 00 00 0A 00 00 00 00 5E 02 00 00 00 00")


@pytest.mark.parametrize("command", STATE_PROBES)
@pytest.mark.parametrize(
    ("status", "host", "driver", "reason"),
    [
        (0x02, 0x01, 0x08, Reason.HOST_ERROR),  # DID_NO_CONNECT
        (0x00, 0x03, 0x00, Reason.HOST_ERROR),  # DID_TIME_OUT
        (0x00, 0x00, 0x06, Reason.HOST_ERROR),  # DRIVER_TIMEOUT of older kernels
        (0x08, 0x00, 0x08, Reason.OTHER_SENSE),  # BUSY
        (0x18, 0x00, 0x08, Reason.OTHER_SENSE),  # RESERVATION CONFLICT
        (0x28, 0x00, 0x08, Reason.OTHER_SENSE),  # TASK SET FULL
        (0x40, 0x00, 0x08, Reason.OTHER_SENSE),  # TASK ABORTED
    ],
)
def test_judged_from_the_outside_in(
    command: Command, status: int, host: int, driver: int, reason: Reason
) -> None:
    """A failure on the way outweighs bytes that claim standby (SAM-5 and SG_IO, from memory)."""
    completion = Completion(status, host, driver, STANDBY_SENSE, STANDBY_DATA, 0)
    assert outcome(command, completion) is reason


def test_silent_bridge() -> None:
    """GOOD without sense data is no registers, never a state (common practice, no source)."""
    completion = Completion(0, 0, 0, b"", b"", 0)
    assert outcome(Command.CHECK_POWER_MODE_16, completion) is Reason.NO_REGISTERS


@pytest.mark.parametrize("command", STATE_PROBES)
def test_nothing_where_something_was_promised(command: Command) -> None:
    """CHECK CONDITION without sense data contradicts itself (SAM-5, from memory)."""
    assert outcome(command, Completion(2, 0, 0, b"", b"", 0)) is Reason.MALFORMED


def test_request_sense_without_data() -> None:
    """GOOD and no parameter data is malformed, even if sense data claims standby (own rule)."""
    completion = Completion(0, 0, 8, STANDBY_DATA, b"", 0)
    assert outcome(Command.REQUEST_SENSE, completion) is Reason.MALFORMED


def _believable(result: Reported, raw: bytes) -> bool:
    """An independent reading: the bytes hold the reported state, where the layouts put it."""
    if result.clause.startswith("SPC-4"):
        at = 12 if raw[0] & 0x7F == 0x70 else 2
        key = raw[2 if raw[0] & 0x7F == 0x70 else 1] & 0x0F
        if result.mode is Mode.ACTIVE_OR_IDLE:
            return key == 0 and raw[at : at + 2] == b"\0\0"
        return key == 0 and raw[at] == 0x5E and 1 <= raw[at + 1] <= 0x0A
    if raw[0] & 0x7F == 0x70:
        status, count = raw[4], raw[6]
    else:
        at = raw.index(b"\x09\x0c", 8)
        while raw[at + 13 : at + 14] and raw[at + 13] & 0xE9 != 0x40:
            at = raw.index(b"\x09\x0c", at + 1)
        status, count = raw[at + 13], raw[at + 5]
    # BSY, DF, DRQ, ERR clear and DRDY set: ACS-3 6.2, from memory.
    return status & 0xE9 == 0x40 and count == ata.encode_count(result.mode, result.condition)


_heads = st.sampled_from([b"\x70", b"\xf0", b"\x72", b"\x71", b"\x73"])
_likely = st.builds(
    lambda base, at, value: base[: at % len(base)] + bytes([value]) + base[at % len(base) + 1 :],
    st.sampled_from([vector.raw for vector in VECTORS]),
    st.integers(0, 60),
    st.integers(0, 255),
)
_garbage = st.one_of(
    st.binary(max_size=64),
    st.builds(lambda head, rest: head + rest, _heads, st.binary(max_size=40)),
    _likely,
)


@settings(max_examples=400, deadline=None)
@given(st.sampled_from(STATE_PROBES), st.sampled_from([0, 2, 2, 8]), _garbage, _garbage)
def test_garbage(command: Command, status: int, sense: bytes, data: bytes) -> None:
    """Any bytes give a typed error, or a state that the bytes hold and that encodes back."""
    result = outcome(command, Completion(status, 0, 8, sense, data, 0))
    if isinstance(result, Reason):
        return
    raw = data if command is Command.REQUEST_SENSE else sense
    assert _believable(result, raw)
    if command is Command.REQUEST_SENSE:
        again = scsi.encode_power_sense(result.condition)
        back = reply.interpret(command, Completion(0, 0, 0, b"", again, 0))
    else:
        again = sat_room.encode_ata_return(
            sat_room.AtaReturn(ata.encode_count(result.mode, result.condition))
        )
        back = reply.interpret(command, Completion(2, 0, 8, again, b"", 0))
    assert (back.mode, back.condition) == (result.mode, result.condition)


@pytest.mark.parametrize("vector", VECTORS, ids=name)
def test_every_single_bit_flip(vector: Vector) -> None:
    """A flipped bit gives a typed error, or a state that the changed bytes do hold (own rule)."""
    for bit in range(8 * len(vector.raw)):
        raw = bytearray(vector.raw)
        raw[bit // 8] ^= 1 << bit % 8
        result = outcome(vector.command, vector.completion(bytes(raw)))
        if isinstance(result, Reported):
            assert _believable(result, bytes(raw))


@pytest.mark.parametrize("fixed", [False, True])
def test_every_ata_status(fixed: bool) -> None:
    """COUNT 00h is standby only with DRDY and no BSY, DF, DRQ, ERR (ACS-3 6.2, from memory)."""
    for status in range(0x100):
        sense = sat_room.encode_ata_return(
            sat_room.AtaReturn(0x00, status), fixed=fixed, key=1, code=(0x00, 0x1D)
        )
        result = outcome(Command.CHECK_POWER_MODE_16, Completion(2, 0, 8, sense, b"", 0))
        state = (result.mode, result.condition) if isinstance(result, Reported) else None
        good = status & 0b1110_1001 == 0b0100_0000
        assert state == ((Mode.STANDBY, None) if good else None), f"status {status:02X}h"


@pytest.mark.parametrize("command", sorted(set(Command) - reply.STATE_PROBES))
def test_a_record_is_no_state(command: Command) -> None:
    """Reading a record of the drive as a power state is our own mistake (own rule)."""
    with pytest.raises(Misuse):
        reply.interpret(command, Completion(0, 0, 0, b"", b"", 0))
