"""The drive's own counters as a fold: what they read, what share of a rating is used, and when
the rest will be.

Rules of this room: pure. One row a UTC day is kept for the trend, 366 at most; the projection is
worked out when a day's first reading comes, since it costs some milliseconds. Nothing here is
rated by a guess: without a rating there is no share and no date.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, cast

from spinledger.model import DAY, SECOND, Entry, Labels, Number, Policy, Reading, Worn
from spinledger.wear.projection import projection
from spinledger.wear.reading import REASONS, baseline, ratings, used_ratio
from spinledger.wear.reading import Judged as Judgement

MOST_ROWS = 366
COUNTERS: Mapping[str, str] = {
    "start_stop_cycles": "start_stops",
    "load_cycles": "loads",
    "emergency_retracts": "retracts",
    "power_cycles": "power_cycles",
    "power_on_seconds": "power_on_s",
}
"""Catalogue keys, and where a reading has their values."""

_COUNTED: Mapping[str, str] = {"load": "loads", "start_stop": "start_stops"}

Samples = Mapping[str, Mapping[Labels, Number]]
Row = tuple[int, int | None, int | None]  # wall time in nanoseconds, loads, start/stops


class DrivesOwn:
    """Fold: the drive's own counters, their ratings, the share used and the projected dates."""

    name = "drives_own"
    eats: tuple[type, ...] = (Reading,)
    # The drive's counters go on whatever our ledger does: they never restart from zero with it.
    gauges: frozenset[str] = frozenset(
        {*COUNTERS, "rated_cycles", "rated_life_used_ratio", "rated_life_end", "wear_read"}
    )

    def __init__(self, policy: Policy) -> None:
        self._policy = policy
        self._worn: Worn | None = None
        self._wall_ns = 0
        self._rejected = dict.fromkeys(REASONS, 0)
        self._rows: list[Row] = []
        self._ends: dict[str, int] = {}  # "kind/bound" -> wall time in nanoseconds
        self._packed = ""

    def step(self, entry: Entry) -> None:
        """Take one reading; its counters that were refused are None in it."""
        if not isinstance(entry, Reading):
            return
        for reason in entry.verdict.split("+"):
            if reason in self._rejected:
                self._rejected[reason] += 1
        self._worn = baseline(self._worn, Judgement(entry.worn, ()))
        self._wall_ns = entry.at_wall_ns
        row = (entry.at_wall_ns, self._worn.loads, self._worn.start_stops)
        if not self._rows or entry.at_wall_ns // DAY > self._rows[-1][0] // DAY:
            self._rows = [*self._rows, row][-MOST_ROWS:]
            self._project(entry.at_wall_ns)
        elif entry.at_wall_ns > self._rows[-1][0]:
            self._rows[-1] = row
        self._packed = ""

    def _project(self, now_wall_ns: int) -> None:
        self._ends = {}
        for place, kind in ((1, "load"), (2, "start_stop")):
            rating = ratings(self._policy, self._worn).get(kind)
            days = [(row[0], cast(int, row[place])) for row in self._rows if row[place] is not None]
            found = projection(days, rating.cycles, now_wall_ns) if rating and days else None
            if found is not None:
                for bound in ("early", "middle", "late"):
                    end_ns = getattr(found, bound)
                    if end_ns is not None:
                        self._ends[f"{kind}/{bound}"] = end_ns

    def totals(self, pending: Sequence[Entry]) -> Samples:
        """What is known; absent keys otherwise."""
        rated: dict[Labels, Number] = {}
        used: dict[Labels, Number] = {}
        for kind, rating in ratings(self._policy, self._worn).items():
            rated[(kind,)] = rating.cycles
            count = None if self._worn is None else getattr(self._worn, _COUNTED[kind])
            share = used_ratio(count, rating)
            if share is not None:
                used[(kind,)] = share
        given: dict[str, Mapping[Labels, Number]] = {
            "rated_cycles": rated,
            "rated_life_used_ratio": used,
            "rated_life_end": {
                tuple(name.split("/")): end_ns / SECOND for name, end_ns in self._ends.items()
            },
            "wear_rejected": {(reason,): count for reason, count in self._rejected.items()},
        }
        if self._worn is not None:
            given["wear_read"] = {(): self._wall_ns / SECOND}
            for key, name in COUNTERS.items():
                value = getattr(self._worn, name)
                if value is not None:
                    given[key] = {(): value}
        return given

    def rebase(self, offset_ns: int) -> None:
        """Nothing to move: the times kept are wall times."""

    def dump(self) -> object:
        """The state as one text, made once a reading: an account is dumped far more often."""
        if not self._packed:
            worn = self._worn
            names = Worn.__slots__
            self._packed = json.dumps(
                {
                    "worn": None if worn is None else {n: getattr(worn, n) for n in names},
                    "wall": self._wall_ns,
                    "rejected": self._rejected,
                    "rows": self._rows,
                    "ends": self._ends,
                }
            )
        return self._packed

    def load(self, dumped: object) -> None:
        """Replace the state; the policy stays."""
        given: dict[str, Any] = json.loads(cast(str, dumped))
        self._worn = Worn(**given["worn"]) if given["worn"] else None
        self._wall_ns = given["wall"]
        self._rejected = {reason: given["rejected"].get(reason, 0) for reason in REASONS}
        self._rows = [(row[0], row[1], row[2]) for row in given["rows"]]
        self._ends = dict(given["ends"])
        self._packed = cast(str, dumped)
