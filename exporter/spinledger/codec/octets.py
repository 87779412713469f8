"""Bytes as text: for errors, and for the text fields of drives."""

from __future__ import annotations

from spinledger.errors import Undecodable
from spinledger.model import Reason


def spell(data: bytes) -> str:
    """Bytes as upper-case hexadecimal, one space between; `none` for no bytes."""
    return data.hex(" ").upper() or "none"


def printable(data: bytes) -> str:
    """The printable ASCII characters, without spaces around them."""
    return "".join(chr(one) for one in data if 0x20 <= one <= 0x7E).strip()


def malformed(detail: str) -> Undecodable:
    """The error for bytes that are truncated or contradict themselves."""
    return Undecodable(Reason.MALFORMED, detail)
