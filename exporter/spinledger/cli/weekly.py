"""`look --week`: one line a disk, from the exporter's own summary of the last seven days."""

from __future__ import annotations

from collections.abc import Sequence

from spinledger.cli import strips
from spinledger.cli.screen import Cell, Column, Screen, Tone, clean, table
from spinledger.web.snapshot_json import Json
from spinledger.web.week import LIMIT
from spinledger.words import listed

BY_HOUR = "SPIN-UPS BY HOUR"
LIFE_LEFT = "LIFE LEFT"
NAMES = 6  # disks named in a line

COLUMNS = (
    Column("DISK", 32, elastic=True),
    Column("LAST NIGHT", 14),
    Column("SPIN-UPS/DAY", 15, right=True),
    Column(BY_HOUR, 24, rank=2),
    Column(LIFE_LEFT, 20, rank=1),
    Column("IN 7 DAYS", 9, rank=3, right=True),
    Column("POOL", 14, rank=4, elastic=True),
)


def lines(screen: Screen, snapshot: Json) -> list[str]:
    """The table, with the hours over the spin-ups by hour."""
    weeks = {week["disk"]: week for week in snapshot["week"]}
    cells = [_cells(disk, weeks[disk["disk"]]) for disk in snapshot["disks"]]
    ruler = tuple(Cell(strips.BY_HOUR if one.title == BY_HOUR else "") for one in COLUMNS)
    return [line for line in table(screen, COLUMNS, [ruler, *cells]) if line]


def legend(snapshot: Json, drawn: Sequence[str]) -> list[str]:
    """What the columns and the mark mean, as far as they are drawn."""
    weeks = snapshot["week"]
    words = []
    if BY_HOUR in drawn[0]:
        words.append(
            "Spin-ups: a day, and the budget; by local hour in seven days, . none, + ten or more."
        )
    marked = [
        text
        for text, held in (
            ("slept less than configured", any(one["slept_enough"] is False for one in weeks)),
            ("rated life ends within the horizon", any(one["life_ends_soon"] for one in weeks)),
        )
        if held
    ]
    words += [f"! {', or '.join(marked)}"] if marked else []
    kinds = life_kinds(snapshot) if LIFE_LEFT in drawn[0] else []
    return [*words, *kinds, *over_limits(snapshot)]


def life_kinds(snapshot: Json) -> list[str]:
    """Which kind of rated cycles the life of each disk is reckoned by."""
    names = {disk["disk"]: clean(disk["kernel_name"]) for disk in snapshot["disks"]}
    shown: dict[str, list[str]] = {}
    for week in snapshot["week"]:
        if week["life_kind"]:
            shown.setdefault(week["life_kind"], []).append(names[week["disk"]])
    return [f"Life by {kind}: {_some(disks)}" for kind, disks in sorted(shown.items())]


def _some(texts: Sequence[str]) -> str:
    more = [f"{len(texts) - NAMES} more"] if len(texts) > NAMES else []
    return listed([*texts[:NAMES], *more])


def over_limits(snapshot: Json) -> list[str]:
    """Which disks are over their limit, by how much, and what a limit is beside a budget."""
    names = {disk["disk"]: clean(disk["kernel_name"]) for disk in snapshot["disks"]}
    over = [
        f"{names[week['disk']]} {week['over_limit']}"
        for week in snapshot.get("week", ())
        if week["over_limit"]
    ]
    return [f"! over its limit: {_some(over)}", LIMIT] if over else []


def _cells(disk: Json, week: Json) -> tuple[Cell, ...]:
    soon = week["life_ends_soon"]
    return (
        Cell(clean(f"{disk['kernel_name']} {disk['model']}")),
        _night(week),
        _pace(week),
        Cell(strips.hours(week["cycles_by_hour"])),
        Cell(f"{week['life']} !" if soon else week["life"], Tone.BAD if soon else Tone.PLAIN),
        Cell(str(week["cycles"])),
        Cell(clean(disk["pool"])),
    )


def _night(week: Json) -> Cell:
    ratio = week["slept_last_night_ratio"]
    if ratio is None:
        return Cell("unknown")
    text = f"slept {ratio:.0%}"
    if week["slept_enough"] is False:
        return Cell(f"{text} !", Tone.BAD)
    return Cell(text, Tone.ASLEEP if week["slept_enough"] else Tone.PLAIN)


def _pace(week: Json) -> Cell:
    pace = "-" if week["cycles_per_day"] is None else f"{week['cycles_per_day']:.1f}"
    text = f"{pace} of {week['budget_per_day']:g}"
    return Cell(f"{text} !", Tone.BAD) if week["over_limit"] else Cell(f"{text}  ")
