"""ATA commands inside SCSI commands: the command blocks and the ATA status return, both ways.

Rules: one field table a subject, used by encoder and decoder alike. Decoding a command block
is for simulated and logging drives; the program itself only sends rows of `commands.TABLE`.

The status return comes in two shapes (SAT-3; read in Linux 6.12 drivers/ata/libata-scsi.c,
lines 241-316):

- Descriptor format: descriptor 09h with length 0Ch, at any place in the list. Twice is MALFORMED
  (which one counts?), another length too. With EXTEND clear the high register bytes are reserved.
- Fixed format: the registers lie in INFORMATION and COMMAND-SPECIFIC INFORMATION, and only the
  code 00/1D says that they do; without it there is no status return. VALID is not required: 00/1D
  is the stronger sign. COUNT and LBA have low bytes only; a flag says that high ones are not zero,
  and they read as FFh then.

A trap: up to Linux 6.1 libata fills fixed format from byte 8 (ERROR 8, STATUS 9, DEVICE 10,
COUNT 11; drivers/ata/libata-scsi.c:950-965, corrected by 6.12). Bytes 3-6 are zero there, so the
standard's offsets give COUNT 00h with STATUS 00h. That is never standby, since DRDY is clear; but
it is no link reset either, so a zero INFORMATION field before registers from byte 8 on is
MALFORMED. The misplaced bytes themselves are never read as registers: nothing in the data says
which kernel wrote it, and for success the kernel forces descriptor format anyway.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from spinledger.codec import ata
from spinledger.codec import sense as envelope
from spinledger.codec.octets import malformed, spell
from spinledger.codec.sense import Code, Sense
from spinledger.errors import Misuse

PASS_THROUGH_12 = 0xA1  # BLANK on an optical drive (MMC-6, from memory): only for disks
PASS_THROUGH_16 = 0x85

NON_DATA = 3  # PROTOCOL; Linux 6.12 libata-scsi.c:3240-3260
PIO_IN = 4


class Bits(NamedTuple):
    """Where `width` bits of a field lie: `byte` and its lowest `bit`; `shift` into the field."""

    field: str
    byte: int
    bit: int = 0
    width: int = 8
    shift: int = 0


_FLAGS = (
    Bits("multiple_count", 1, 5, 3),
    Bits("protocol", 1, 1, 4),
    Bits("off_line", 2, 6, 2),
    Bits("ck_cond", 2, 5, 1),
    Bits("t_type", 2, 4, 1),
    Bits("t_dir", 2, 3, 1),
    Bits("byt_blok", 2, 2, 1),
    Bits("t_length", 2, 0, 2),
)

# SAT-3 ATA PASS-THROUGH (12) and (16); byte places as in Linux 6.1 ata_scsi_pass_thru.
_PLACES: dict[int, tuple[Bits, ...]] = {
    PASS_THROUGH_12: (
        *_FLAGS,
        Bits("feature", 3),
        Bits("count", 4),
        Bits("lba", 5),
        Bits("lba", 6, shift=8),
        Bits("lba", 7, shift=16),
        Bits("device", 8),
        Bits("command", 9),
        Bits("control", 11),
    ),
    PASS_THROUGH_16: (
        *_FLAGS,
        Bits("extend", 1, 0, 1),
        Bits("feature", 4),
        Bits("count", 6),
        Bits("lba", 8),
        Bits("lba", 10, shift=8),
        Bits("lba", 12, shift=16),
        Bits("device", 13),
        Bits("command", 14),
        Bits("control", 15),
    ),
}
_EXTENDED_16 = (
    Bits("feature", 3, shift=8),
    Bits("count", 5, shift=8),
    Bits("lba", 7, shift=24),
    Bits("lba", 9, shift=32),
    Bits("lba", 11, shift=40),
)
_LENGTHS = {PASS_THROUGH_12: 12, PASS_THROUGH_16: 16}


@dataclass(frozen=True, slots=True)
class PassThrough:
    """The fields of an ATA PASS-THROUGH command by the names of SAT-3; all whole numbers."""

    opcode: int  # PASS_THROUGH_12 or PASS_THROUGH_16
    command: int
    protocol: int = NON_DATA
    feature: int = 0
    count: int = 0
    lba: int = 0
    device: int = 0
    ck_cond: int = 0  # 1: return the registers even after success
    t_dir: int = 0  # 1: from the device
    byt_blok: int = 0  # 1: the length counts blocks
    t_length: int = 0  # 0 none, 1 FEATURES, 2 COUNT, 3 transport
    extend: int = 0  # 1: 48-bit registers, 16-byte form only
    multiple_count: int = 0
    off_line: int = 0
    t_type: int = 0
    control: int = 0


def encode_cdb(view: PassThrough) -> bytes:
    """The command block, 12 or 16 bytes; `Misuse` if a field does not fit its place."""
    if view.opcode not in _PLACES:
        raise Misuse(f"opcode {view.opcode:02X}h is no ATA pass-through")
    raw = bytearray(_LENGTHS[view.opcode])
    raw[0] = view.opcode
    _scatter(raw, view, _PLACES[view.opcode] + (_EXTENDED_16 if view.extend else ()))
    if parse_cdb(bytes(raw)) != view:
        raise Misuse(f"a field does not fit its place: {view}")
    return bytes(raw)


def parse_cdb(cdb: bytes) -> PassThrough:
    """The fields of a command block; `Undecodable(MALFORMED)` unless it is a whole one."""
    if not cdb or cdb[0] not in _PLACES:
        raise malformed(f"not an ATA pass-through command; bytes {spell(cdb)}")
    if len(cdb) != _LENGTHS[cdb[0]]:
        raise malformed(f"an ATA pass-through command of the wrong length; bytes {spell(cdb)}")
    extend = cdb[0] == PASS_THROUGH_16 and cdb[1] & 1
    places = _PLACES[cdb[0]] + (_EXTENDED_16 if extend else ())
    return PassThrough(opcode=cdb[0], **_gather(cdb, places))


@dataclass(frozen=True, slots=True)
class AtaReturn:
    """The registers a drive returned. `count` and `lba` have high bytes only with `extend`."""

    count: int
    status: int = ata.READY
    error: int = 0
    device: int = 0
    lba: int = 0
    extend: int = 0


ATA_RETURN = 0x09  # ATA Status Return descriptor; Linux 6.12 libata-scsi.c:241-316
_ATA_RETURN_LENGTH = 0x0C

# Offsets from the descriptor's first byte; Linux 6.12 libata-scsi.c:241-316.
_DESCRIPTOR = (
    Bits("extend", 2, 0, 1),
    Bits("error", 3),
    Bits("count", 5),
    Bits("lba", 7),
    Bits("lba", 9, shift=8),
    Bits("lba", 11, shift=16),
    Bits("device", 12),
    Bits("status", 13),
)
_DESCRIPTOR_EXTENDED = (
    Bits("count", 4, shift=8),
    Bits("lba", 6, shift=24),
    Bits("lba", 8, shift=32),
    Bits("lba", 10, shift=40),
)

# Offsets from the first byte of fixed-format sense data; Linux 6.12 libata-scsi.c:241-316.
_FIXED = (
    Bits("error", 3),
    Bits("status", 4),
    Bits("device", 5),
    Bits("count", 6),
    Bits("extend", 8, 7, 1),
    Bits("lba", 9),
    Bits("lba", 10, shift=8),
    Bits("lba", 11, shift=16),
)
_COUNT_UPPER, _LBA_UPPER = 0x40, 0x20  # byte 8: high bytes are not zero


def find_return(sense: Sense) -> AtaReturn | None:
    """The status return in sense data, None if it holds none; MALFORMED if it contradicts."""
    if sense.fixed:
        return _fixed_return(sense.raw) if sense.code == envelope.ATA_INFORMATION else None
    found = [one for one in sense.descriptors if one[0] == ATA_RETURN]
    if not found:
        return None
    if len(found) > 1:
        raise malformed(f"more than one ATA status return; bytes {spell(sense.raw)}")
    if found[0][1] != _ATA_RETURN_LENGTH:
        raise malformed(f"an ATA status return of the wrong length; bytes {spell(sense.raw)}")
    places = _DESCRIPTOR + (_DESCRIPTOR_EXTENDED if found[0][2] & 1 else ())
    return AtaReturn(**_gather(found[0], places))


def encode_ata_return(
    view: AtaReturn,
    *,
    fixed: bool = False,
    position: int = 0,
    key: int | None = None,
    code: Code | None = None,
) -> bytes:
    """Sense data that carries these registers, as a bridge or kernel would return them.

    `position` is the number of other descriptors before it (descriptor format). Key and code
    default to what libata gives: RECOVERED ERROR 00/1D after success, HARDWARE ERROR 44/00 for a
    device fault, ABORTED COMMAND 00/00 for an error. Old kernels gave key 0 with 00/00 after
    success (Linux commit "Set proper SK when CK_COND is set").
    """
    if view.status & ata.DF:
        usual = (envelope.HARDWARE_ERROR, (0x44, 0x00))
    elif view.status & ata.ERR:
        usual = (envelope.ABORTED_COMMAND, envelope.NO_CODE)
    else:
        usual = (envelope.RECOVERED_ERROR, envelope.ATA_INFORMATION)
    key = usual[0] if key is None else key
    code = usual[1] if code is None else code
    places = _DESCRIPTOR + (_DESCRIPTOR_EXTENDED if view.extend else ())
    raw = bytearray([ATA_RETURN, _ATA_RETURN_LENGTH]) + bytes(_ATA_RETURN_LENGTH)
    _scatter(raw, view, places)
    if AtaReturn(**_gather(raw, places)) != view:
        raise Misuse(f"a register does not fit its place: {view}")
    if fixed:
        raw = bytearray(12)
        _scatter(raw, view, _FIXED)
        raw[8] |= _COUNT_UPPER if view.count >> 8 else 0
        raw[8] |= _LBA_UPPER if view.lba >> 24 else 0
        return envelope.encode_fixed(
            key, code, information=bytes(raw[3:7]), specific=bytes(raw[8:12])
        )
    filler = bytes([0x00, 0x0A]) + bytes(10)  # Information descriptor, SPC-4 4.5.2.2 (from memory)
    return envelope.encode_descriptors(key, code, [filler] * position + [bytes(raw)])


def _gather(raw: bytes | bytearray, places: tuple[Bits, ...]) -> dict[str, int]:
    """Field values out of bytes."""
    found: dict[str, int] = {}
    for place in places:
        part = raw[place.byte] >> place.bit & (1 << place.width) - 1
        found[place.field] = found.get(place.field, 0) | part << place.shift
    return found


def _scatter(raw: bytearray, view: object, places: tuple[Bits, ...]) -> None:
    """Field values into bytes; bits without a place are left out."""
    for place in places:
        part = getattr(view, place.field) >> place.shift & (1 << place.width) - 1
        raw[place.byte] |= part << place.bit


def _fixed_return(raw: bytes) -> AtaReturn:
    """Registers of fixed-format data that is known to carry them."""
    if not any(raw[3:7]) and any(raw[8:12]):
        raise malformed(f"registers from byte 8, where no standard puts them; bytes {spell(raw)}")
    found = _gather(raw, _FIXED)
    if found["extend"]:
        found["count"] |= 0xFF00 if raw[8] & _COUNT_UPPER else 0
        found["lba"] |= 0xFFFFFF000000 if raw[8] & _LBA_UPPER else 0
    return AtaReturn(**found)
