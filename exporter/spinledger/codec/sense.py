"""Sense data, the envelope: fixed (70h, 71h) and descriptor (72h, 73h) format, both directions.

Rules: sense data is taken whole or not at all. Byte 7, ADDITIONAL SENSE LENGTH, says where it
ends (SPC-4 4.5): fewer bytes are MALFORMED, more are padding and dropped. A descriptor that runs
past that end is MALFORMED, and so is fixed data too short to hold the ADDITIONAL SENSE CODE.
VALID, FILEMARK, EOM and ILI do not concern power and are ignored. Clauses are from memory.

Offsets (SPC-4 4.5.2 descriptor, 4.5.3 fixed):

    format      response code  sense key  ASC, ASCQ  length  then
    fixed       0 bits 6:0     2 bits 3:0 12, 13     7       3-6 INFORMATION, 8-11 COMMAND-SPECIFIC
    descriptor  0 bits 6:0     1 bits 3:0 2, 3       7       8- descriptors: type, length, bytes
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from spinledger.codec.octets import malformed, spell
from spinledger.errors import Misuse

NO_SENSE = 0x0
RECOVERED_ERROR = 0x1
HARDWARE_ERROR = 0x4
ILLEGAL_REQUEST = 0x5
ABORTED_COMMAND = 0xB
REFUSALS = (ILLEGAL_REQUEST, ABORTED_COMMAND)

# SPC-4 table "Sense key descriptions", from memory.
KEYS = (
    "NO SENSE",
    "RECOVERED ERROR",
    "NOT READY",
    "MEDIUM ERROR",
    "HARDWARE ERROR",
    "ILLEGAL REQUEST",
    "UNIT ATTENTION",
    "DATA PROTECT",
    "BLANK CHECK",
    "VENDOR SPECIFIC",
    "COPY ABORTED",
    "ABORTED COMMAND",
    "reserved",
    "VOLUME OVERFLOW",
    "MISCOMPARE",
    "COMPLETED",
)

Code = tuple[int, int]  # ASC, ASCQ

NO_CODE: Code = (0x00, 0x00)
ATA_INFORMATION: Code = (0x00, 0x1D)

# Codes that may come instead of a state: Linux 6.12 drivers/scsi/sense_codes.h:27-69, 743-758.
CODES: dict[Code, str] = {
    NO_CODE: "no additional sense information",
    ATA_INFORMATION: "ATA pass-through information available",
    (0x00, 0x1F): "logical unit transitioning to another power condition",
    (0x04, 0x00): "not ready, cause not reportable",
    (0x04, 0x01): "in process of becoming ready",
    (0x04, 0x02): "not ready, initializing command required: stopped by START STOP UNIT",
    (0x04, 0x09): "not ready, self-test in progress",
    (0x04, 0x11): "not ready, NOTIFY (enable spinup) required",
    (0x04, 0x1A): "not ready, START STOP UNIT in progress",
    (0x04, 0x1C): "not ready, additional power use not yet granted",
    (0x5E, 0x00): "low power condition on, not reported which",
    (0x5E, 0x41): "power state change to active: an event, not a condition",
    (0x5E, 0x42): "power state change to idle: an event, not a condition",
    (0x5E, 0x43): "power state change to standby: an event, not a condition",
    (0x5E, 0x45): "power state change to sleep: an event, not a condition",
    (0x5E, 0x47): "power state change to device control: an event, not a condition",
}

_FIXED_CURRENT, _FIXED_DEFERRED, _CURRENT, _DEFERRED = 0x70, 0x71, 0x72, 0x73
_HEAD = 8  # bytes 0-7 stand before what byte 7 counts
_FIXED_LEAST = 14  # bytes up to ASCQ
_FIXED_USUAL = 18


@dataclass(frozen=True, slots=True)
class Sense:
    """Sense data as parsed. `raw` ends where byte 7 says; `descriptors` are whole, in order."""

    fixed: bool
    deferred: bool  # it belongs to an earlier command
    key: int
    code: Code
    descriptors: tuple[bytes, ...]
    raw: bytes

    def __str__(self) -> str:
        asc, ascq = self.code
        name = CODES.get(self.code, "")
        late = "deferred, " if self.deferred else ""
        text = f"{late}key {self.key:X}h {KEYS[self.key]}, code {asc:02X}/{ascq:02X}"
        return f"{text}{' ' + name if name else ''}; bytes {spell(self.raw)}"


def parse(data: bytes) -> Sense:
    """Sense data from its bytes; `Undecodable(MALFORMED)` unless it is whole."""
    if not data:
        raise malformed("no sense data where some was promised")
    form = data[0] & 0x7F
    if form not in (_FIXED_CURRENT, _FIXED_DEFERRED, _CURRENT, _DEFERRED):
        raise malformed(f"response code {form:02X}h is not sense data; bytes {spell(data)}")
    if len(data) < _HEAD or len(data) < _HEAD + data[7]:
        raise malformed(f"sense data cut short; bytes {spell(data)}")
    raw = data[: _HEAD + data[7]]
    if form in (_FIXED_CURRENT, _FIXED_DEFERRED):
        if len(raw) < _FIXED_LEAST:
            raise malformed(f"fixed sense data without an additional code; bytes {spell(raw)}")
        code = (raw[12], raw[13])
        return Sense(True, form == _FIXED_DEFERRED, raw[2] & 0x0F, code, (), raw)
    code = (raw[2], raw[3])
    return Sense(False, form == _DEFERRED, raw[1] & 0x0F, code, _descriptors(raw), raw)


def encode_fixed(
    key: int,
    code: Code,
    *,
    information: bytes | None = None,
    specific: bytes = bytes(4),
    deferred: bool = False,
) -> bytes:
    """18 bytes of fixed format; `information` (4 bytes) sets VALID."""
    _check(key, code)
    if len(information or bytes(4)) != 4 or len(specific) != 4:
        raise Misuse("information and specific are four bytes each")
    out = bytearray(_FIXED_USUAL)
    out[0] = (_FIXED_DEFERRED if deferred else _FIXED_CURRENT) | (0x80 if information else 0)
    out[2] = key
    out[3:7] = information or bytes(4)
    out[7] = _FIXED_USUAL - _HEAD
    out[8:12] = specific
    out[12:14] = bytes(code)
    return bytes(out)


def encode_descriptors(
    key: int, code: Code, descriptors: Sequence[bytes] = (), *, deferred: bool = False
) -> bytes:
    """Descriptor format with whole descriptors in the order given."""
    body = b"".join(descriptors)
    _check(key, code)
    if len(body) > 0xFF:
        raise Misuse(f"{len(body)} bytes of descriptors, more than byte 7 can say")
    head = bytes([_DEFERRED if deferred else _CURRENT, key, *code, 0, 0, 0, len(body)])
    return head + body


def _check(key: int, code: Code) -> None:
    """Refuse to encode what sense data cannot hold."""
    if not 0 <= key <= 0x0F or not all(0 <= one <= 0xFF for one in code):
        raise Misuse(f"no sense data has key {key} and code {code}")


def _descriptors(raw: bytes) -> tuple[bytes, ...]:
    """The descriptors of descriptor-format data that is already known to be whole."""
    found = []
    at = _HEAD
    while at < len(raw):
        end = at + 2 + raw[at + 1] if at + 1 < len(raw) else len(raw) + 1
        if end > len(raw):
            raise malformed(f"a sense descriptor runs past the end; bytes {spell(raw)}")
        found.append(raw[at:end])
        at = end
    return tuple(found)
