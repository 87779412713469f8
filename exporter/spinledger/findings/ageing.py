"""Slow changes of a drive: waits for a spin-up that lengthen, heads that park without a spin-down.

Rules of this room: pure; folds over entries; bounded.
"""

from __future__ import annotations

from statistics import median
from typing import Any, cast

from spinledger.facts import HeadParking, WaitMedians
from spinledger.model import DAY, SECOND, Entry, Explained, Policy, Reading

WAITS = 20
READ_DAYS = 8

_Counts = tuple[int, int, int]  # wall time, loads, starts


class WaitTimes:
    """Fold: the first 20 waits for a spin-up on record, and the last 20."""

    eats: tuple[type, ...] = (Explained,)

    def __init__(self) -> None:
        self._first: list[int] = []
        self._last: list[int] = []

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one explained spin-up."""
        wait_ns = cast(Explained, entry).wait_ns
        if wait_ns is not None:
            kept = self._first if len(self._first) < WAITS else self._last
            kept.append(wait_ns)
            del kept[:-WAITS]

    def totals(self) -> WaitMedians | None:
        """Both medians; None until there are 20 of each, none of them in both."""
        if len(self._last) < WAITS:
            return None
        return WaitMedians(median(self._first) / SECOND, median(self._last) / SECOND)

    def rebase(self, offset_ns: int) -> None:
        """Nothing to move: no boot-clock times are kept."""

    def dump(self) -> object:
        """Waits in nanoseconds."""
        return {"first": list(self._first), "last": list(self._last)}

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        self._first, self._last = list(dumped["first"]), list(dumped["last"])


class LoadsAndStarts:
    """Fold: what the drive's counters gained over the last days on which they were read."""

    eats: tuple[type, ...] = (Reading,)

    def __init__(self) -> None:
        self._days: list[_Counts] = []  # a day's first, eight days at most
        self._newest: _Counts | None = None

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one reading."""
        reading = cast(Reading, entry)
        worn = reading.worn
        if reading.verdict != "accepted" or worn.loads is None or worn.start_stops is None:
            return
        self._newest = (reading.at_wall_ns, worn.loads, worn.start_stops)
        if not self._days or reading.at_wall_ns // DAY != self._days[-1][0] // DAY:
            self._days.append(self._newest)
            del self._days[:-READ_DAYS]

    def totals(self) -> HeadParking | None:
        """What was gained; None under one day."""
        if self._newest is None or self._newest[0] - self._days[0][0] < DAY:
            return None
        lasted_ns, loads, starts = (
            now - then for now, then in zip(self._newest, self._days[0], strict=True)
        )
        return HeadParking(loads, starts, lasted_ns)

    def rebase(self, offset_ns: int) -> None:
        """Nothing to move: times are of the wall clock."""

    def dump(self) -> object:
        """The kept readings as lists."""
        newest = None if self._newest is None else list(self._newest)
        return {"days": [list(day) for day in self._days], "newest": newest}

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        self._days = [(at, loads, starts) for at, loads, starts in dumped["days"]]
        self._newest = None if dumped["newest"] is None else cast(_Counts, tuple(dumped["newest"]))
