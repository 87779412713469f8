"""What a drive's counters show: longer waits, heads that park, retracts, spin-ups that were missed.

Rules of this room: pure; folds over entries; bounded.
"""

from __future__ import annotations

from statistics import median
from typing import Any, cast

from spinledger.facts import WaitMedians
from spinledger.model import DAY, HOUR, SECOND, Cycle, Entry, Explained, Policy, Reading

WAITS = 20
READ_DAYS = 8

MISSED_READINGS = 3
MISSED_NS = 6 * HOUR
"""Spin-ups are missed repeatedly where so many readings within that time each show some."""

_Counts = tuple[int, int, int]  # wall time, and two counters


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


class Gained:
    """Fold: what two of the drive's counters gained over the last days on which they were read."""

    eats: tuple[type, ...] = (Reading,)

    def __init__(self, one: str, other: str) -> None:
        """Names of the counters, as in `model.Worn`."""
        self._names = (one, other)
        self._days: list[_Counts] = []  # a day's first, eight days at most
        self._newest: _Counts | None = None

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one reading."""
        reading = cast(Reading, entry)
        one, other = (getattr(reading.worn, name) for name in self._names)
        if reading.verdict != "accepted" or one is None or other is None:
            return
        self._newest = (reading.at_wall_ns, one, other)
        if not self._days or reading.at_wall_ns // DAY != self._days[-1][0] // DAY:
            self._days.append(self._newest)
            del self._days[:-READ_DAYS]

    def totals(self) -> tuple[int, int, int] | None:
        """What both gained, and within how many nanoseconds; None under one day."""
        if self._newest is None or self._newest[0] - self._days[0][0] < DAY:
            return None
        lasted_ns, one, other = (
            now - then for now, then in zip(self._newest, self._days[0], strict=True)
        )
        return one, other, lasted_ns

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


class Missed:
    """Fold: when readings of the drive's counters last showed spin-ups that were not observed.

    Those of one reading share its time. A single reading may follow a stop of the exporter.
    """

    eats: tuple[type, ...] = (Cycle,)

    def __init__(self) -> None:
        self._at_wall_ns: list[int] = []  # the last readings that showed some
        self._repeated_wall_ns: int | None = None

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one cycle."""
        cycle = cast(Cycle, entry)
        if cycle.observed or cycle.at_wall_ns in self._at_wall_ns:
            return
        self._at_wall_ns = [*self._at_wall_ns, cycle.at_wall_ns][-MISSED_READINGS:]
        first, last = self._at_wall_ns[0], self._at_wall_ns[-1]
        if len(self._at_wall_ns) == MISSED_READINGS and last - first <= MISSED_NS:
            self._repeated_wall_ns = last

    def totals(self) -> int | None:
        """When they were last missed repeatedly, wall time in nanoseconds; None: never."""
        return self._repeated_wall_ns

    def rebase(self, offset_ns: int) -> None:
        """Nothing to move: times are of the wall clock."""

    def dump(self) -> object:
        """The kept times."""
        return {"at": list(self._at_wall_ns), "repeated": self._repeated_wall_ns}

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        self._at_wall_ns, self._repeated_wall_ns = list(dumped["at"]), dumped["repeated"]
