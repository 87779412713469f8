"""Reports of smartctl, changed at random, through the reader that the cross-check uses."""

from __future__ import annotations

import random
from collections import Counter
from unittest.mock import patch

from spinledger.device import smartctl
from spinledger.device.smartctl import Trouble
from spinledger.ports import TROUBLES
from tests.integration.test_cross_check import REPORT
from tests.proof.mutating import changed_text

ODD = (
    "\0",
    "\x1b[2J",
    "9" * 40,
    "-1",
    "0x7f",
    "é",
    "\u202e",
    " " * 300,
    "ID# ATTRIBUTE_NAME",
    "\n",
)


def report(dice: random.Random) -> str:
    """The report, changed one to six times."""
    return changed_text(REPORT, dice, ODD)


def read(text: str, status: int = 0) -> str:
    """`values`, or the trouble; anything else is raised."""
    with patch.object(smartctl, "launch", lambda *_: (text, status)):
        try:
            smartctl.read("/x/smartctl", 1.0, "sat", "sda", "")
        except Trouble as trouble:
            if trouble.reason not in TROUBLES:
                raise AssertionError(trouble.reason) from trouble
            return trouble.reason
    return "values"


def outcomes(cases: int, dice: random.Random) -> Counter[str]:
    """How often each came of so many reports; `crashed` is any other error."""
    found: Counter[str] = Counter()
    for _ in range(cases):
        try:
            found[read(report(dice), dice.choice((0, 0, 0, 1, 2, 3, 4, 64, -9)))] += 1
        except Exception:
            found["crashed"] += 1
    return found
