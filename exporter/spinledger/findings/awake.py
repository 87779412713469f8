"""How long the disk stayed idle and awake since it last slept, and when it was last in use.

Rules of this room: pure; folds over stretches; nanoseconds inside. Idle is what the disk was
observed to be: a time in which it was unobserved or unknown ends a run.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, cast

from spinledger.facts import Awake
from spinledger.model import MINUTE, Entry, Policy, State, Stretch

MUCH_SECTORS = 32_768
MUCH_NS = 10 * MINUTE
"""A disk is in use where 16 MiB move within 10 minutes: a film or a slow backup moves more, what
checks or logs something every few minutes moves less; common practice, no source."""


@dataclass(frozen=True, slots=True)
class _Known:
    """Boot-clock nanoseconds; None: never."""

    watched_ns: int | None = None  # since when stretches are known
    slept_ns: int | None = None  # when it was last seen in standby
    run_ns: int | None = None  # when the open idle run began
    longest_ns: int = 0  # the longest idle run since it last slept: its length
    came_back_ns: int | None = None  # observed again before that run
    maybe_ns: int | None = None  # the newest such moment, whatever follows


class SinceSleep:
    """Fold: the time since the disk was last seen in standby."""

    eats: tuple[type, ...] = (Stretch,)

    def __init__(self) -> None:
        self._known = _Known()

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one stretch."""
        self._known = _after(self._known, cast(Stretch, entry))

    def totals(self, pending: Stretch) -> Awake | None:
        """The figures as of the end of the open stretch."""
        known, now_ns = _after(self._known, pending), pending.ended_ns
        since = known.watched_ns if known.slept_ns is None else known.slept_ns
        if since is None:
            return None
        back = known.came_back_ns
        return Awake(
            longest_idle_ns=known.longest_ns,
            lasted_ns=max(0, now_ns - since),
            slept=known.slept_ns is not None,
            watched_ns=max(0, now_ns - (known.watched_ns or 0)),
            came_back_ns=None if back is None else max(0, now_ns - back),
        )

    def rebase(self, offset_ns: int) -> None:
        """Move the kept times to another boot's clock."""
        known = self._known
        names = ("watched_ns", "slept_ns", "run_ns", "came_back_ns", "maybe_ns")
        moved = {name: getattr(known, name) for name in names}
        self._known = replace(
            known, **{name: at + offset_ns for name, at in moved.items() if at is not None}
        )

    def dump(self) -> object:
        """The kept times as a list, in the order of their names."""
        return [getattr(self._known, name) for name in _Known.__slots__]

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        self._known = _Known(*dumped)


def _after(known: _Known, stretch: Stretch) -> _Known:
    state = stretch.state
    if stretch.ended_ns <= stretch.began_ns:
        return known
    if known.watched_ns is None:
        known = replace(known, watched_ns=stretch.began_ns)
    if state is State.STANDBY:
        return _Known(watched_ns=known.watched_ns, slept_ns=stretch.ended_ns)
    if state is State.IDLE:
        run_ns = stretch.began_ns if known.run_ns is None else known.run_ns
        longest = max(known.longest_ns, stretch.ended_ns - run_ns)
        back = known.maybe_ns if longest > known.longest_ns else known.came_back_ns
        return replace(known, run_ns=run_ns, longest_ns=longest, came_back_ns=back)
    if state is State.UNOBSERVED:
        return replace(known, run_ns=None, maybe_ns=stretch.ended_ns)
    return replace(known, run_ns=None)


class LastUse:
    """Fold: when others last moved much (`MUCH_SECTORS` within `MUCH_NS`).

    Intervals of `MUCH_NS` follow one another on the wall clock. A stretch counts where it ended,
    one that is longer than an interval by its pace.
    """

    eats: tuple[type, ...] = (Stretch,)

    def __init__(self) -> None:
        self._interval = 0  # its number
        self._sectors = 0  # moved in it
        self._used_wall_ns: int | None = None

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one stretch."""
        self._interval, self._sectors, self._used_wall_ns = self._after(cast(Stretch, entry))

    def _after(self, stretch: Stretch) -> tuple[int, int, int | None]:
        sectors = stretch.sectors_read + stretch.sectors_written
        if not sectors:
            return self._interval, self._sectors, self._used_wall_ns
        used = stretch.ended_ns + stretch.wall_offset_ns
        interval = used // MUCH_NS
        length = max(stretch.ended_ns - stretch.began_ns, MUCH_NS)
        sectors = sectors * MUCH_NS // length
        if interval == self._interval:
            sectors += self._sectors
        return interval, sectors, used if sectors >= MUCH_SECTORS else self._used_wall_ns

    def totals(self, pending: Stretch) -> int | None:
        """Wall time, nanoseconds, as of the end of the open stretch; None: never."""
        return self._after(pending)[2]

    def rebase(self, offset_ns: int) -> None:
        """Nothing to move: times are of the wall clock."""

    def dump(self) -> object:
        """Number of the interval, its sectors, and the wall time of the last use."""
        return [self._interval, self._sectors, self._used_wall_ns]

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        self._interval, self._sectors, self._used_wall_ns = dumped
