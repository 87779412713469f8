"""Whether a stop lost anything, from what was found at the start. Pure.

Rules: nothing was lost only if that can be shown: the live journal is of this boot and names the
file's last commit; or the last commit was that of an orderly stop and the mark agrees; or there
never was a ledger here. Anything else is told in words, and exported counters restart from zero.
What cannot be noticed: a folder put back whole, mark included, to an orderly stop of earlier days.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from spinledger.model import SECOND
from spinledger.store.beside import Mark
from spinledger.store.file import Head
from spinledger.store.live import Left


@dataclass(frozen=True, slots=True)
class Found:
    """The file at the start: its head when it was read whole, else why not.

    `damaged`: it is there and not whole, and `salvaged` rows of it are. `unusable`: it may be
    there, and the system does not let us see.
    """

    head: Head | None = None
    damaged: bool = False
    salvaged: int = 0
    unusable: str = ""


def judge(found: Found, mark: Mark | None, left: Left | None) -> tuple[str, bool]:
    """Why exported counters restart ("" when they need not), and whether the journal is used."""
    if found.unusable:
        whole = left is not None and left.opening.whole
        return "" if whole else f"the ledger cannot be read ({found.unusable})", whole
    if found.damaged:
        lost = f"the ledger was damaged and is set aside; {found.salvaged} of its rows were whole"
        return lost, left is not None and (found.head is None or _continues(found.head, left))
    if found.head is None:
        return _absent(mark, left)
    return _read(found.head, mark, left)


def _absent(mark: Mark | None, left: Left | None) -> tuple[str, bool]:
    if left is not None and left.opening.whole:
        return "", True
    if left is not None:
        return "the ledger is gone; what the live journal had was kept", True
    return ("the ledger is gone" if mark is not None else ""), False


def _read(head: Head, mark: Mark | None, left: Left | None) -> tuple[str, bool]:
    if left is not None:
        if _continues(head, left):
            return "", True
        if left.opening.id != head.id:
            return "another ledger was put in place", False
        if head.number < left.opening.number:
            return "an older copy of the ledger was put in place", False
    if mark is not None and mark.id != head.id:
        return "another ledger was put in place", False
    if mark is not None and head.number < mark.number:
        return "an older copy of the ledger was put in place", False
    if mark is None or (not mark.open and mark.number == head.number):
        return ("" if head.clean or not head.number else _cut(head)), False
    return _cut(head), False


def _continues(head: Head, left: Left) -> bool:
    return left.opening.id == head.id and head.number in left.numbers()


def _cut(head: Head) -> str:
    if not head.wall_ns:
        return "nothing was kept of the last run (power cut, or a kill without a live journal)"
    moment = datetime.fromtimestamp(head.wall_ns // SECOND, UTC)
    return (
        f"nothing was kept after {moment:%Y-%m-%d %H:%M:%S} UTC "
        "(power cut, or a kill without a live journal)"
    )
