"""Pass-through command blocks and the ATA status return, against published bytes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spinledger.codec import sat
from spinledger.codec import sense as envelope
from spinledger.codec.sat import AtaReturn, PassThrough
from spinledger.errors import Misuse, Undecodable
from spinledger.model import Reason

# Linux commit "Set proper SK when CK_COND is set": the published IDENTIFY example.
IDENTIFY_12 = bytes.fromhex("A1 08 2E 00 01 00 00 00 00 EC 00 00")
IDENTIFY_SENSE = bytes.fromhex("72 01 00 1D 00 00 00 0E 09 0C 00 00 00 01 00 00 00 00 00 00 00 50")


def test_published_identify() -> None:
    """The published IDENTIFY block has these fields, both ways (the Linux commit above)."""
    view = PassThrough(
        opcode=0xA1,
        command=0xEC,
        protocol=4,  # PIO data-in
        count=1,
        ck_cond=1,
        t_dir=1,
        byt_blok=1,
        t_length=2,  # the length is in COUNT
    )
    assert sat.parse_cdb(IDENTIFY_12) == view
    assert sat.encode_cdb(view) == IDENTIFY_12


def test_published_sense() -> None:
    """The published IDENTIFY sense is a return of COUNT 01h, STATUS 50h (the same commit)."""
    assert sat.find_return(envelope.parse(IDENTIFY_SENSE)) == AtaReturn(count=1, status=0x50)
    assert sat.encode_ata_return(AtaReturn(count=1, status=0x50)) == IDENTIFY_SENSE


# Linux 6.1 drivers/ata/libata-scsi.c, ata_scsi_pass_thru: field, byte in each form, high byte.
REGISTERS = [
    ("feature", 0xAB, 0xA1, 3),
    ("count", 0xAB, 0xA1, 4),
    ("lba", 0xAB, 0xA1, 5),
    ("lba", 0xAB00, 0xA1, 6),
    ("lba", 0xAB0000, 0xA1, 7),
    ("device", 0xAB, 0xA1, 8),
    ("command", 0xAB, 0xA1, 9),
    ("control", 0xAB, 0xA1, 11),
    ("feature", 0xAB, 0x85, 4),
    ("count", 0xAB, 0x85, 6),
    ("lba", 0xAB, 0x85, 8),
    ("lba", 0xAB00, 0x85, 10),
    ("lba", 0xAB0000, 0x85, 12),
    ("device", 0xAB, 0x85, 13),
    ("command", 0xAB, 0x85, 14),
    ("control", 0xAB, 0x85, 15),
    ("feature", 0xAB00, 0x85, 3),
    ("count", 0xAB00, 0x85, 5),
    ("lba", 0xAB000000, 0x85, 7),
    ("lba", 0xAB00000000, 0x85, 9),
    ("lba", 0xAB0000000000, 0x85, 11),
]


@pytest.mark.parametrize(("field", "value", "opcode", "byte"), REGISTERS)
def test_register_places(field: str, value: int, opcode: int, byte: int) -> None:
    """Each register byte of both forms lies where the kernel reads it (ata_scsi_pass_thru)."""
    values = {"command": 0, "extend": 1 if opcode == 0x85 else 0, field: value}
    cdb = sat.encode_cdb(PassThrough(opcode, **values))
    assert cdb[byte] == 0xAB
    assert sum(cdb[3:]) == 0xAB
    assert getattr(sat.parse_cdb(cdb), field) == value


@pytest.mark.parametrize("opcode", [0xA1, 0x85])
@pytest.mark.parametrize(
    ("field", "value", "byte", "mask"),
    [
        ("multiple_count", 7, 1, 0b1110_0000),
        ("protocol", 15, 1, 0b0001_1110),
        ("off_line", 3, 2, 0b1100_0000),
        ("ck_cond", 1, 2, 0b0010_0000),
        ("t_type", 1, 2, 0b0001_0000),  # T_TYPE from memory
        ("t_dir", 1, 2, 0b0000_1000),
        ("byt_blok", 1, 2, 0b0000_0100),
        ("t_length", 3, 2, 0b0000_0011),
    ],
)
def test_flag_places(opcode: int, field: str, value: int, byte: int, mask: int) -> None:
    """Each flag of bytes 1 and 2 has its bits (Linux 6.12 libata-scsi.c:3240-3260)."""
    values = {"protocol": 0, field: value}
    cdb = sat.encode_cdb(PassThrough(opcode, 0, **values))
    assert cdb[byte] == mask
    assert getattr(sat.parse_cdb(cdb), field) == value


def test_extend_place() -> None:
    """EXTEND is bit 0 of byte 1, in the 16-byte form only (Linux 6.1 ata_scsi_pass_thru)."""
    assert sat.encode_cdb(PassThrough(0x85, 0, protocol=0, extend=1))[1] == 1
    with pytest.raises(Misuse):
        sat.encode_cdb(PassThrough(0xA1, 0, extend=1))


def test_high_registers_need_extend() -> None:
    """Without EXTEND the high bytes are not registers (Linux 6.1 ata_scsi_pass_thru)."""
    with pytest.raises(Misuse):
        sat.encode_cdb(PassThrough(0x85, 0, count=0x100))
    assert sat.parse_cdb(bytes.fromhex("85 06 20 FF FF FF 07 FF 00 FF 00 FF 00 00 E5 00")) == (
        PassThrough(0x85, 0xE5, feature=0xFF, count=7, ck_cond=1)
    )


@pytest.mark.parametrize(
    "wrong",
    [
        PassThrough(0x03, 0xE5),
        PassThrough(0xA1, 0x1E5),
        PassThrough(0xA1, 0xE5, protocol=16),
        PassThrough(0xA1, 0xE5, lba=1 << 24),
        PassThrough(0x85, 0xE5, lba=-1),
    ],
)
def test_fields_that_do_not_fit(wrong: PassThrough) -> None:
    """A field wider than its place is our own mistake, never cut in silence."""
    with pytest.raises(Misuse):
        sat.encode_cdb(wrong)


@given(st.sampled_from([(0xA1, 12), (0x85, 16)]), st.binary(min_size=15, max_size=15))
def test_any_block_parses_and_encodes_back(form: tuple[int, int], rest: bytes) -> None:
    """What a block holds in its fields survives decoding and encoding (own tables)."""
    view = sat.parse_cdb(bytes([form[0]]) + rest[: form[1] - 1])
    assert sat.parse_cdb(sat.encode_cdb(view)) == view


@given(st.binary(max_size=20))
def test_other_blocks_are_malformed(cdb: bytes) -> None:
    """What is no whole pass-through block gives a typed error and nothing else."""
    whole = len(cdb) > 0 and len(cdb) == {0xA1: 12, 0x85: 16}.get(cdb[0])
    if not whole:
        with pytest.raises(Undecodable) as caught:
            sat.parse_cdb(cdb)
        assert caught.value.reason == Reason.MALFORMED


@pytest.mark.parametrize("cdb", [IDENTIFY_12, bytes([0x85]) + bytes(15)])
def test_blocks_cut_short(cdb: bytes) -> None:
    """Cut at any byte a pass-through block is malformed."""
    for length in range(len(cdb)):
        with pytest.raises(Undecodable) as caught:
            sat.parse_cdb(cdb[:length])
        assert caught.value.reason == Reason.MALFORMED


# ATA Status Return descriptor, Linux 6.12 drivers/ata/libata-scsi.c:241-316: register, value,
# offset from the descriptor's start.
DESCRIPTOR = [
    ("extend", 1, 2, 0x01),
    ("error", 0xAB, 3, 0xAB),
    ("count", 0xAB00, 4, 0xAB),
    ("count", 0x00AB, 5, 0xAB),
    ("lba", 0xAB000000, 6, 0xAB),
    ("lba", 0x0000AB, 7, 0xAB),
    ("lba", 0xAB00000000, 8, 0xAB),
    ("lba", 0x00AB00, 9, 0xAB),
    ("lba", 0xAB0000000000, 10, 0xAB),
    ("lba", 0xAB0000, 11, 0xAB),
    ("device", 0xAB, 12, 0xAB),
    ("status", 0xAB, 13, 0xAB),
]


@pytest.mark.parametrize(("register", "value", "offset", "byte"), DESCRIPTOR)
@pytest.mark.parametrize("position", [0, 2])
def test_descriptor_places(
    register: str, value: int, offset: int, byte: int, position: int
) -> None:
    """Each register of the return has its offset, wherever the descriptor is (Linux 6.12)."""
    view = AtaReturn(**({"count": 0, "status": 0, "extend": 1} | {register: value}))
    raw = sat.encode_ata_return(view, position=position)
    start = 8 + 12 * position
    assert raw[start : start + 2] == b"\x09\x0c"
    assert raw[start + offset] == byte
    assert sat.find_return(envelope.parse(raw)) == view


# The same lines.
FIXED = [
    ("error", 0xAB, 3, 0xAB),
    ("status", 0xAB, 4, 0xAB),
    ("device", 0xAB, 5, 0xAB),
    ("count", 0xAB, 6, 0xAB),
    ("extend", 1, 8, 0x80),
    ("lba", 0xAB, 9, 0xAB),
    ("lba", 0xAB00, 10, 0xAB),
    ("lba", 0xAB0000, 11, 0xAB),
]


@pytest.mark.parametrize(("register", "value", "offset", "byte"), FIXED)
def test_fixed_places(register: str, value: int, offset: int, byte: int) -> None:
    """Each register in fixed format has its offset (Linux 6.12 libata-scsi.c:241-316)."""
    view = AtaReturn(**({"count": 1, "status": 0x50} | {register: value}))
    raw = sat.encode_ata_return(view, fixed=True, key=1, code=(0x00, 0x1D))
    assert raw[offset] == byte
    assert raw[12:14] == b"\x00\x1d"
    assert sat.find_return(envelope.parse(raw)) == view


@pytest.mark.parametrize(
    ("view", "flags", "back"),
    [
        (AtaReturn(0x0134, extend=1), 0xC0, AtaReturn(0xFF34, extend=1)),
        (
            AtaReturn(0x34, lba=1 << 24, extend=1),
            0xA0,
            AtaReturn(0x34, lba=0xFFFFFF << 24, extend=1),
        ),
    ],
)
def test_fixed_upper_flags(view: AtaReturn, flags: int, back: AtaReturn) -> None:
    """Fixed format says only that high bytes are not zero: byte 8 bits 7, 6, 5 (Linux 6.12)."""
    raw = sat.encode_ata_return(view, fixed=True)
    assert raw[8] == flags
    assert sat.find_return(envelope.parse(raw)) == back


def test_published_fixed_bytes() -> None:
    """The fixed example of COUNT 80h, built from the layout, encodes byte by byte (Linux 6.12)."""
    example = "F0 00 01 00 50 00 80 0A 00 00 00 00 00 1D 00 00 00 00"
    assert sat.encode_ata_return(AtaReturn(0x80), fixed=True) == bytes.fromhex(example)


@pytest.mark.parametrize(
    ("view", "key", "code"),
    [
        (AtaReturn(0, status=0x50), 0x1, (0x00, 0x1D)),  # Linux 6.12 libata-scsi.c
        (AtaReturn(0, status=0x00), 0x1, (0x00, 0x1D)),  # as seen after a link reset, Linux 6.1
        (AtaReturn(0, status=0x51, error=4), 0xB, (0x00, 0x00)),  # ata_to_sense_error, from memory
        (AtaReturn(0, status=0x70), 0x4, (0x44, 0x00)),  # ata_to_sense_error, from memory
    ],
)
def test_usual_key(view: AtaReturn, key: int, code: envelope.Code) -> None:
    """Success and failure come under the keys libata gives them."""
    parsed = envelope.parse(sat.encode_ata_return(view))
    assert (parsed.key, parsed.code) == (key, code)


@pytest.mark.parametrize(
    "wrong", [AtaReturn(0x100), AtaReturn(0, status=0x150), AtaReturn(0, lba=1 << 24)]
)
def test_registers_that_do_not_fit(wrong: AtaReturn) -> None:
    """A register wider than its place is our own mistake, never cut in silence."""
    with pytest.raises(Misuse):
        sat.encode_ata_return(wrong)
