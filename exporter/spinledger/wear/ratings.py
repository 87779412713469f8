"""Typical published ratings, to help an owner choose; never used as a default.

Rules: each row is one maker's manual for one class of drive, read in that manual; the README shows
the table. A rating is a design figure under the maker's conditions, not a prediction of failure;
the document of one's own drive goes before all. Load cycles that the host commands and those of a
timer may be rated apart.
"""

from __future__ import annotations

from dataclasses import dataclass

YEARS = 5.0
DAYS_PER_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class Published:
    """One class of drive; None: the manual gives no such figure."""

    drive: str
    load: int | None
    start_stop: int | None
    emergency: int | None  # unloads without power, which wear far more
    conditions: str
    source: str


PUBLISHED = (
    Published(
        "3.5-inch 7200 rpm, helium, data centre",
        600_000,
        None,
        None,
        "at 40 degrees Celsius",
        "Ultrastar HC580 specification, 6.5.4, p34",
    ),
    Published(
        "2.5-inch 15,000 rpm SAS",
        600_000,
        50_000,
        None,
        "start-stop at ambient conditions; 10,000 across the rated environment",
        "Ultrastar C15K600 specification, 10.1 and 10.2, p45",
    ),
    Published(
        "2.5-inch mobile",
        600_000,
        None,
        20_000,
        "",
        "Travelstar Z5K500 specification, 6.3.6, p27",
    ),
    Published(
        "2.5-inch mobile of the 2000s",
        300_000,
        None,
        20_000,
        "",
        "Travelstar 60GH and 40GN specification, 6.4.6, p42",
    ),
    Published(
        "1-inch",
        300_000,
        None,
        3_000,
        "an emergency unload wears more than a hundred normal ones; warranty void at 3,000",
        "Microdrive DSCM-11000 specification, 12.4, p66",
    ),
)


def daily_budget(rating: int, years: float = YEARS) -> float:
    """Cycles a day that use a rating up in that many years."""
    return rating / (years * DAYS_PER_YEAR)


def table() -> str:
    """The table for the README: figures, what they are a day over five years, and their source."""
    rows = ["| drive | load cycles | start-stop cycles | emergency unloads | source, conditions |"]
    rows.append("|---|---|---|---|---|")
    for row in PUBLISHED:
        emergency = f"{row.emergency:,}" if row.emergency else "none given"
        where = f"{row.source}; {row.conditions}" if row.conditions else row.source
        rows.append(
            f"| {row.drive} | {_cell(row.load)} | {_cell(row.start_stop)} | {emergency} | {where} |"
        )
    return "\n".join(rows)


def _cell(rating: int | None) -> str:
    return f"{rating:,} ({daily_budget(rating):,.1f} a day)" if rating else "none given"
