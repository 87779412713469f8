"""How much of each disk's rated life is used, in words and years.

Rules: of the two kinds of cycles the one that will be used up first is told, else the one used
most. Disks that have the least left come first, and six are named. Without a rating there is no
word.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from spinledger.cli.screen import clean
from spinledger.cli.snapshots import Json

YEAR_S = 365.25 * 86400
MOST = 6  # disks told of
LONG_YEARS = 50  # no difference that matters beyond

_KINDS = {"load": "head loads", "start_stop": "spindle starts"}
_CAUTION = "A rating is a design figure, not a forecast of failure."


class Life(NamedTuple):
    """One disk's rating, by the kind that counts. Years from now; None: not known."""

    early: float | None
    late: float | None
    used: float
    name: str
    kind: str


def sentences(disks: Sequence[Json], now_s: float) -> list[str]:
    """One a disk with a rating; a caution at the end, where there is any. `now_s`: Unix time."""
    lives = [life for disk in disks if (life := _life(disk, now_s))]
    lives.sort(key=lambda life: (life.early is None, life.early or 0.0, -life.used))
    given = [_sentence(life) for life in lives[:MOST]]
    if len(lives) > MOST:
        given.append(f"{len(lives) - MOST} more disks have a rating, and more of it left.")
    return [*given[:-1], f"{given[-1]} {_CAUTION}"] if given else []


def _life(disk: Json, now_s: float) -> Life | None:
    samples = disk["samples"]
    ends = {
        (one["labels"].get("kind"), one["labels"].get("bound")): (one["value"] - now_s) / YEAR_S
        for one in samples.get("rated_life_end", ())
        if one["value"] is not None
    }
    lives = [
        Life(
            ends.get((kind, "early")),
            ends.get((kind, "late")),
            one["value"],
            clean(disk["kernel_name"]),
            kind,
        )
        for one in samples.get("rated_life_used_ratio", ())
        if (kind := one["labels"].get("kind")) in _KINDS and one["value"] is not None
    ]
    known = [life for life in lives if life.early is not None]
    if known:
        return min(known, key=lambda life: life.early or 0.0)
    return max(lives, key=lambda life: life.used, default=None)


def _sentence(life: Life) -> str:
    head = f"Life of {life.name}: {life.used:.0%} of its rated {_KINDS[life.kind]} used"
    if life.used >= 1:
        return f"{head}, that is all of them."
    if life.early is None:
        return f"{head}; how long the rest lasts is not known."
    return f"{head}; at this pace the rest lasts {_span(life.early, life.late)}."


def _span(early: float, late: float | None) -> str:
    """12 to 20 years; 5 months to 2 years; over 50 years."""
    if early > LONG_YEARS:
        return f"over {LONG_YEARS} years"
    if late is None or late > LONG_YEARS:
        return f"{_years(early)} or more"
    first, last = _years(early), _years(late)
    if first == last:
        return f"about {first}"
    number, unit = first.split()
    same = last.split()[1].rstrip("s") == unit.rstrip("s")
    return f"{number if same else first} to {last}"


def _years(years: float) -> str:
    count, unit = (round(years), "year") if years >= 1 else (max(1, round(12 * years)), "month")
    return f"{count} {unit}" if count == 1 else f"{count} {unit}s"
