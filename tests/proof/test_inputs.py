"""Bad input is refused by typed errors; `python -m tests.proof inputs` runs a million cases each.

The inputs are random: no source but the rule that nothing from outside ends the program.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from random import Random
from unittest.mock import patch

import pytest

from tests.proof import inputs
from tests.proof.inputs import Case, run
from tests.proof.seeds import INPUTS

CASES = dict.fromkeys(INPUTS, 3000) | {"configuration": 500, "ledger": 150, "http": 500}


@pytest.mark.parametrize("name", INPUTS)
def test_every_case_is_accepted_or_refused(name: str) -> None:
    """No other error leaves a reader, and none takes ten seconds."""
    ran = run(name, CASES[name])
    print(ran.line())
    assert ran.crashes == []
    assert ran.cases == CASES[name]
    assert 0 < ran.outcomes["accepted"] < ran.cases


@contextmanager
def failing() -> Iterator[Case]:
    """A reader that has a bug, and one that does not end."""

    def case(dice: Random) -> str:
        if dice.random() < 0.5:
            raise KeyError("a bug")
        while True:
            pass

    yield case


def test_crashes_and_hangs_are_found() -> None:
    """Both are counted, with the number of the case."""
    with patch.dict(INPUTS, {"failing": failing}), patch.object(inputs, "HANG_S", 0.02):
        ran = run("failing", 6)
    assert len(ran.crashes) == ran.cases == 6
    assert any("KeyError: 'a bug'" in crash for crash in ran.crashes)
    assert any("Hang" in crash for crash in ran.crashes)
