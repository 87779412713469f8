"""`look --week`: one line a disk.

Rules: pure; sleep of last night, spin-ups against the budget, their hours, years left. Last night
is the last complete quiet window where the disk has quiet hours, else `strip.NIGHT`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from spinledger import strip
from spinledger.cli import strips
from spinledger.cli.exporter import DAY_S, observed_s, value, wall_ns
from spinledger.cli.screen import Cell, Column, Screen, Tone, clean, table
from spinledger.model import DAY
from spinledger.strip import NO_HISTORY, DiskHistory
from spinledger.web.snapshot_json import Json

WEEK_S = 7 * DAY_S
YEAR_S = 365.25 * DAY_S
LONG_YEARS = 50  # longer makes no difference
PROJECTED_AFTER_S = 14 * DAY_S  # wear.projection.LEAST_DAYS
BY_HOUR = "SPIN-UPS BY HOUR"

COLUMNS = (
    Column("DISK", 32, elastic=True),
    Column("LAST NIGHT", 14),
    Column("SPIN-UPS/DAY", 15, right=True),
    Column(BY_HOUR, 24, rank=2),
    Column("LIFE LEFT", 13, rank=1),
    Column("IN 7 DAYS", 9, rank=3, right=True),
    Column("POOL", 14, rank=4, elastic=True),
)


@dataclass(frozen=True, slots=True)
class Week:
    """One disk's week; None: unknown."""

    disk: str
    name: str
    pool: str
    slept_ratio: float | None  # of last night
    least_ratio: float | None  # of a night, as configured
    cycles: int
    per_day: float | None
    budget_per_day: float
    over: bool  # the limit of the 7 day window is reached
    by_hour: str  # 24 signs, or ""
    years: tuple[float, float] | None  # until the rating is used up, early and late
    horizon_years: float  # sooner than this is marked
    lasting: str  # in place of years: why there are none

    @property
    def slept_too_little(self) -> bool:
        """Less than is configured for a night."""
        slept, least = self.slept_ratio, self.least_ratio
        return slept is not None and least is not None and slept < least

    @property
    def ends_soon(self) -> bool:
        """The rating may be used up before the horizon, or is used up."""
        return self.years is not None and (self.years[0] <= 0 or self.years[0] < self.horizon_years)

    def json(self) -> Json:
        """As JSON types."""
        return {
            "disk": self.disk,
            "slept_last_night_ratio": self.slept_ratio,
            "cycles": self.cycles,
            "cycles_per_day": self.per_day,
            "budget_per_day": self.budget_per_day,
            "over_limit": self.over,
            "cycles_by_hour": self.by_hour or None,
            "years_left": None if self.years is None else list(self.years),
        }


def weeks(snapshot: Json, histories: Mapping[str, DiskHistory] | None, tz: tzinfo) -> list[Week]:
    """Every disk of a snapshot, by the history of its last seven days where there is any."""
    return [_week(disk, histories, snapshot["at_wall"], tz) for disk in snapshot["disks"]]


def _week(
    disk: Json, histories: Mapping[str, DiskHistory] | None, now_s: float, tz: tzinfo
) -> Week:
    cycles = round(value(disk, "recent_cycles", window="7d") or 0)
    days = min(7.0, observed_s(disk) / DAY_S)
    slept = value(disk, "quiet_window_asleep_ratio")
    by_hour = ""
    if histories is not None:
        history = histories.get(disk["disk"], NO_HISTORY)
        now = wall_ns(now_s)
        by_hour = strips.hours(strip.by_hour(history.spin_ups, now - 7 * DAY, tz))
        days = strip.observed_ns(history.periods, now - 7 * DAY, now) / DAY
        if slept is None:
            slept = strip.asleep_ratio(history.periods, *strip.last_night(now, tz))
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
        by_hour=by_hour,
        years=_years(disk, now_s),
        horizon_years=(value(disk, "rated_life_horizon_seconds") or 0) / YEAR_S,
        lasting=_lasting(disk),
    )


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
    """What there is to say of its life where no end is projected."""
    if not disk["samples"].get("rated_cycles"):
        return "not rated"
    if observed_s(disk) < PROJECTED_AFTER_S or value(disk, "recent_cycles", window="30d"):
        return "unknown"
    return f"over {LONG_YEARS} y"


def lines(screen: Screen, rows: Sequence[Week]) -> list[str]:
    """The table, with the hours over the spin-ups by hour."""
    cells = [_cells(row) for row in rows]
    if any(row.by_hour for row in rows):
        ruler = tuple(Cell(strips.BY_HOUR if one.title == BY_HOUR else "") for one in COLUMNS)
        cells.insert(0, ruler)
    return [line for line in table(screen, COLUMNS, cells) if line]


def legend(rows: Sequence[Week], drawn: Sequence[str]) -> list[str]:
    """What the columns and the mark mean, as far as they are drawn."""
    words = []
    if BY_HOUR in drawn[0]:
        words.append(
            "Spin-ups: a day, and the budget; by local hour in seven days, . none, + ten or more."
        )
    marked = [
        text
        for text, held in (
            ("slept less than configured", any(row.slept_too_little for row in rows)),
            ("over its limit", any(row.over for row in rows)),
            ("rated life ends before the configured horizon", any(row.ends_soon for row in rows)),
        )
        if held
    ]
    return [*words, *([f"! {', or '.join(marked)}"] if marked else [])]


def _cells(row: Week) -> tuple[Cell, ...]:
    return (
        Cell(row.name),
        _night(row),
        _pace(row),
        Cell(row.by_hour),
        _life(row),
        Cell(str(row.cycles)),
        Cell(row.pool),
    )


def _night(row: Week) -> Cell:
    if row.slept_ratio is None:
        return Cell("unknown")
    text = f"slept {row.slept_ratio:.0%}"
    if row.slept_too_little:
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
        text = "used up"
    elif early > LONG_YEARS:
        text = f"over {LONG_YEARS} y"
    elif late > LONG_YEARS:
        text = f"{early:.0f} y or more"
    else:
        same = round(early) == round(late)
        text = f"{early:.0f} y" if same else f"{early:.0f} to {late:.0f} y"
    return Cell(f"{text} !", Tone.BAD) if row.ends_soon else Cell(text)
