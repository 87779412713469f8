"""The drive's counters and ratings of one disk: as JSON for /snapshot and `spinledger wear`.

{"counters": {"loads": 4000, ..}, "doubtful": {"loads": [200608, 4000]}: one of the two, not
   known which, "read_timestamp_seconds": 1.5,
 "ratings": [{"kind": "load" or "start_stop", "count", "rated_cycles", "rated_by": configured or
   drive, "used_ratio", "cycles_per_day": of the last year at most, null: too short a record,
   "early_timestamp_seconds", "middle_timestamp_seconds", "late_timestamp_seconds": null for not
   within a century, "coverage": of early to late, "too_short_for": TEXT}]}
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from spinledger.facts import Rated
from spinledger.model import SECOND, Worn
from spinledger.wear.projection import COVERAGE, Projection

Json = dict[str, Any]

SHOWN: Mapping[str, str] = {
    "loads": "head loads",
    "start_stops": "start-stop cycles",
    "retracts": "emergency unloads",
    "power_cycles": "power cycles",
    "power_on_s": "powered on",
    "spindle_s": "motor running",
}
"""The counters by field of `Worn`, in words."""


def wear_json(
    worn: Worn | None,
    read_wall_ns: int | None,
    rated: Mapping[str, Rated],
    doubtful: Mapping[str, tuple[int, int]] = MappingProxyType({}),
) -> Json:
    """The form above. Counters that the drive does not report are left out."""
    counters = {name: getattr(worn, name, None) for name in SHOWN}
    return {
        "counters": {name: count for name, count in counters.items() if count is not None},
        "doubtful": {name: list(both) for name, both in doubtful.items()},
        "read_timestamp_seconds": _seconds(read_wall_ns),
        "ratings": [
            {
                "kind": kind,
                "count": one.counted,
                "rated_cycles": one.cycles,
                "rated_by": one.source,
                "used_ratio": one.used_ratio,
                "cycles_per_day": one.pace_per_day,
                **_ends(one.early_wall_ns, one.middle_wall_ns, one.late_wall_ns),
                "too_short_for": one.unseen,
            }
            for kind, one in rated.items()
        ],
    }


def projection_json(ends: Projection) -> Json:
    """The ends of a record kept elsewhere."""
    return {
        **_ends(ends.early, ends.middle, ends.late),
        "cycles_per_day": ends.pace,
        "too_short_for": ends.unseen,
    }


def _ends(early: int | None, middle: int | None, late: int | None) -> Json:
    return {
        "early_timestamp_seconds": _seconds(early),
        "middle_timestamp_seconds": _seconds(middle),
        "late_timestamp_seconds": _seconds(late),
        "coverage": COVERAGE,
    }


def _seconds(wall_ns: int | None) -> float | None:
    return None if wall_ns is None else wall_ns / SECOND
