"""Slow changes of a drive: spin-up waits that lengthen, heads that park without a spin-down.

Rules of this room: pure; folds over entries; bounded. Their keys are gauges that are no metrics.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import median

from spinledger.errors import Misuse
from spinledger.model import DAY, SECOND, Entry, Explained, Labels, Number, Reading

Samples = Mapping[str, Mapping[Labels, Number]]

WAITS = 20
READ_DAYS = 8


class Waits:
    """Fold: key `wait_median_seconds` of the `first` 20 waits for the platters and the `last` 20.

    Absent until there are 20 of each, none of them in both.
    """

    name = "waits"
    eats: tuple[type, ...] = (Explained,)
    gauges: frozenset[str] = frozenset({"wait_median_seconds"})

    def __init__(self) -> None:
        self._first: list[int] = []
        self._last: list[int] = []

    def step(self, entry: Entry) -> None:
        """Take one explained spin-up."""
        if isinstance(entry, Explained) and entry.wait_ns is not None:
            kept = self._first if len(self._first) < WAITS else self._last
            kept.append(entry.wait_ns)
            del kept[:-WAITS]

    def totals(self, pending: Sequence[Entry]) -> Samples:
        """Both medians."""
        if len(self._last) < WAITS:
            return {"wait_median_seconds": {}}
        return {
            "wait_median_seconds": {
                ("first",): median(self._first) / SECOND,
                ("last",): median(self._last) / SECOND,
            }
        }

    def rebase(self, offset_ns: int) -> None:
        """Nothing to move: no boot-clock times are kept."""

    def dump(self) -> object:
        """Waits in nanoseconds."""
        return {"first": list(self._first), "last": list(self._last)}

    def load(self, dumped: object) -> None:
        """Replace the state with a dumped one."""
        if not isinstance(dumped, Mapping):
            raise Misuse("a dump of waits is a mapping")
        self._first, self._last = list(dumped["first"]), list(dumped["last"])


class Parking:
    """Fold: key `parking`, what the drive's own counters gained over the last days they were read.

    By `loads`, `starts` (start/stop cycles) and `seconds` between the first and the last accepted
    reading of the last eight days that have any; absent under one day.
    """

    name = "parking"
    eats: tuple[type, ...] = (Reading,)
    gauges: frozenset[str] = frozenset({"parking"})

    def __init__(self) -> None:
        self._days: list[tuple[int, int, int]] = []  # wall time, loads, starts: a day's first
        self._newest: tuple[int, int, int] | None = None

    def step(self, entry: Entry) -> None:
        """Take one reading."""
        if not isinstance(entry, Reading) or entry.verdict != "accepted":
            return
        worn = entry.worn
        if worn.loads is None or worn.start_stops is None:
            return
        self._newest = (entry.at_wall_ns, worn.loads, worn.start_stops)
        if not self._days or entry.at_wall_ns // DAY != self._days[-1][0] // DAY:
            self._days.append(self._newest)
            del self._days[:-READ_DAYS]

    def totals(self, pending: Sequence[Entry]) -> Samples:
        """What was gained."""
        if self._newest is None or self._newest[0] - self._days[0][0] < DAY:
            return {"parking": {}}
        gained = [now - then for now, then in zip(self._newest, self._days[0], strict=True)]
        return {
            "parking": {
                ("loads",): gained[1],
                ("starts",): gained[2],
                ("seconds",): gained[0] / SECOND,
            }
        }

    def rebase(self, offset_ns: int) -> None:
        """Nothing to move: times are of the wall clock."""

    def dump(self) -> object:
        """The kept readings as lists."""
        newest = None if self._newest is None else list(self._newest)
        return {"days": [list(day) for day in self._days], "newest": newest}

    def load(self, dumped: object) -> None:
        """Replace the state with a dumped one."""
        if not isinstance(dumped, Mapping):
            raise Misuse("a dump of parking is a mapping")
        self._days = [_three(day) for day in dumped["days"]]
        self._newest = None if dumped["newest"] is None else _three(dumped["newest"])


def _three(values: Sequence[int]) -> tuple[int, int, int]:
    first, second, third = values
    return first, second, third
