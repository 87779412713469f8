"""How the last complete quiet window went: the share asleep, and the share that was observed.

Rules of this room: pure; a fold over stretches, whose `quiet` flag says on which side of a
window's boundary they lie; nanoseconds inside. A window belongs to the schedule under which it was
recorded: where another schedule comes into force, the open window is dropped, and the last
complete one stays until the new schedule has one.
"""

from __future__ import annotations

from typing import Any, NamedTuple, cast

from spinledger import facts
from spinledger.model import Entry, Policy, State, Stretch


class _Kept(NamedTuple):
    schedule: str  # under which the open window was recorded
    opened: bool  # the time before the open window was outside quiet hours
    asleep_ns: int
    observed_ns: int
    recorded_ns: int
    ended_wall_ns: int  # of the open window's last stretch
    last: facts.QuietWindow | None


class QuietWindows:
    """Fold: how much of the last complete quiet window the disk slept, and how much was observed.

    There is none until a window has been followed from its beginning to its end. It is complete
    once time outside quiet hours follows it. Unknown time does not count as observed: nobody
    knows whether the disk slept.
    """

    eats: tuple[type, ...] = (Stretch,)

    def __init__(self) -> None:
        self._kept = _Kept("", False, 0, 0, 0, 0, None)

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one stretch."""
        self._kept = _after(self._kept, cast(Stretch, entry), policy)

    def totals(self, pending: Stretch, policy: Policy) -> facts.QuietWindow | None:
        """The last complete window as of the open stretch."""
        return _after(self._kept, pending, policy).last

    def rebase(self, offset_ns: int) -> None:
        """Nothing to move: no boot-clock times are kept."""

    def dump(self) -> object:
        """The open window and the last one as lists."""
        *open_window, last = self._kept
        return [*open_window, None if last is None else list(last)]

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        *open_window, last = dumped
        window = None if last is None else facts.QuietWindow(*last)
        self._kept = _Kept._make((*open_window, window))


def _after(kept: _Kept, stretch: Stretch, policy: Policy) -> _Kept:
    length = stretch.ended_ns - stretch.began_ns
    if length <= 0:
        return kept
    schedule = "" if policy.schedule is None else policy.schedule.text
    if schedule != kept.schedule:
        kept = _Kept(schedule, False, 0, 0, 0, 0, kept.last)
    if stretch.quiet:
        known = stretch.state is State.STANDBY or stretch.state.spinning
        return kept._replace(
            asleep_ns=kept.asleep_ns + (length if stretch.state is State.STANDBY else 0),
            observed_ns=kept.observed_ns + (length if known else 0),
            recorded_ns=kept.recorded_ns + length,
            ended_wall_ns=stretch.ended_ns + stretch.wall_offset_ns,
        )
    last = kept.last
    if kept.opened and kept.recorded_ns:
        last = facts.QuietWindow(
            kept.asleep_ns, kept.observed_ns, kept.recorded_ns, kept.ended_wall_ns
        )
    return _Kept(schedule, True, 0, 0, 0, 0, last)
