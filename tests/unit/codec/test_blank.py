"""Serial numbers and world-wide names are blanked where the standards put them, and elsewhere.

Positions: ACS-3 IDENTIFY DEVICE, words 10-19 (MB500M technical reference, p27), 108-111 (Linux 6.12
include/linux/ata.h: ATA_ID_WWN), 176-205 (ata.h: none; from memory); SPC-4 7.8.6 and 7.8.16, and
SAT-3, from memory. The bytes are made by tests/fakes/drive_bytes.py, apart from the codec.
"""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spinledger.codec import identify, vpd
from spinledger.codec.blank import Blanking, found, identify_data, vpd_page
from tests.fakes import drive_bytes

SERIAL, WWN = "LAB-00042", "0x50000b0000000123"
IDENTIFIED = drive_bytes.identify(SERIAL, WWN)
BLANKED_WORDS = {*range(10, 20), *range(108, 112), *range(176, 206)}


@given(st.binary(min_size=512, max_size=512))
def test_only_the_words_of_the_standard_change(data: bytes) -> None:
    """Words 10-19, 108-111, 176-205, and the checksum of word 255 where there is one."""
    before, after = struct.unpack("<256H", data), struct.unpack("<256H", identify_data(data))
    changed = {word for word in range(256) if before[word] != after[word]}
    assert changed <= BLANKED_WORDS | {255}
    assert {after[word] for word in BLANKED_WORDS} == {0x2020, 0}
    assert before[255] & 0xFF == after[255] & 0xFF


@given(st.binary(min_size=512, max_size=512), st.booleans())
def test_the_integrity_word_is_as_right_as_it_was(data: bytes, right: bool) -> None:
    """With the signature A5h the sum of all bytes is zero (ACS-3, from memory); wrong stays so."""
    signed = bytearray(data)
    signed[510:512] = (0xA5, 0)
    signed[511] = (-sum(signed) + (not right)) & 0xFF
    assert sum(signed) & 0xFF == (not right)
    assert sum(identify_data(bytes(signed))) & 0xFF == (not right)


def test_what_is_understood_stays() -> None:
    """Model, firmware, rotation and features are those of before; serial and name are gone."""
    before, after = identify.decode(IDENTIFIED), identify.decode(identify_data(IDENTIFIED))
    assert (before.serial, before.wwn) == (SERIAL, WWN)
    assert (after.serial, after.wwn) == ("", None)
    assert (after.model, after.rotation_rpm) == (before.model, before.rotation_rpm)
    page = drive_bytes.vpd89(IDENTIFIED)
    assert identify.from_vpd89(vpd_page(page)) == after


NAA5, NAA6 = bytes.fromhex("50000b0000000123"), bytes.fromhex("60000b00000001230000000000000042")
DESIGNATORS = b"".join(
    bytes([code, kind, 0, len(name)]) + name
    for code, kind, name in (
        (1, 0x03, NAA5),
        (2, 0x01, b"LAB     HDD 5400        LAB-00042"),
        (3, 0x08, b"naa.50000b0000000123\0\0\0\0"),
        (1, 0x03, NAA6),
    )
)


def test_pages_of_names() -> None:
    """Page 80h has no serial number left; page 83h keeps each designator's kind and length."""
    serial = bytes([0, 0x80, 0, len(SERIAL)]) + SERIAL.encode()
    assert vpd.serial_number(vpd_page(serial)) == ""
    names = bytes([0, 0x83]) + len(DESIGNATORS).to_bytes(2, "big") + DESIGNATORS
    blanked = vpd_page(names)
    assert vpd.world_wide_name(names) == WWN
    assert vpd.world_wide_name(blanked) == "0x5000000000000000"
    assert len(blanked) == len(names)
    for secret in (NAA5[1:], NAA6[1:], SERIAL.encode(), WWN[2:].encode(), b"HDD"):
        assert secret in names or secret == b"HDD"
        assert secret not in blanked


@pytest.mark.parametrize("cut", range(4, 60))
def test_a_page_that_is_cut_gives_nothing_away(cut: int) -> None:
    """Whatever a malformed page holds behind its head is blanked, its length kept."""
    names = (bytes([0, 0x83, 0, 255]) + DESIGNATORS)[:cut]
    blanked = vpd_page(names)
    assert len(blanked) == cut
    assert NAA5[1:] not in blanked


def test_a_number_elsewhere_is_found() -> None:
    """As text, as bytes, and with the bytes of each word exchanged, at even and odd places."""
    blanking = Blanking(found([], [IDENTIFIED]))
    words = IDENTIFIED[20:40].rstrip()
    for shift in (b"", b"\1"):
        for secret in (SERIAL.encode(), NAA5, NAA5[::-1], WWN.encode(), IDENTIFIED[216:224], words):
            hidden = shift + b"\xaa\xbb" + secret + b"\xcc"
            blanked = blanking.octets(hidden)
            assert len(blanked) == len(hidden)
            if shift == b"" or secret in (SERIAL.encode(), NAA5, NAA5[::-1], WWN.encode()):
                assert secret not in blanked
    assert blanking.words(f"HDD {SERIAL.lower()} naa.{WWN[2:]}") == f"HDD {'X' * 9} naa.{'X' * 16}"
    assert Blanking(["", "1"]).octets(b"1 and 1") == b"1 and 1"
