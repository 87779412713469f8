"""`look --week`: one line a disk, read in ten seconds.

Rules: pure; slept last night, spin-ups against the budget, when it was woken, years left. Last
night is the last complete quiet window where the disk has quiet hours, else `lastday.NIGHT`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from spinledger.cli import lastday
from spinledger.cli.screen import Cell, Column, Screen, Tone, clean, table
from spinledger.cli.snapshots import value

Json = dict[str, Any]

WEEK_S = 7 * lastday.DAY_S
YEAR_S = 365.25 * lastday.DAY_S
LONG_YEARS = 50  # beyond it a projection only says: not of cycles
PROJECTED_AFTER_S = 14 * lastday.DAY_S  # insight.projection.LEAST_DAYS
WOKEN = "WOKEN, BY HOUR"
RULER = "00    06    12    18"

COLUMNS = (
    Column("DISK", 32, elastic=True),
    Column("LAST NIGHT", 14),
    Column("WAKES A DAY", 15, right=True),
    Column(WOKEN, 24, rank=2),
    Column("LIFE LEFT", 13, rank=1),
    Column("IN 7 DAYS", 9, rank=3, right=True),
    Column("POOL", 14, rank=4, elastic=True),
)


@dataclass(frozen=True, slots=True)
class Week:
    """One disk's week; None: not known."""

    disk: str
    name: str
    pool: str
    slept_ratio: float | None  # of last night
    least_ratio: float | None  # what its owner asks of a night
    cycles: int
    per_day: float | None
    budget_per_day: float
    over: bool  # more than chance allows within the budget, in the 7 day window
    woken: str  # 24 signs, or ""
    years: tuple[float, float] | None  # until the rating is used up, early and late
    horizon_years: float  # sooner than this its owner wants to know
    lasting: str  # in place of years: why there are none

    def json(self) -> Json:
        """As JSON types."""
        return {
            "disk": self.disk,
            "slept_last_night_ratio": self.slept_ratio,
            "cycles": self.cycles,
            "cycles_per_day": self.per_day,
            "budget_per_day": self.budget_per_day,
            "over_limit": self.over,
            "woken_by_hour": self.woken or None,
            "years_left": None if self.years is None else list(self.years),
        }


def weeks(given: Json, books: Json | None, zone: tzinfo | None = None) -> list[Week]:
    """Every disk of a snapshot, by the books of its last seven days where there are any."""
    now_s = given["at_wall"]
    recorded = lastday.by_disk(books)
    return [_week(disk, recorded, now_s, zone) for disk in given["disks"]]


def _week(
    disk: Json,
    recorded: dict[str, tuple[list[lastday.Json], list[lastday.Json]]] | None,
    now_s: float,
    zone: tzinfo | None,
) -> Week:
    cycles = round(value(disk, "recent_cycles", window="7d") or 0)
    days = min(7.0, _watched_s(disk) / lastday.DAY_S)
    slept = value(disk, "quiet_window_asleep_ratio")
    woken = ""
    if recorded is not None:
        spans, wakes = recorded.get(disk["disk"], ([], []))
        woken = lastday.wakes_by_hour(wakes, now_s - WEEK_S, zone)
        days = lastday.watched_days(spans, now_s - WEEK_S, now_s)
        if slept is None:
            slept = lastday.slept(spans, *lastday.last_night(now_s, zone))
    used = value(disk, "cycle_limit_used_ratio", window="7d") or 0
    return Week(
        disk=disk["disk"],
        name=clean(f"{disk['kernel_name']} {disk['model']}"),
        pool=clean(disk["pool"]),
        slept_ratio=slept,
        least_ratio=value(disk, "quiet_window_asleep_min_ratio"),
        cycles=cycles,
        per_day=cycles / days if days >= 1 else None,
        budget_per_day=disk["policy"]["budget_per_day"],
        over=used >= 1,
        woken=woken,
        years=_years(disk, now_s),
        horizon_years=(value(disk, "rated_life_horizon_seconds") or 0) / YEAR_S,
        lasting=_lasting(disk),
    )


def _watched_s(disk: Json) -> float:
    states = disk["samples"].get("state_seconds", ())
    seen = (one["value"] for one in states if one["labels"].get("state") != "unobserved")
    return float(sum(seen))


def _years(disk: Json, now_s: float) -> tuple[float, float] | None:
    """The sooner of the kinds of cycles, early and late bound."""
    ends: dict[str, list[float]] = {"early": [], "late": []}
    for sample in disk["samples"].get("rated_life_end", ()):
        bound = sample["labels"].get("bound")
        if bound in ends and sample["value"] is not None:
            ends[bound].append((sample["value"] - now_s) / YEAR_S)
    if not ends["early"]:
        return None
    early = min(ends["early"])
    return max(0.0, early), max(0.0, min(ends["late"], default=early))


def _lasting(disk: Json) -> str:
    """What there is to say of its life where no end is foreseen."""
    if not disk["samples"].get("rated_cycles"):
        return "not rated"
    if _watched_s(disk) < PROJECTED_AFTER_S or value(disk, "recent_cycles", window="30d"):
        return "not known"
    return f"over {LONG_YEARS} y"


def lines(screen: Screen, rows: Sequence[Week]) -> list[str]:
    """The table, hours over the signs of the wakes."""
    cells = [_cells(row) for row in rows]
    if any(row.woken for row in rows):
        ruler = tuple(Cell(RULER if one.title == WOKEN else "") for one in COLUMNS)
        cells.insert(0, ruler)
    return [line for line in table(screen, COLUMNS, cells) if line]


def _cells(row: Week) -> tuple[Cell, ...]:
    return (
        Cell(row.name),
        _night(row),
        _pace(row),
        Cell(row.woken),
        _life(row),
        Cell(str(row.cycles)),
        Cell(row.pool),
    )


def _night(row: Week) -> Cell:
    if row.slept_ratio is None:
        return Cell("not known")
    text = f"slept {row.slept_ratio:.0%}"
    if row.least_ratio is not None and row.slept_ratio < row.least_ratio:
        return Cell(f"{text} !", Tone.BAD)
    return Cell(text, Tone.ASLEEP if row.slept_ratio >= 0.5 else Tone.PLAIN)


def _pace(row: Week) -> Cell:
    pace = "-" if row.per_day is None else f"{row.per_day:.1f}"
    text = f"{pace} of {row.budget_per_day:g}"
    return Cell(f"{text} !", Tone.BAD) if row.over else Cell(f"{text}  ")


def _life(row: Week) -> Cell:
    if row.years is None:
        return Cell(row.lasting)
    early, late = row.years
    if early <= 0:
        return Cell("used up !", Tone.BAD)
    if early > LONG_YEARS:
        return Cell(f"over {LONG_YEARS} y")
    if late > LONG_YEARS:
        return Cell(f"{early:.0f} y or more{' !' if early < row.horizon_years else ''}")
    same = round(early) == round(late)
    text = f"{early:.0f} y" if same else f"{early:.0f} to {late:.0f} y"
    return Cell(f"{text} !", Tone.BAD) if early < row.horizon_years else Cell(text)
