"""The share of a quiet window slept, by hand."""

from __future__ import annotations

import json
from collections.abc import Sequence

from spinledger.facts import QuietWindow
from spinledger.model import HOUR, Policy, State, Stretch
from spinledger.quiet.window import QuietWindows
from spinledger.schedule import Schedule, Window

OFFSET = 1000 * HOUR
NIGHTS = Policy(schedule=Schedule("nights", "UTC", (Window(0, 1320, 1, 360),)))
OTHERS = Policy(schedule=Schedule("others", "UTC", (Window(0, 1320, 1, 360),)))


def stretch(state: State, quiet: bool, began_h: int, ended_h: int) -> Stretch:
    """Time in a state, in hours."""
    return Stretch("sim-1", state, quiet, began_h * HOUR, ended_h * HOUR, wall_offset_ns=OFFSET)


NIGHT = [
    stretch(State.IDLE, False, 0, 22),
    stretch(State.IDLE, True, 22, 23),
    stretch(State.STANDBY, True, 23, 28),
    stretch(State.UNOBSERVED, True, 28, 30),
    stretch(State.STANDBY, False, 30, 31),
]
LAST = QuietWindow(5 * HOUR, 6 * HOUR, 8 * HOUR, 30 * HOUR + OFFSET)


def followed(entries: Sequence[Stretch]) -> QuietWindows:
    """The fold after these stretches."""
    fold = QuietWindows()
    for entry in entries:
        fold.step(entry, NIGHTS)
    return fold


def test_a_night_by_hand() -> None:
    """Of 8 h, 5 slept and 2 unobserved: 5/8 asleep, 6/8 observed; it ended at 30 h."""
    last = followed(NIGHT).totals(stretch(State.IDLE, False, 31, 31), NIGHTS)
    assert last == LAST
    assert (LAST.asleep_ratio, LAST.observed_ratio) == (0.625, 0.75)


def test_a_window_joined_late_is_not_judged() -> None:
    """When watching began inside the window there is no ratio until the next one is over."""
    assert followed(NIGHT[1:-1]).totals(NIGHT[-1], NIGHTS) is None


def test_the_open_stretch_completes_a_window_and_a_dump_changes_nothing() -> None:
    """Once the open stretch lies outside quiet hours the window counts, also after a restart."""
    again = QuietWindows()
    again.load(json.loads(json.dumps(followed(NIGHT[:-1]).dump())))
    assert again.totals(stretch(State.STANDBY, True, 30, 30), NIGHTS) is None
    assert again.totals(NIGHT[-1], NIGHTS) == LAST


def test_another_schedule_drops_the_open_window_and_keeps_the_last() -> None:
    """A window begun under one schedule is not judged under another; the last complete one is."""
    fold = followed(NIGHT)
    fold.step(stretch(State.STANDBY, True, 46, 50), NIGHTS)
    fold.step(stretch(State.IDLE, True, 50, 54), OTHERS)
    assert fold.totals(stretch(State.IDLE, False, 54, 60), OTHERS) == LAST
    for entry in (
        stretch(State.IDLE, False, 54, 60),
        stretch(State.STANDBY, True, 60, 64),
        stretch(State.IDLE, False, 64, 65),
    ):
        fold.step(entry, OTHERS)
    last = fold.totals(stretch(State.IDLE, False, 65, 65), OTHERS)
    assert last == QuietWindow(4 * HOUR, 4 * HOUR, 4 * HOUR, 64 * HOUR + OFFSET)
