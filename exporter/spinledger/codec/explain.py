"""Sense bytes as a person pastes them -> the power state that they report.

Rules: any usual way of writing bytes is read (one argument or many; spaces, commas, colons or
nothing between the bytes; any case; with or without 0x); what is not bytes is `BadHex` with the
fix. Bytes that report no state give the state `unknown`, with the reason.

Sense bytes do not say which command they answer. What is assumed, and where it can mislead:

- With an ATA status return they are read as the answer to CHECK POWER MODE. The sense of another
  ATA command has the same shape: IDENTIFY DEVICE under CK_COND returns the transfer's block
  count in COUNT, 01h, which would read as Standby_y (Linux commit "Set proper SK when CK_COND is
  set").
- ILLEGAL REQUEST, ABORTED COMMAND, or code 00/1D, without a status return: the sense of a
  CHECK POWER MODE that was refused or lost its registers: `rejected` or `no_registers`.
- All else is read as REQUEST SENSE parameter data of a SCSI drive. So NO SENSE 00/00 says
  active_or_idle, though a silent bridge may give the same eight bytes as sense for a SATA drive.
- A status byte, data and host status are not among the bytes; they are taken to be in order.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from spinledger.codec import reply, sat, scsi
from spinledger.codec import sense as envelope
from spinledger.errors import BadHex, Undecodable

_ATA = "ACS-3 CHECK POWER MODE, by its ATA status return (SAT-3)"
_SCSI = "SPC-4 REQUEST SENSE parameter data"
EXAMPLE = "72 01 00 1d 00 00 00 0e 09 0c 00 00 00 00 00 00 00 00 00 00 00 50"
"""Sense data with the ATA registers of a drive in standby (SAT-3, ATA Status Return)."""
_EXAMPLE = f"give sense bytes as two hexadecimal digits each, such as {EXAMPLE}"


def decode_hex(args: Sequence[str]) -> dict[str, str | None]:
    """What sense bytes say, as JSON types.

    Keys: `state` (active_or_idle, idle, standby, unknown), `condition` (idle_a to standby_z, or
    None), `reason` (why unknown, beginning with a `model.Reason`; "" for a state) and `source` (the
    clause that says so; for unknown the one by which the bytes were read, "" if none).
    """
    data = _bytes(args)
    source = ""
    try:
        sense = envelope.parse(data)
        by_ata = _answers_ata(sense)
        source = _ATA if by_ata else _SCSI
        reported = reply.judge_ata(sense) if by_ata else scsi.decode_power_sense(sense)
    except Undecodable as error:
        reason = f"{error.reason}: {error.detail}"
        return {"state": "unknown", "condition": None, "reason": reason, "source": source}
    condition = None if reported.condition is None else reported.condition.value
    return {
        "state": reported.mode.value,
        "condition": condition,
        "reason": "",
        "source": reported.clause,
    }


def _answers_ata(sense: envelope.Sense) -> bool:
    """True when the bytes are to be read as the answer to CHECK POWER MODE; see the rules above."""
    if sense.key in envelope.REFUSALS or sense.code == envelope.ATA_INFORMATION:
        return True
    return any(one[0] == sat.ATA_RETURN for one in sense.descriptors)


def _bytes(args: Sequence[str]) -> bytes:
    """The bytes of the arguments; `BadHex` names the word that is none."""
    out = bytearray()
    for word in re.split(r"[\s,:]+", " ".join(args)):
        digits = re.sub(r"^0[xX]", "", word)
        if word and not re.fullmatch(r"[0-9A-Fa-f]+", digits):
            raise BadHex("decode", f"{word[:40]!r} is not hexadecimal", _EXAMPLE)
        if len(digits) % 2:
            raise BadHex("decode", f"{word[:40]!r} has an odd number of digits", _EXAMPLE)
        out += bytes.fromhex(digits)
    if not out:
        raise BadHex("decode", "there are no bytes", _EXAMPLE)
    return bytes(out)
