"""The transition table: every pair of state and evidence, the bookings, the diagram.

Source: the meaning of the replies is that of CHECK POWER MODE (count 00h is Standby, FFh is Active
or Idle: Ultrastar HC580 specification, p138); that a spin-up is the step from standby to spinning
is common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from spinledger.errors import IllegalTransition
from spinledger.ledger.table import TABLE, TRANSITIONS, diagram, follow
from spinledger.model import Evidence, State

ILLEGAL = {(state, Evidence.EXPIRED) for state in State if state is not State.IDLE}


@pytest.mark.parametrize("state", list(State))
@pytest.mark.parametrize("evidence", list(Evidence))
def test_every_pair_has_a_row_or_is_illegal(state: State, evidence: Evidence) -> None:
    """Exactly the pairs that cannot occur raise."""
    if (state, evidence) in ILLEGAL:
        with pytest.raises(IllegalTransition):
            follow(state, evidence)
    else:
        assert follow(state, evidence).because


def test_a_cycle_is_standby_to_spinning_and_nothing_else() -> None:
    """A spin-up is recorded on exactly the rows that leave standby for a spinning state."""
    for (state, evidence), row in TABLE.items():
        assert row.cycle == (state is State.STANDBY and row.after.spinning), (state, evidence)


@pytest.mark.parametrize("state", list(State))
def test_only_the_drives_word_leads_to_standby(state: State) -> None:
    """No evidence but the drive's own word books a stopped motor."""
    for evidence in Evidence:
        row = TABLE.get((state, evidence))
        if row is not None and row.after is State.STANDBY and state is not State.STANDBY:
            assert evidence is Evidence.REPORTED_STANDBY


@pytest.mark.parametrize("state", list(State))
def test_movement_always_means_active(state: State) -> None:
    """Moving sectors prove that the platters turn, whatever was believed."""
    assert follow(state, Evidence.MOVED).after is State.ACTIVE


def test_diagram_has_every_transition() -> None:
    """The drawn diagram and the table hold the same arrows."""
    arrows = {line.strip().split(":")[0] for line in diagram().splitlines()[1:]}
    assert arrows == {f"{before.value} --> {after.value}" for before, after in TRANSITIONS}


def test_the_contributors_guide_shows_this_diagram() -> None:
    """DEVELOPERS.md holds the drawing as the table makes it."""
    guide = Path(__file__).parents[3] / "DEVELOPERS.md"
    assert diagram() in guide.read_text(encoding="utf-8")
