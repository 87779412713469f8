"""Sense bytes as a person pastes them."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spinledger.codec.explain import EXAMPLE, decode_hex
from spinledger.errors import BadHex
from spinledger.model import Mode, Reason
from tests.unit.codec.vectors import ATA, ATA_UNKNOWN, SCSI, SCSI_UNKNOWN, Vector

IDLE = "72 01 00 1d 00 00 00 0e 09 0c 00 00 00 80 00 00 00 00 00 00 00 50"
ANSWER = {
    "state": "idle",
    "condition": None,
    "reason": "",
    "source": "ACS-3 CHECK POWER MODE, COUNT 80h: PM1:Idle",
}


def name(vector: Vector) -> str:
    """The name of a test case."""
    return vector.name


@pytest.mark.parametrize(
    "args",
    [
        IDLE.split(),
        [IDLE],
        [IDLE.replace(" ", "")],
        [IDLE.upper()],
        [IDLE.replace(" ", ":")],
        [IDLE.replace(" ", ", ")],
        ["0x" + IDLE.replace(" ", " 0x")],
        ["0X" + IDLE.replace(" ", "").upper()],
        [IDLE[:24], IDLE[24:]],
        [f"\n{IDLE}\t ", ""],
    ],
)
def test_ways_of_writing(args: list[str]) -> None:
    """Spaces or not, one argument or many, any case, 0x, commas, colons: the same bytes."""
    assert decode_hex(args) == ANSWER


@pytest.mark.parametrize(
    ("octets", "state"),
    [
        (IDLE, "idle"),
        (IDLE.replace("80", "00"), "standby"),
        (IDLE.replace("80", "ff"), "active_or_idle"),
    ],
)
def test_counts(octets: str, state: str) -> None:
    """80h is idle, 00h standby, FFh active_or_idle (HC580 specification, table 86)."""
    answer = decode_hex([octets])
    assert (answer["state"], answer["reason"]) == (state, "")


def test_count_zero_with_status_zero() -> None:
    """Count 00h with ATA status 00h is unknown and says why: a link reset, seen on Linux 6.1."""
    answer = decode_hex([IDLE.replace("80", "00").replace("50", "00")])
    assert answer["state"] == "unknown"
    assert answer["condition"] is None
    reason = answer["reason"]
    assert reason is not None
    assert reason.startswith("status_clear: ")
    assert "link was reset" in reason


@pytest.mark.parametrize("vector", ATA + SCSI, ids=name)
def test_states(vector: Vector) -> None:
    """Every reply that is a state says the same here (sources: vectors.py)."""
    mode, condition = vector.expected
    answer = decode_hex([vector.octets])
    assert (answer["state"], answer["condition"]) == (mode, condition)
    assert (answer["source"] or "").startswith(("ACS-3", "SPC-4"))


# Without knowing the command these read as REQUEST SENSE data; the module's rules say so.
READ_OTHERWISE = {
    "no descriptor, key 0": Mode.ACTIVE_OR_IDLE,
    "fixed without 00/1D: what lies in INFORMATION is no register": None,
    "data that is another command's ATA status return": Mode.STANDBY,
    "libata's emulation: NO SENSE as the status and no data": Mode.ACTIVE_OR_IDLE,
    "low power in the sense of a failed REQUEST SENSE, not in its data": Mode.STANDBY,
    "ATA pass-through information": None,
}


@pytest.mark.parametrize("vector", ATA_UNKNOWN + SCSI_UNKNOWN, ids=name)
def test_no_states(vector: Vector) -> None:
    """Every reply that is no state is unknown with its reason, but for the named ambiguities."""
    answer = decode_hex([vector.octets])
    other = READ_OTHERWISE.get(vector.name)
    if other is not None:
        assert answer["state"] == other
        return
    assert (answer["state"], answer["condition"]) == ("unknown", None)
    reason = (answer["reason"] or "").split(":")[0]
    assert reason in set(Reason)
    assert vector.name in READ_OTHERWISE or reason == vector.expected


@pytest.mark.parametrize(
    ("args", "what"),
    [
        ([], "there are no bytes"),
        ([""], "there are no bytes"),
        ([" , :"], "there are no bytes"),
        (["72 0"], "'0' has an odd number of digits"),
        (["720"], "'720' has an odd number of digits"),
        (["72", "zz"], "'zz' is not hexadecimal"),
        (["0x"], "'0x' is not hexadecimal"),
        (["72h"], "'72h' is not hexadecimal"),
        (["0x0x72"], "'0x0x72' is not hexadecimal"),
        (["-72"], "'-72' is not hexadecimal"),
        (["\N{ARABIC-INDIC DIGIT SEVEN}2"], "is not hexadecimal"),
    ],
)
def test_not_bytes(args: list[str], what: str) -> None:
    """What is not bytes is one line that says what is wrong and how to fix it."""
    with pytest.raises(BadHex) as caught:
        decode_hex(args)
    assert what in caught.value.what
    assert "72 01 00 1d" in caught.value.fix
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("octets", ["00", "7f", "12 34", "ff" * 300, "72", "70"])
def test_bytes_that_are_no_sense_data(octets: str) -> None:
    """An unknown response code or a stump is unknown, not bad input (SPC-4 4.5, from memory)."""
    answer = decode_hex([octets])
    assert answer["state"] == "unknown"
    assert (answer["reason"] or "").startswith("malformed: ")


@given(st.binary(min_size=1, max_size=60))
def test_any_bytes(data: bytes) -> None:
    """Any bytes give the four keys, and a reason exactly when the state is unknown."""
    answer = decode_hex([data.hex()])
    assert list(answer) == ["state", "condition", "reason", "source"]
    assert (answer["state"] == "unknown") == bool(answer["reason"])


# Letters near to bytes; any letter of Unicode would only be slower.
_LETTERS = st.sampled_from("0179aAfFgxXhH ,:-\n\t\N{ARABIC-INDIC DIGIT SEVEN}\N{SUPERSCRIPT TWO}")


@given(st.lists(st.text(_LETTERS, max_size=12), max_size=4))
def test_any_text(args: list[str]) -> None:
    """Any text is an answer or BadHex, never another exception."""
    state: str | None = "refused"
    with contextlib.suppress(BadHex):
        state = decode_hex(args)["state"]
    assert state in {"refused", "unknown", *Mode}


def test_the_suggested_example_decodes() -> None:
    """The bytes in every message of a mistake are a whole answer: standby."""
    assert decode_hex(EXAMPLE.split())["state"] == "standby"
