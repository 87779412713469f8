"""The share of a quiet window slept, by hand."""

from __future__ import annotations

import json

from spinledger.model import HOUR, State, Stretch
from spinledger.quiet.window import QuietWindow


def stretch(state: State, quiet: bool, began_h: int, ended_h: int) -> Stretch:
    """Time in a state, in hours."""
    return Stretch("sim-1", state, quiet, began_h * HOUR, ended_h * HOUR)


NIGHT = [
    stretch(State.IDLE, False, 0, 22),
    stretch(State.IDLE, True, 22, 23),
    stretch(State.STANDBY, True, 23, 28),
    stretch(State.UNOBSERVED, True, 28, 30),
    stretch(State.STANDBY, False, 30, 31),
]


def test_a_night_by_hand() -> None:
    """Of 8 h, 5 slept and 2 unseen: 5/8 asleep, 6/8 observed."""
    fold = QuietWindow()
    for entry in NIGHT:
        fold.step(entry)
    totals = fold.totals(())
    assert totals["quiet_window_asleep_ratio"] == {(): 0.625}
    assert totals["quiet_window_observed_ratio"] == {(): 0.75}


def test_a_window_joined_late_is_not_judged() -> None:
    """When watching began inside the window there is no ratio until the next one is over."""
    fold = QuietWindow()
    for entry in NIGHT[1:]:
        fold.step(entry)
    assert fold.totals(())["quiet_window_asleep_ratio"] == {}


def test_the_open_stretch_completes_a_window_and_a_dump_changes_nothing() -> None:
    """Once the open stretch lies outside quiet hours the window counts, also after a restart."""
    fold = QuietWindow()
    for entry in NIGHT[:-1]:
        fold.step(entry)
    again = QuietWindow()
    again.load(json.loads(json.dumps(fold.dump())))
    assert again.totals(())["quiet_window_asleep_ratio"] == {}
    assert again.totals(NIGHT[-1:])["quiet_window_asleep_ratio"] == {(): 0.625}
