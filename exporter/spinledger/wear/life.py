"""The drive's counters as a fold: what they read, what share of a rating is used, and when the
rest will be.

Rules of this room: pure. One row a UTC day is kept for the trend, 366 at most. Nothing here is
rated by a guess: without a rating there is no share and no date.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, cast

from spinledger.facts import Rated
from spinledger.model import DAY, Entry, Policy, Reading, Worn
from spinledger.wear.projection import Projection, projection
from spinledger.wear.reading import REASONS, Judged, baseline, ratings, used_ratio

MOST_ROWS = 366

_COUNTED: Mapping[str, str] = {"load": "loads", "start_stop": "start_stops"}

Row = tuple[int, int | None, int | None]  # wall time in nanoseconds, loads, start/stops


class DriveCounters:
    """Fold: the drive's counters, their ratings, the share used and the projected dates.

    The drive's counters go on whatever our ledger does: they never restart from zero with it.
    """

    eats: tuple[type, ...] = (Reading,)

    def __init__(self) -> None:
        self.worn: Worn | None = None  # the last accepted counters
        self.wall_ns: int | None = None  # of the last reading
        self.rejected = dict.fromkeys(REASONS, 0)
        self._rows: list[Row] = []
        self._projected: dict[tuple[str, int], Projection | None] = {}
        self._packed = ""

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one reading; its counters that were refused are None in it."""
        reading = cast(Reading, entry)
        for reason in reading.verdict.split("+"):
            if reason in self.rejected:
                self.rejected[reason] += 1
        self.worn = baseline(self.worn, Judged(reading.worn, ()))
        self.wall_ns = reading.at_wall_ns
        row = (reading.at_wall_ns, self.worn.loads, self.worn.start_stops)
        if not self._rows or reading.at_wall_ns // DAY > self._rows[-1][0] // DAY:
            self._rows = [*self._rows, row][-MOST_ROWS:]
        elif reading.at_wall_ns > self._rows[-1][0]:
            self._rows[-1] = row
        self._projected.clear()
        self._packed = ""

    def rated(self, policy: Policy) -> Mapping[str, Rated]:
        """Ratings by kind, load and start_stop, with the share used and the dates of the end."""
        found = {}
        for kind, rating in ratings(policy, self.worn).items():
            count = None if self.worn is None else getattr(self.worn, _COUNTED[kind])
            one = Rated(rating.cycles, rating.source, used_ratio(count, rating), counted=count)
            ends = self._ends(kind, rating.cycles)
            if ends is not None:
                one = one._replace(
                    early_wall_ns=ends.early,
                    middle_wall_ns=ends.middle,
                    late_wall_ns=ends.late,
                    pace_per_day=ends.pace,
                    unseen=ends.unseen,
                )
            found[kind] = one
        return found

    def _ends(self, kind: str, cycles: int) -> Projection | None:
        """Worked out once a reading and rating, since a year of days takes a while."""
        if self.wall_ns is None:
            return None
        if (kind, cycles) not in self._projected:
            place = 1 if kind == "load" else 2
            days = [(row[0], cast(int, row[place])) for row in self._rows if row[place] is not None]
            self._projected[kind, cycles] = projection(days, cycles, self.wall_ns) if days else None
        return self._projected[kind, cycles]

    def rebase(self, offset_ns: int) -> None:
        """Nothing to move: the times kept are wall times."""

    def dump(self) -> object:
        """The state as one text, made once a reading: an account is dumped far more often."""
        if not self._packed:
            worn = self.worn
            self._packed = json.dumps(
                {
                    "worn": worn and {name: getattr(worn, name) for name in Worn.__slots__},
                    "wall": self.wall_ns,
                    "rejected": self.rejected,
                    "rows": self._rows,
                }
            )
        return self._packed

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        state: dict[str, Any] = json.loads(dumped)
        self.worn = Worn(**state["worn"]) if state["worn"] else None
        self.wall_ns = state["wall"]
        self.rejected = {reason: state["rejected"].get(reason, 0) for reason in REASONS}
        self._rows = [(row[0], row[1], row[2]) for row in state["rows"]]
        self._projected.clear()
        self._packed = dumped
