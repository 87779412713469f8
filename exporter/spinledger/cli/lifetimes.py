"""How much of each disk's rated life is used, in words and years.

Rules: of the two kinds of cycles the one that will be used up first is shown, else the one used
most. Disks that have the least left come first, and six are named. Disks without a rating are left
out.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from spinledger.cli.screen import clean
from spinledger.web.snapshot_json import Json

YEAR_S = 365.25 * 86400
MOST = 6  # disks named
LONG_YEARS = 50  # longer makes no difference

_KINDS = {"load": "head loads", "start_stop": "spindle starts"}
_CAUTION = "A rating is a design figure; it does not forecast a failure."


class Life(NamedTuple):
    """One disk's rating, by the kind that is shown. Years from now; None: unknown."""

    early: float | None
    late: float | None
    used: float
    name: str
    kind: str


def sentences(disks: Sequence[Json], now_s: float) -> list[str]:
    """One a disk with a rating; a caution at the end, where there is any. `now_s`: Unix time."""
    lives = [life for disk in disks if (life := _life(disk, now_s))]
    lives.sort(key=lambda life: (life.early is None, life.early or 0.0, -life.used))
    words = [_sentence(life) for life in lives[:MOST]]
    if len(lives) > MOST:
        more = len(lives) - MOST
        which = "1 more disk has" if more == 1 else f"{more} more disks have"
        words.append(f"{which} more rated life left.")
    return [*words[:-1], f"{words[-1]} {_CAUTION}"] if words else []


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
        return f"{head}: the rating is used up."
    if life.early is None:
        return f"{head}; how long the rest will last is unknown."
    return f"{head}; at this pace the rest will last {_span(life.early, life.late)}."


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
