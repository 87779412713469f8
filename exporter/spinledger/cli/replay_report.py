"""The figures of a replay: as JSON, as CSV rows, as a table for people.

Rules: the same numbers in all three; seconds are exact to the nanosecond; what is undefined is null
in JSON, empty in CSV, a dash in the table. With --absorb the figures are those of the first seed,
the spread over all seeds stands beside them, and the recommendation is judged over all of them.
A cycle is a spin-up; a sleep that is still open at the end is none yet.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from spinledger.cli import replay_plot
from spinledger.codec.timers import encode_timer
from spinledger.config.zones import time_zone
from spinledger.errors import Misuse
from spinledger.model import SECOND
from spinledger.quiet.hours import Calendar
from spinledger.whatif.energy import COMPETITIVE_BOUND, break_even_s
from spinledger.whatif.replay import (
    CAUTION,
    DEFAULT_TIMERS_NS,
    Choice,
    Outcome,
    Part,
    Replay,
    Terms,
    Worth,
)
from spinledger.words import duration, timer

Figures = dict[str, Any]
_RATES = (
    "cycles_per_day",
    "waits_per_day",
    "asleep_ratio",
    "saved_kwh_per_year",
    "spinup_kwh_per_year",
    "net_kwh_per_year",
    "money_per_year",
    "start_stop_used_per_year",
    "load_used_per_year",
)


@dataclass(frozen=True, slots=True)
class Setting:
    """What a replay assumes."""

    timers_ns: tuple[int, ...]
    spinup_ns: int
    terms: Terms
    calendar: Calendar | None
    zone: str = "UTC"  # where there is no calendar
    exporter: str = ""  # the address of the exporter whose settings these are

    def replay(self) -> Replay:
        """A fresh replay."""
        tz = self.calendar.tz if self.calendar else time_zone(self.zone)
        return Replay(self.tried_ns, self.spinup_ns, self.calendar, tz)

    @property
    def tried_ns(self) -> tuple[int, ...]:
        """The timers, and for the advice the usual ones that are longer."""
        longest = max(self.timers_ns)
        return (*self.timers_ns, *(usual for usual in DEFAULT_TIMERS_NS if usual > longest))

    @property
    def clock(self) -> str:
        """The time zone of the hours of the day."""
        return self.calendar.schedule.zone if self.calendar else self.zone


def seconds(ns: int) -> int | float:
    """Seconds; whole ones as an integer."""
    return ns // SECOND if ns % SECOND == 0 else ns / SECOND


def timer_code(standby_ns: int) -> str | None:
    """The COUNT value of the ATA STANDBY command for a timer, such as 0xF2; None: it has none."""
    if standby_ns % SECOND:
        return None
    try:
        return f"0x{encode_timer(standby_ns // SECOND):02X}"
    except Misuse:
        return None


def report(
    worths: Sequence[Worth], runs: Sequence[Sequence[Outcome]], choice: Choice, setting: Setting
) -> Figures:
    """Everything, as JSON types."""
    terms = setting.terms
    return {
        "timers": [_figures(worth, runs, index) for index, worth in enumerate(worths)],
        "recommended": {
            "standby_seconds": seconds(choice.standby_ns),
            "ata_timer_code": timer_code(choice.standby_ns),
            "reason": choice.reason,
            "caution": CAUTION if choice.worth else "",
        },
        "reference": {
            "break_even_seconds": break_even_s(terms.watts, terms.spinup_j),
            "competitive_bound": COMPETITIVE_BOUND,
        },
        "assumed": {
            "spinup_seconds": seconds(setting.spinup_ns),
            "idle_watts": terms.watts.idle,
            "standby_watts": terms.watts.standby,
            "watts_source": terms.watts.source,
            "spinup_joules": terms.spinup_j,
            "time_zone": setting.clock,
            "budget_per_day": terms.budget_per_day,
            "waits_per_day": terms.waits_per_day,
            "currency": terms.currency or None,
            "per_kwh": terms.per_kwh,
            "exporter": setting.exporter or None,
        },
    }


def _figures(worth: Worth, runs: Sequence[Sequence[Outcome]], index: int) -> Figures:
    outcome = worth.outcome
    figures: Figures = {
        "standby_seconds": seconds(outcome.standby_ns),
        "ata_timer_code": timer_code(outcome.standby_ns),
        "cycles": outcome.cycles,
        "asleep_seconds": seconds(outcome.asleep_ns),
        "observed_seconds": seconds(outcome.observed_ns),
        "waits": outcome.waits,
        "waits_by_hour": list(outcome.waits_by_hour),
        **{rate: getattr(worth, rate) for rate in _RATES},
    }
    for name, part in (("quiet", outcome.quiet), ("rest", outcome.rest)):
        if part is not None:
            figures[name] = _part(part)
    if len(runs) > 1:
        figures["spread"] = _spread([run[index] for run in runs])
    return figures


def _part(part: Part) -> Figures:
    return {"cycles": part.cycles, "asleep_seconds": seconds(part.asleep_ns)}


def _spread(outcomes: Sequence[Outcome]) -> Figures:
    cycles = [outcome.cycles for outcome in outcomes]
    asleep = [outcome.asleep_ns for outcome in outcomes]
    return {
        "seeds": len(outcomes),
        "cycles": [min(cycles), max(cycles)],
        "asleep_seconds": [seconds(min(asleep)), seconds(max(asleep))],
    }


def rows(
    worths: Sequence[Worth], runs: Sequence[Sequence[Outcome]], setting: Setting
) -> list[list[Any]]:
    """A header and one row a timer; lists and nested figures are spread over columns."""
    flat = [_flat(_figures(worth, runs, index)) for index, worth in enumerate(worths)]
    header = list(flat[0]) if flat else []
    return [header, *(list(figures.values()) for figures in flat)]


def _flat(figures: Mapping[str, Any]) -> Figures:
    flat: Figures = {}
    for key, value in figures.items():
        if isinstance(value, Mapping):
            flat |= {f"{key}_{inner}": found for inner, found in _flat(value).items()}
        elif isinstance(value, list):
            names = range(len(value)) if len(value) > 2 else ("min", "max")
            flat |= {f"{key}_{name}": item for name, item in zip(names, value, strict=True)}
        else:
            flat[key] = value
    return flat


def table(
    name: str,
    worths: Sequence[Worth],
    runs: Sequence[Sequence[Outcome]],
    choice: Choice,
    setting: Setting,
) -> list[str]:
    """Lines for people: figures a timer, a plot, the recommendation, what it assumes."""
    terms = setting.terms
    head = ["timer", "spin-ups", "a day", "waits/d", "asleep", "net kWh/y"]
    head += [f"{terms.currency}/y"] if terms.per_kwh is not None else []
    head += ["quiet asleep h", "rest asleep h"] if setting.calendar else []
    rated = terms.rated_start_stop is not None or terms.rated_load is not None
    head += ["rating/y"] if rated else []
    head += ["spin-ups by seed"] if len(runs) > 1 else []
    body = [head]
    for index, worth in enumerate(worths):
        outcome = worth.outcome
        cells = [
            timer(outcome.standby_ns / SECOND),
            str(outcome.cycles),
            _shown(worth.cycles_per_day, ".1f"),
            _shown(worth.waits_per_day, ".1f"),
            _shown(worth.asleep_ratio, ".1%"),
            _shown(worth.net_kwh_per_year, ".2f"),
        ]
        if terms.per_kwh is not None:
            cells.append(_shown(worth.money_per_year, ".2f"))
        if outcome.quiet is not None and outcome.rest is not None:
            cells += [f"{part.asleep_ns / SECOND / 3600:.1f}" for part in _parts(outcome)]
        if rated:
            shares = (worth.start_stop_used_per_year, worth.load_used_per_year)
            cells.append(_shown(max((s for s in shares if s is not None), default=None), ".2%"))
        if len(runs) > 1:
            cycles = [run[index].cycles for run in runs]
            cells.append(f"{min(cycles)}-{max(cycles)}")
        body.append(cells)
    widths = [max(len(row[column]) for row in body) for column in range(len(head))]
    lines = ["  ".join(f"{c:>{w}}" for c, w in zip(row, widths, strict=True)) for row in body]
    observed = duration(worths[0].outcome.observed_ns / SECOND) if worths else "0 s"
    lines = [f"{name}: {observed} observed", "", *lines]
    return [*lines, "", *replay_plot.terminal(worths, choice), "", *_advice(choice, setting)]


def _parts(outcome: Outcome) -> list[Part]:
    return [part for part in (outcome.quiet, outcome.rest) if part is not None]


def _shown(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)


def _scale(waits: Sequence[int]) -> str:
    """What the digits of the hours mean."""
    most = max(waits)
    return "none" if not most else f"scale: 9 = {most} wait{'' if most == 1 else 's'}"


def _advice(choice: Choice, setting: Setting) -> list[str]:
    terms = setting.terms
    lines = [f"Recommended: {choice.reason}"]
    if choice.worth is not None:
        code = timer_code(choice.standby_ns)
        waits = choice.worth.outcome.waits_by_hour
        lines.append(
            f"To set: ATA timer code {code}." if code else "ATA has no code for this timer."
        )
        lines.append(f"Waits by hour of day, {setting.clock}; {_scale(waits)}:")
        lines += ["  00    06    12    18", f"  {replay_plot.hours(waits)}", CAUTION]
    gap = break_even_s(terms.watts, terms.spinup_j)
    pays = (
        "Sleep saves no energy at these watts"
        if gap is None
        else f"Sleep saves energy after {gap:.0f} s"
    )
    lines.append(
        f"{pays} ({terms.watts.idle:g} W idle, {terms.watts.standby:g} W standby, "
        f"{terms.spinup_j:g} J a spin-up: {terms.watts.source}). A timer of that length never "
        f"uses more than {COMPETITIVE_BOUND:g} times the energy of a perfect timer."
    )
    if setting.exporter:
        lines.append(f"Settings not given as options are from the exporter at {setting.exporter}.")
    if setting.spinup_ns:
        lines.append(
            f"I/O in the {timer(setting.spinup_ns / SECOND)} of a spin-up waits for its end."
        )
    return lines
