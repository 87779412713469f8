"""LOG SENSE and MODE SENSE (10): the command blocks, both directions.

Rules: only reading forms are built. PAGE CONTROL is cumulative values for a log page (01b) and
current values for a mode page (00b); SP, which would save parameters, and PPC stay clear. Keep this
module light: the prober loads it.

    LOG SENSE        0 opcode, 1 SP PPC, 2 PC 7:6 page 5:0, 3 subpage, 5-6 parameter pointer,
                     7-8 allocation length, 9 control                          (SPC-4 6.7)
    MODE SENSE (10)  0 opcode, 1 LLBAA 4 DBD 3, 2 PC 7:6 page 5:0, 3 subpage,
                     7-8 allocation length, 9 control                          (SPC-4 6.12)

Clause numbers from memory; layouts as in the SCSI Commands Reference Manual.
"""

from __future__ import annotations

from dataclasses import dataclass

from spinledger.codec.octets import malformed, spell
from spinledger.errors import Misuse

LOG_SENSE = 0x4D
MODE_SENSE_10 = 0x5A
ALLOCATION = 252  # bytes; the pages we read have 60 at most

START_STOP_CYCLES = 0x0E  # log pages
TRANSITIONS = 0x1A
POWER_CONDITION = 0x1A  # mode page

_CUMULATIVE, _CURRENT = 0x40, 0x00
_DISABLE_BLOCK_DESCRIPTORS = 0x08
_CDB_LENGTH = 10
_CONTROLS = {LOG_SENSE: (0x00, _CUMULATIVE), MODE_SENSE_10: (_DISABLE_BLOCK_DESCRIPTORS, _CURRENT)}


@dataclass(frozen=True, slots=True)
class PageRead:
    """What one of the two commands reads."""

    opcode: int  # LOG_SENSE or MODE_SENSE_10
    page: int  # 00h-3Fh
    allocation: int = ALLOCATION  # bytes


def encode_page_read(view: PageRead) -> bytes:
    """The 10-byte command block; `Misuse` if a field does not fit."""
    if view.opcode not in _CONTROLS or not 0 <= view.page <= 0x3F:
        raise Misuse(f"no page is read by {view}")
    if not 0 <= view.allocation <= 0xFFFF:
        raise Misuse(f"allocation length {view.allocation} does not fit two bytes")
    first, control = _CONTROLS[view.opcode]
    head = bytes([view.opcode, first, control | view.page, 0, 0, 0, 0])
    return head + view.allocation.to_bytes(2, "big") + b"\0"


def parse_page_read(cdb: bytes) -> PageRead:
    """The fields of a command block; `Undecodable(MALFORMED)` unless it is one that we build."""
    if len(cdb) == _CDB_LENGTH and cdb[0] in _CONTROLS:
        view = PageRead(cdb[0], cdb[2] & 0x3F, int.from_bytes(cdb[7:9], "big"))
        if encode_page_read(view) == cdb:
            return view
    raise malformed(f"not a LOG SENSE or MODE SENSE command that is built here; bytes {spell(cdb)}")
