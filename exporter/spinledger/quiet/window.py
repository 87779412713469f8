"""How the last complete quiet window went: the share slept, and the share that was seen.

Rules of this room: pure; a fold over stretches, whose `quiet` flag says on which side of a
window's boundary they lie; nanoseconds inside.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from spinledger.errors import Misuse
from spinledger.model import Entry, Labels, Number, State, Stretch


class QuietWindow:
    """Fold: how much of the last complete quiet window the disk slept, and how much was seen.

    Keys `quiet_window_asleep_ratio` and `quiet_window_observed_ratio`, both of the window's
    booked time; absent until a window has been followed from its beginning to its end. A window
    is complete once time outside quiet hours follows it. Unknown time was looked at and counts as
    observed no more than unobserved time does: nobody knows whether the disk slept.
    """

    name = "quiet_window"
    eats: tuple[type, ...] = (Stretch,)
    gauges: frozenset[str] = frozenset({"quiet_window_asleep_ratio", "quiet_window_observed_ratio"})

    def __init__(self) -> None:
        self._opened = False  # the time before the open window was outside quiet hours
        self._open = (0, 0, 0)  # asleep, observed, booked: nanoseconds
        self._last: tuple[int, int, int] | None = None

    def step(self, entry: Entry) -> None:
        """Take one stretch."""
        if isinstance(entry, Stretch):
            self._opened, self._open, self._last = self._after(entry)

    def _after(
        self, stretch: Stretch
    ) -> tuple[bool, tuple[int, int, int], tuple[int, int, int] | None]:
        length = stretch.ended_ns - stretch.began_ns
        if length <= 0:
            return self._opened, self._open, self._last
        asleep, observed, recorded = self._open
        if stretch.quiet:
            asleep += length if stretch.state is State.STANDBY else 0
            known = stretch.state is State.STANDBY or stretch.state.spinning
            observed += length if known else 0
            return self._opened, (asleep, observed, recorded + length), self._last
        last = self._open if self._opened and recorded else self._last
        return True, (0, 0, 0), last

    def totals(self, pending: Sequence[Entry]) -> Mapping[str, Mapping[Labels, Number]]:
        """The two ratios, 0 to 1; empty mappings until there is a complete window."""
        last = self._last
        for entry in pending:
            if isinstance(entry, Stretch):
                last = self._after(entry)[2]
        if last is None:
            return {"quiet_window_asleep_ratio": {}, "quiet_window_observed_ratio": {}}
        asleep, observed, recorded = last
        return {
            "quiet_window_asleep_ratio": {(): asleep / recorded},
            "quiet_window_observed_ratio": {(): observed / recorded},
        }

    def rebase(self, offset_ns: int) -> None:
        """Nothing to move: no boot-clock times are kept."""

    def dump(self) -> object:
        """The open and the last window as lists of nanoseconds."""
        return {
            "opened": self._opened,
            "open": list(self._open),
            "last": None if self._last is None else list(self._last),
        }

    def load(self, dumped: object) -> None:
        """Replace the state with a dumped one."""
        if not isinstance(dumped, Mapping):
            raise Misuse("a quiet window's dump is a mapping")
        last = dumped["last"]
        self._opened = bool(dumped["opened"])
        self._open = _three(dumped["open"])
        self._last = None if last is None else _three(last)


def _three(values: Sequence[int]) -> tuple[int, int, int]:
    asleep, observed, recorded = values
    return asleep, observed, recorded
