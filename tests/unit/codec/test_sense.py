"""The envelope of sense data: SPC-4 4.5, from memory."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spinledger.codec import sense
from spinledger.errors import Misuse, Undecodable
from spinledger.model import Reason

_byte = st.integers(0, 255)
_descriptors = st.lists(
    st.builds(lambda kind, body: bytes([kind, len(body)]) + body, _byte, st.binary(max_size=20)),
    max_size=5,
)


@given(st.integers(0, 15), st.tuples(_byte, _byte), _descriptors, st.booleans(), st.binary())
def test_descriptor_round_trip(
    key: int, code: sense.Code, descriptors: list[bytes], deferred: bool, padding: bytes
) -> None:
    """Key, code and descriptors survive, and padding is dropped (4.5.2)."""
    raw = sense.encode_descriptors(key, code, descriptors, deferred=deferred)
    found = sense.parse(raw + padding)
    assert found == sense.Sense(False, deferred, key, code, tuple(descriptors), raw)
    assert raw[0] == (0x73 if deferred else 0x72)


@given(st.integers(0, 15), st.tuples(_byte, _byte), st.booleans(), st.booleans())
def test_fixed_round_trip(key: int, code: sense.Code, deferred: bool, valid: bool) -> None:
    """Key and code survive in 18 bytes; INFORMATION sets VALID (4.5.3)."""
    information = b"\x01\x02\x03\x04" if valid else None
    raw = sense.encode_fixed(key, code, information=information, deferred=deferred)
    assert sense.parse(raw) == sense.Sense(True, deferred, key, code, (), raw)
    assert len(raw) == 18
    assert raw[0] == (0x71 if deferred else 0x70) | (0x80 if valid else 0)
    assert raw[7] == 10


@pytest.mark.parametrize("flags", [0x10, 0x20, 0x40, 0x80])
def test_flags_beside_the_key_are_ignored(flags: int) -> None:
    """SDAT_OVFL, ILI, EOM and FILEMARK share byte 2 with the key and are not it (4.5.3)."""
    raw = bytearray(sense.encode_fixed(5, (0x20, 0x00)))
    raw[2] |= flags
    assert sense.parse(bytes(raw)).key == 5


@given(st.binary(max_size=60))
def test_garbage(data: bytes) -> None:
    """Any bytes are sense data or a typed error; no descriptor byte is lost or counted twice."""
    found = None
    with contextlib.suppress(Undecodable):
        found = sense.parse(data)
    if found is None:
        return
    assert data.startswith(found.raw)
    assert found.fixed or b"".join(found.descriptors) == found.raw[8:]


@given(st.integers(0, 15), st.tuples(_byte, _byte), _descriptors)
def test_cut_short(key: int, code: sense.Code, descriptors: list[bytes]) -> None:
    """Cut at any byte sense data is MALFORMED (ADDITIONAL SENSE LENGTH)."""
    for raw in (
        sense.encode_fixed(key, code),
        sense.encode_descriptors(key, code, descriptors),
    ):
        for length in range(len(raw)):
            with pytest.raises(Undecodable) as caught:
                sense.parse(raw[:length])
            assert caught.value.reason == Reason.MALFORMED


def test_as_text() -> None:
    """Key, code, name and all bytes stand in the text (Linux 6.12 sense_codes.h for the name)."""
    text = str(sense.parse(sense.encode_fixed(2, (0x04, 0x01))))
    assert text == (
        "key 2h NOT READY, code 04/01 in process of becoming ready; "
        "bytes 70 00 02 00 00 00 00 0A 00 00 00 00 04 01 00 00 00 00"
    )


@pytest.mark.parametrize("key", [16, -1])
def test_a_key_has_four_bits(key: int) -> None:
    """A key that does not fit is our own mistake."""
    with pytest.raises(Misuse):
        sense.encode_fixed(key, (0, 0))
    with pytest.raises(Misuse):
        sense.encode_descriptors(key, (0, 0))
