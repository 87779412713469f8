"""The last seven days of each disk: spin-ups against the budget, their hours, rated life left.

Rules: pure; plain texts, for page and terminal alike. A pace a day needs a whole observed day. Of
two kinds of rated cycles the one that will be used up first counts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from spinledger.facts import DiskView, Rated
from spinledger.model import DAY, SECOND, State
from spinledger.strip import NO_HISTORY, DiskHistory, by_hour, observed_ns, spin_ups
from spinledger.web.night import DiskNight, Night
from spinledger.words import number

YEAR_NS = 31_557_600 * SECOND  # 365.25 days
LONG_YEARS = 50  # longer makes no difference
PROJECTED_AFTER_NS = 14 * DAY  # wear.projection.LEAST_DAYS

LIMIT = (
    "The budget is a mean of many days. A limit is the count in a window that a disk within its "
    "budget would reach by chance less than once in a thousand years; alerts use the limits."
)
KINDS = {"load": "head loads", "start_stop": "spindle starts"}


@dataclass(frozen=True, slots=True)
class Week:
    """One disk's week."""

    view: DiskView
    night: DiskNight
    cycles: int
    per_day: float | None  # None: less than a day was observed
    by_hour: Sequence[int]  # 24 counts, from midnight
    kind: str  # of the rated cycles that will be used up first, else are used most; ""
    years: tuple[float, float | None] | None  # until they are used up, early and late
    life: str  # the same in words

    @property
    def over(self) -> str:
        """As `over_limit`."""
        return over_limit(self.view)

    @property
    def used_ratio(self) -> float | None:
        """Share of the rated cycles of this kind that is used."""
        return self.view.facts.rated[self.kind].used_ratio if self.kind else None

    @property
    def ends_soon(self) -> bool:
        """A rating may be used up before the configured horizon."""
        return self.years is not None and self.years[0] * YEAR_NS <= (
            self.view.policy.horizon_s * SECOND
        )


def over_limit(view: DiskView) -> str:
    """The window that is furthest over its limit: 61 of 31 in 24 h; "" for none."""
    name, window = max(view.facts.windows.items(), key=lambda item: item[1].used_ratio)
    if window.used_ratio < 1:
        return ""
    span = "24 h" if name == "1d" else f"{name[:-1]} {name[-1]}"
    return f"{number(window.count)} of {number(window.limit)} in {span}"


def weeks(
    found: Sequence[Night], histories: Mapping[str, DiskHistory], now: int, tz: tzinfo
) -> dict[str, Week]:
    """The week of each disk, by identity."""
    return {
        one.view.disk.identity: _week(
            one, histories.get(one.view.disk.identity, NO_HISTORY), now, tz
        )
        for night in found
        for one in night.disks
    }


def _week(night: DiskNight, history: DiskHistory, now: int, tz: tzinfo) -> Week:
    view, began = night.view, now - 7 * DAY
    window = view.facts.windows.get("7d")
    cycles = window.count if window else 0
    days = observed_ns(history, began, now) / DAY
    kind = _kind(view.facts.rated)
    years = _years(view.facts.rated[kind], now) if kind else None
    return Week(
        view,
        night,
        cycles,
        cycles / days if days >= 1 else None,
        by_hour(spin_ups(history, began, now), tz),
        kind,
        years,
        life(view, years),
    )


def _kind(rated: Mapping[str, Rated]) -> str:
    ends = {kind: at for kind, one in rated.items() if (at := one.early_wall_ns) is not None}
    if ends:
        return min(ends, key=lambda kind: ends[kind])
    return max(rated, key=lambda kind: rated[kind].used_ratio or 0.0, default="")


def _years(rated: Rated, now: int) -> tuple[float, float | None] | None:
    if rated.early_wall_ns is None:
        return None
    late = None if rated.late_wall_ns is None else (rated.late_wall_ns - now) / YEAR_NS
    return max(0.0, (rated.early_wall_ns - now) / YEAR_NS), late


def life(view: DiskView, years: tuple[float, float | None] | None) -> str:
    """12 to 20 years; 5 months or more; used up; over 50 years; not rated; unknown."""
    if years is not None:
        return _span(*years)
    facts = view.facts
    if not facts.rated:
        return "not rated"
    if any((one.used_ratio or 0) >= 1 for one in facts.rated.values()):
        return "used up"
    month = facts.windows.get("30d")
    observed = sum(
        ns for state, ns in facts.totals.state_ns.items() if state is not State.UNOBSERVED
    )
    if observed < PROJECTED_AFTER_NS or (month and month.count):
        return "unknown"
    return f"over {LONG_YEARS} years"


def _span(early: float, late: float | None) -> str:
    if early <= 0:
        return "used up"
    if early > LONG_YEARS:
        return f"over {LONG_YEARS} years"
    if late is None or late > LONG_YEARS:
        return f"{rounded(early)} or more"
    first, last = rounded(early), rounded(late)
    if first == last:
        return f"about {first}"
    count, unit = first.split()
    same = unit.rstrip("s") == last.split()[1].rstrip("s")
    return f"{count if same else first} to {last}"


def rounded(years: float) -> str:
    """1 year, 12 years, 5 months."""
    count, unit = (round(years), "year") if years >= 1 else (max(1, round(12 * years)), "month")
    return f"{count} {unit}{'' if count == 1 else 's'}"


def week_json(found: Mapping[str, Week]) -> list[dict[str, object]]:
    """For /snapshot."""
    return [
        {
            "disk": identity,
            "slept_last_night_ratio": week.night.slept.ratio if week.night.slept.known_ns else None,
            "slept_enough": week.night.enough,
            "cycles": week.cycles,
            "cycles_per_day": week.per_day,
            "budget_per_day": week.view.policy.budget_per_day,
            "over_limit": week.over or None,
            "cycles_by_hour": list(week.by_hour),
            "life_kind": KINDS.get(week.kind, week.kind),
            "life_used_ratio": week.used_ratio,
            "years_left": None if week.years is None else list(week.years),
            "life": week.life,
            "life_ends_soon": week.ends_soon,
        }
        for identity, week in found.items()
    ]
