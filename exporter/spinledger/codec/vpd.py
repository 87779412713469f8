"""Vital product data pages as the kernel keeps them in sysfs (vpd_pg80, vpd_pg83, vpd_pgb1).

Rules: reading them sends nothing to a drive. A page is taken whole: byte 1 is its code, bytes 2-3
its length beyond the first four; less is MALFORMED, more is dropped. The layouts (SPC-4 7.8 and
SBC-3 6.6.2) are from memory.
"""

from __future__ import annotations

from spinledger.codec.octets import malformed, printable, spell

_HEAD = 4

# SPC-4 7.8.6 designation descriptor: byte 0 bits 3:0 code set, byte 1 bits 5:4 association and
# 3:0 designator type, byte 3 length.
_BINARY = 1
_LOGICAL_UNIT = 0
_NAA = 3
_NAA_LENGTHS = {2: 8, 3: 8, 5: 8, 6: 16}  # NAA field, bits 7:4 of the designator: its bytes


def page_body(page: bytes, code: int) -> bytes:
    """The page with padding removed, its four head bytes included."""
    if len(page) < _HEAD or len(page) < _HEAD + int.from_bytes(page[2:4], "big"):
        raise malformed(f"VPD page {code:02X}h cut short at {len(page)} bytes")
    if page[1] != code:
        raise malformed(f"VPD page {page[1]:02X}h where {code:02X}h was expected")
    return page[: _HEAD + int.from_bytes(page[2:4], "big")]


def serial_number(page: bytes) -> str:
    """The unit serial number, page 80h: printable ASCII, stripped. SPC-4 7.8.16."""
    return printable(page_body(page, 0x80)[_HEAD:])


def world_wide_name(page: bytes) -> str | None:
    """The logical unit's first NAA designator in page 83h, as 0x and digits; None if none.

    8 bytes for NAA 2, 3 and 5, 16 for NAA 6; names of another length are passed over, and so are
    those of a port or target. SPC-4 7.8.6.
    """
    body = page_body(page, 0x83)
    at = _HEAD
    while at < len(body):
        end = at + 4 + body[at + 3] if at + 3 < len(body) else len(body) + 1
        if end > len(body):
            raise malformed(f"a designator runs past the end of VPD page 83h; bytes {spell(body)}")
        name = body[at + 4 : end]
        kind = (body[at] & 0x0F, body[at + 1] >> 4 & 3, body[at + 1] & 0x0F)
        fits = bool(name) and len(name) == _NAA_LENGTHS.get(name[0] >> 4)
        if kind == (_BINARY, _LOGICAL_UNIT, _NAA) and fits:
            return f"0x{name.hex()}"
        at = end
    return None


def rotation_rate(page: bytes) -> int:
    """MEDIUM ROTATION RATE, bytes 4-5 of page B1h, for `identify.rotation`. SBC-3 6.6.2."""
    body = page_body(page, 0xB1)
    if len(body) < _HEAD + 2:
        raise malformed("VPD page B1h too short to hold a rotation rate")
    return int.from_bytes(body[4:6], "big")
