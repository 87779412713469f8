"""Whether a stop lost anything: every constellation of file, mark and live journal.

Source: the rule is stated in the ledger's own documentation: counters go on only if it can be
shown that nothing is missing. No outside source.
"""

from __future__ import annotations

import pytest

from spinledger.model import SECOND
from spinledger.store.beside import Found, Mark, judge
from spinledger.store.live import Left, Opening, Part
from spinledger.store.schema import VERSION, Meta

WALL = 1_767_225_605 * SECOND  # 2026-01-01 00:00:05 UTC
CUT = "nothing was kept after 2026-01-01 00:00:05 UTC (power cut, or a kill without a live journal)"
OLDER = "an older copy of the ledger was put in place"
OTHER = "another ledger was put in place"


def head(number: int, clean: bool, id: str = "a") -> Found:
    """A file read whole."""
    return Found(Meta(VERSION, id, number, 1, WALL, 1, "boot", int(clean)))


def left(number: int, *handed: int, id: str = "a", whole: bool = False) -> Left:
    """A live journal over a commit, with commits handed over since."""
    parts = [Part([number]), *(Part([one]) for one in handed)]
    return Left(Opening(id, number, "boot", 0, 0, whole, 0), 0, 0, parts)


def mark(number: int, open: bool, id: str = "a") -> Mark:
    """A mark."""
    return Mark(id, number, open, 0)


@pytest.mark.parametrize(
    ("found", "seen", "journal", "lost", "used"),
    [
        pytest.param(Found(), None, None, "", False, id="a new ledger"),
        pytest.param(Found(), mark(3, True), None, "the ledger is gone", False, id="deleted"),
        pytest.param(Found(), None, left(0, whole=True), "", True, id="never written"),
        pytest.param(
            Found(),
            mark(3, True),
            left(3),
            "the ledger is gone; what the live journal had was kept",
            True,
            id="deleted, same boot",
        ),
        pytest.param(head(5, False), mark(2, True), left(5), "", True, id="killed"),
        pytest.param(head(6, False), mark(2, True), left(5, 6), "", True, id="killed in a commit"),
        pytest.param(head(5, False), mark(2, True), left(5, 6), "", True, id="before it was done"),
        pytest.param(head(5, False), mark(2, True), None, CUT, False, id="power cut"),
        pytest.param(head(2, True), mark(2, True), None, CUT, False, id="cut before a commit"),
        pytest.param(head(5, False), None, None, CUT, False, id="copied while in use"),
        pytest.param(head(5, True), mark(5, False), None, "", False, id="orderly stop"),
        pytest.param(head(5, True), None, None, "", False, id="moved to another host"),
        pytest.param(head(4, True), mark(5, False), None, OLDER, False, id="older backup"),
        pytest.param(head(4, True), mark(5, True), left(6), OLDER, False, id="older, same boot"),
        pytest.param(head(9, True, "b"), mark(5, False), None, OTHER, False, id="another"),
        pytest.param(head(9, True, "b"), None, left(6), OTHER, False, id="another, same boot"),
        pytest.param(head(9, True), mark(5, False), None, CUT, False, id="newer than the mark"),
        pytest.param(head(9, False), mark(5, True), left(6), CUT, False, id="journal left behind"),
    ],
)
def test_only_what_can_be_shown_is_not_lost(
    found: Found, seen: Mark | None, journal: Left | None, lost: str, used: bool
) -> None:
    """Counters go on only when journal, or mark and orderly stop, prove that nothing is missing."""
    assert judge(found, seen, journal) == (lost, used)


def test_damage_and_refusal_are_in_words() -> None:
    """A damaged file is always a loss; an unreadable one is none if the journal holds all."""
    lost, used = judge(Found(damaged=True), None, left(5))
    assert used
    assert "damaged" in lost
    assert judge(Found(unusable="no permission"), None, None) == (
        "the ledger cannot be read (no permission)",
        False,
    )
    assert judge(Found(unusable="no permission"), None, left(0, whole=True)) == ("", True)
