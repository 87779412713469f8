"""`look`: who wakes what, from the exporter's own summary."""

from __future__ import annotations

from spinledger.causes import where
from spinledger.cli.screen import Cell, Column, Screen, clean, table
from spinledger.wakers import NOBODY
from spinledger.web.snapshot_json import Json
from spinledger.words import short_duration

ROWS = 8  # shown at most

COLUMNS = (
    Column("WHO WAKES", 24, elastic=True),
    Column("WHAT", 24, elastic=True),
    Column("DAY", 5, right=True),
    Column("7 DAYS", 6, right=True),
    Column("30 DAYS", 7, right=True),
    Column("SHARE", 5, rank=1, right=True),
    Column("WAITED", 7, rank=2, right=True),
    Column("WHERE", 24, rank=3, elastic=True),
)


def lines(screen: Screen, snapshot: Json) -> list[str]:
    """The table; nothing where nobody is known to have woken a disk."""
    found = snapshot.get("wakers", ())
    if not any(one["actor"] != NOBODY for one in found):
        return []
    rows = [
        (
            Cell(clean(one["actor"])),
            Cell(clean(one["wake_group"])),
            Cell(str(one["wakes_day"])),
            Cell(str(one["wakes_week"])),
            Cell(str(one["wakes_month"])),
            Cell(f"{one['share_ratio']:.0%}"),
            Cell(short_duration(one["waited_seconds"]) if one["waited_seconds"] else ""),
            Cell(clean(where(one["place"]))),
        )
        for one in found[:ROWS]
    ]
    more = [f"{len(found) - ROWS} more"] if len(found) > ROWS else []
    return ["", *table(screen, COLUMNS, rows), *more]
