"""The tables of all disks: the last seven days, and energy by the year.

Rules: each column is explained above its table; with many disks a table is folded.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from spinledger.config.settings import Tariff
from spinledger.facts import DiskView
from spinledger.model import SECOND
from spinledger.web import status
from spinledger.web.charts import hour_bars, little_curve, what_if
from spinledger.web.costs import balance, power, together
from spinledger.web.html import safe, wide_row, wide_table
from spinledger.web.week import KINDS, YEAR_NS, Week, rounded
from spinledger.words import kwh, number, percent

Cells = Sequence[str]  # safe

WEEK = (
    ("Disk", ""),
    ("Last night", "num"),
    ("Spin-ups a day", "num"),
    ("Budget a day", "num"),
    ("By hour, 0 to 24", ""),
    ("Life used", "num"),
    ("Life left", ""),
)
ENERGY = (
    ("Disk", ""),
    ("Energy a year", "num"),
    ("Saved a year", "num"),
    ("Spin-ups by timer", ""),
)


def week_table(weeks: Iterable[Week], folded: bool) -> str:
    """Sleep, spin-ups, their hours, and rated life."""
    rows = [(week.view, _week(week)) for week in weeks]
    about = (
        "Last night is the share asleep of the last quiet hours, or of the last 24 hours without "
        "quiet hours. Spin-ups are those of the last seven days, and the hours of the day in which "
        "they came. Life used is the drive&#x27;s counters divided by its rated cycles; life left "
        "is until the rating is used up at this pace (90 % interval). A rating is a design figure; "
        "it does not forecast a failure."
    )
    return _table("The last 7 days", about, WEEK, rows, "", folded)


def _week(week: Week) -> Cells:
    night = week.night
    slept = percent(night.slept.ratio) if night.slept.known_ns else "unknown"
    pace = "unknown" if week.per_day is None else number(round(week.per_day, 1))
    used, kind = week.used_ratio, KINDS.get(week.kind, "")
    horizon = rounded(week.view.policy.horizon_s * SECOND / YEAR_NS)
    left = _marked(week.life, f"! within {horizon}") if week.ends_soon else week.life
    return (
        _marked(slept, "! too little") if night.enough is False else slept,
        _marked(pace, f"! over its limit: {week.over}") if week.over else pace,
        number(week.view.policy.budget_per_day),
        hour_bars(week.by_hour),
        "unknown" if used is None else f"{percent(used)} of {kind}",
        left,
    )


def _marked(text: str, mark: str) -> str:
    return f'{text} <span class="bad">{mark}</span>'


def energy_table(views: Sequence[DiskView], tariff: Tariff | None, folded: bool) -> str:
    """What each disk uses and what its sleep saves, and what other timers would do."""
    price = f" at {tariff.per_kwh:.2f} {safe(tariff.currency)} a kWh" if tariff else ""
    about = (
        "Energy is an estimate, a year at the pace so far; saved is what sleep saved minus what "
        f"spin-ups cost{price}. The curve shows spin-ups a day by standby timer, from short to "
        "long; the dashed line is the budget, the dotted line the present timer."
    )
    rows = [(view, _energy(view, tariff)) for view in views]
    return _table("Energy and timers", about, ENERGY, rows, _sum(views, tariff), folded)


def _energy(view: DiskView, tariff: Tariff | None) -> Cells:
    spent, saved = power(view).spent_a_year, power(view).saved_a_year
    curve = what_if(view)
    return (
        "unknown" if spent is None else kwh(spent),
        "unknown" if saved is None else balance(saved, tariff),
        "unknown" if curve is None else little_curve(curve),
    )


def _sum(views: Sequence[DiskView], tariff: Tariff | None) -> str:
    """The last row: what all disks use and save in a year, where that is known of each."""
    total = together(views)
    if total is None or len(views) < 2:
        return ""
    spent, saved = total
    row = wide_row(ENERGY, "All disks", (kwh(spent), balance(saved, tariff), ""))
    return f'<tfoot role="rowgroup">{row}</tfoot>'


def _table(
    title: str,
    about: str,
    columns: Sequence[tuple[str, str]],
    rows: Sequence[tuple[DiskView, Cells]],
    foot: str,
    folded: bool,
) -> str:
    body = "\n".join(
        wide_row(columns, f"{status.link(view)} {safe(view.disk.model)}", cells)
        for view, cells in rows
    )
    inside = f'<p class="about">{about}</p>{wide_table(title, columns, body, foot)}'
    if not folded:
        return f"<section><h2>{title}</h2>{inside}</section>"
    name = title.lower().replace(" ", "-")
    return (
        f'<section><details id="t-{name}"><summary><h2>{title}</h2></summary>{inside}'
        "</details></section>"
    )
