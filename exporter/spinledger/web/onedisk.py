"""The page of one disk: the strips of all ranges, its days, timers, wear and energy.

Rules: as the page of all disks; every chart has its figures in words or in a table on the page.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from spinledger.config.settings import Tariff
from spinledger.facts import DiskView, Rated, Snapshot
from spinledger.model import DAY
from spinledger.strip import NO_HISTORY, DiskHistory, strip
from spinledger.web import night, status, who
from spinledger.web.charts import WhatIf, curve, day_bars, what_if
from spinledger.web.context import PageContext
from spinledger.web.costs import balance, power, priced
from spinledger.web.frame import definitions, footer, legend, page, shaded, shading
from spinledger.web.html import marked_up, safe, time_tag
from spinledger.web.strips import RANGES, asleep_share, axis, drawing
from spinledger.web.timers import timer_facts
from spinledger.web.week import LIMIT
from spinledger.whatif.energy import break_even_s
from spinledger.whatif.replay import CAUTION
from spinledger.words import (
    STATES,
    duration,
    kwh,
    local,
    lower_first,
    month,
    number,
    percent,
    plural,
    timer,
)

DAYS = 30
NEWEST = 20  # the newest, in the table

Facts = Sequence[tuple[str, str]]  # term, and text that is safe


def one_disk(snapshot: Snapshot, view: DiskView, context: PageContext, history: bool = True) -> str:
    """The page of a disk of this snapshot."""
    now = snapshot.wall_ns
    histories = context.histories(now - RANGES[-1].span_ns, now)
    recent = histories.get(view.disk.identity, NO_HISTORY)
    found = night.nights(snapshot.disks, histories, context.calendars(), now)
    quiet = {
        name: held for name, held in shading(context).items() if name == (view.policy.quiet or "")
    }
    name = f"{safe(view.disk.kernel_name)} {safe(view.disk.model)}"
    body = "\n".join(
        (
            f'<p><a href="/">All disks</a></p><p>{status.state(view, now)}</p>',
            _night(night.of_disk(found, view.disk.identity), context, now),
            status.findings((view,), context, now, alone=True),
            definitions(quiet, RANGES, now),
            _strips(view, recent, context, now),
            legend(quiet),
            _days(view, recent, context, now),
            _spin_ups(snapshot, view, histories, context),
            who.table(snapshot.disks, histories, now, only=view.disk.wake_group),
            _timers(view),
            '<div class="pair">',
            _facts("Wear", _wear(view, context, now)),
            _facts("Energy, estimated", _energy(view, context.tariff())),
            _facts("Standby timer", timer_facts(view)),
            _facts("The disk", _disk(view)),
            "</div>",
            footer(history),
        )
    )
    return page(f"{safe(view.disk.kernel_name)} · Spinledger", name, body, context, now)


def _night(found: night.Night, context: PageContext, now: int) -> str:
    """Last night, and what to do where it slept too little."""
    parts = [f'<p class="night">{safe(night.sentence(found, now, context.tz))}</p>']
    parts += [
        f"<p>{safe(one.share).capitalize()}: {safe(lower_first(one.cause))}. First: "
        f"{marked_up(lower_first(one.remedy))}.</p>"
        for one in found.short
    ]
    return "".join(parts)


def _strips(view: DiskView, history: DiskHistory, context: PageContext, now: int) -> str:
    held = shading(context).get(view.policy.quiet or "")
    parts = []
    for shown in RANGES:
        start = now - shown.span_ns
        counted = strip(history, shown, now)
        drawn = drawing(counted, shaded(held[0], shown) if held else "")
        parts.append(
            f'<section><h2>The last {shown.title} <small class="soft">asleep '
            f'{asleep_share(counted)}</small></h2><div class="times"'
            f' data-from="{start // 1_000_000}" data-to="{now // 1_000_000}">'
            f"{axis(shown, now, context.tz)}{drawn}</div></section>"
        )
    return "\n".join(parts)


def _days(view: DiskView, history: DiskHistory, context: PageContext, now: int) -> str:
    """Spin-ups of each local day, the present one included."""
    today = local(now, context.tz).date()
    counts: dict[int, int] = {}
    for spin_up in history.spin_ups:
        day = (today - local(spin_up.at, context.tz).date()).days
        counts[day] = counts.get(day, 0) + 1
    first = (
        (today - local(history.periods[0].began, context.tz).date()).days if history.periods else -1
    )
    labels = [local(now - day * DAY, context.tz) for day in range(DAYS)]
    rows = [
        (f"{at.day} {at:%b}", counts.get(day, 0) if day <= first else None)
        for day, at in reversed(list(enumerate(labels)))
    ]
    total = sum(count or 0 for _, count in rows)
    known = sum(1 for _, count in rows if count is not None)
    unobserved = sum(not one.observed for one in history.spin_ups)
    of_these = f", {number(unobserved)} by the drive&#x27;s counter alone" if unobserved else ""
    words = (
        f"{plural(total, 'spin-up')} on {plural(known, 'recorded day')}{of_these}; the budget is "
        f"{number(view.policy.budget_per_day)} a day ({safe(view.policy.budget_source)})."
    )
    return (
        f"<section><h2>Spin-ups a day</h2>{day_bars(rows, view.policy.budget_per_day)}"
        f"<p>{words}</p></section>{_limits(view)}"
    )


def _limits(view: DiskView) -> str:
    """Observed spin-ups in each window, beside its limit."""
    rows = "".join(
        f'<tr><th scope="row">{name[:-1]} {name[-1]}</th><td class="num">{number(one.count)}</td>'
        f'<td class="num">{number(one.limit)}</td><td>'
        + ('<span class="bad">! over its limit</span>' if one.used_ratio >= 1 else "")
        + "</td></tr>"
        for name, one in view.facts.windows.items()
    )
    return (
        f'<section><h2>Limits</h2><p class="about">{LIMIT}</p><table><thead><tr>'
        '<th scope="col">Last</th><th scope="col" class="num">Observed spin-ups</th>'
        f'<th scope="col" class="num">Limit</th><td></td></tr></thead><tbody>{rows}</tbody>'
        "</table></section>"
    )


def _spin_ups(
    snapshot: Snapshot, view: DiskView, histories: Mapping[str, DiskHistory], context: PageContext
) -> str:
    """The newest, each in words."""
    history = histories.get(view.disk.identity, NO_HISTORY)
    newest = who.newest(view, snapshot.disks, histories, NEWEST, context.tz)
    if not newest:
        return ""
    many = f"The newest {len(newest)} of {len(history.spin_ups)} in {DAYS} days."
    if not any(one.cause or one.actor or one.wait is not None for one in history.spin_ups):
        many += " Their causes are unknown."
    rows = "".join(f"<li>{words}</li>" for words in newest)
    return (
        f'<section><h2>Newest spin-ups</h2><p class="soft">{many}</p>'
        f'<ol class="columns">{rows}</ol></section>'
    )


def _timers(view: DiskView) -> str:
    tried = what_if(view)
    if tried is None:
        short = '<p class="soft">Less than 6 hours observed so far.</p>'
        return f"<section><h2>Other timers</h2>{short}</section>"
    return (
        '<section><h2>Other timers</h2><div class="pair">'
        f"<div>{curve(tried)}</div><div>{_timer_table(tried)}</div></div>"
        f'<p class="soft">{safe(CAUTION)}</p></section>'
    )


def _timer_table(tried: WhatIf) -> str:
    rows = "".join(
        f'<tr><th scope="row">{timer(at)}</th><td class="num">{number(cycles)}</td>'
        f'<td class="num">{percent(asleep)}</td></tr>'
        for at, cycles, asleep in zip(tried.timers, tried.cycles, tried.asleep, strict=True)
    )
    days = number(round(tried.days, 1 if tried.days < 10 else 0))
    present = f" Present timer: {timer(tried.present)}." if tried.present is not None else ""
    return (
        f"<table><caption>From the gaps between I/O requests in {days} days. "
        f"Observed spin-ups: {number(tried.seen)} a day (the diamond).{present}"
        "</caption><thead><tr>"
        '<th scope="col">Timer</th><th scope="col" class="num">Spin-ups a day</th>'
        f'<th scope="col" class="num">Asleep</th></tr></thead><tbody>{rows}</tbody></table>'
    )


def _facts(title: str, facts: Facts) -> str:
    inside = "".join(f"<dt>{term}</dt><dd>{text}</dd>" for term, text in facts)
    shown = f'<dl class="facts">{inside}</dl>' if facts else '<p class="soft">Nothing is known.</p>'
    return f"<section><h2>{title}</h2>{shown}</section>"


_COUNTERS = (
    ("start_stops", "Spindle starts"),
    ("loads", "Head loads"),
    ("power_cycles", "Power cycles"),
    ("retracts", "Emergency retracts"),
)
_REFUSED = {
    "fell": "fell",
    "too_fast": "rose too fast",
    "too_high": "too high for the drive's age",
    "disagrees": "differs from smartctl",
    "restarted": "began anew at another value",
}
_KINDS = {"load": "head loads", "start_stop": "spindle starts"}


def _wear(view: DiskView, context: PageContext, now: int) -> Facts:
    counters = view.facts.counters
    facts = [
        (title, number(count))
        for name, title in _COUNTERS
        if counters is not None and (count := getattr(counters, name)) is not None
    ]
    facts += [
        (title, f"doubtful: {' or '.join(map(number, view.facts.doubtful[name]))}")
        for name, title in _COUNTERS
        if name in view.facts.doubtful
    ]
    if counters is not None and counters.power_on_s is not None:
        facts.append(("Powered on", f"{number(counters.power_on_s // 3600)} h"))
    for kind, rated in view.facts.rated.items():
        share = "" if rated.used_ratio is None else f", {percent(rated.used_ratio)} used"
        facts.append((f"Rated {_KINDS.get(kind, safe(kind))}", f"{number(rated.cycles)}{share}"))
        if end := used_up(rated, now, context):
            what = _KINDS.get(kind, safe(kind)).capitalize()
            facts.append((f"{what} used up (90 % interval)", end))
    refused = [
        f"{number(count)} {_REFUSED.get(reason, safe(reason))}"
        for reason, count in view.facts.totals.rejected.items()
        if count
    ]
    if refused:
        facts.append(("Readings rejected", ", ".join(refused)))
    read_wall_ns = view.facts.counters_wall_ns
    if read_wall_ns is not None:
        facts.append(("Counters read", time_tag(read_wall_ns, context.tz)))
    return facts


def used_up(rated: Rated, now: int, context: PageContext) -> str:
    """When a rating will be used up at the present pace: Mar 2031 to Aug 2033; "" if unknown."""
    early, late = rated.early_wall_ns, rated.late_wall_ns
    if early is None:
        return ""
    if early <= now:
        return "already"
    first = month(early, context.tz)
    if late is None:
        return f"{first} or later"
    last = month(late, context.tz)
    return first if first == last else f"{first} to {last}"


def _energy(view: DiskView, tariff: Tariff | None) -> Facts:
    facts = [
        (
            "For spin-ups" if state == "spinup" else STATES.get(state, safe(state)).capitalize(),
            kwh(joules),
        )
        for state, joules in view.facts.totals.energy_j.items()
    ]
    recorded = power(view)
    facts.insert(0, ("Used since recording began", kwh(recorded.spent)))
    facts.append(("Saved by sleep, minus spin-ups", balance(recorded.saved, None)))
    if recorded.spent_a_year is not None and recorded.saved_a_year is not None:
        facts.append(("Used a year, at this pace", priced(recorded.spent_a_year, tariff)))
        facts.append(("Saved a year, at this pace", balance(recorded.saved_a_year, tariff)))
    watts = view.policy.watts
    if (least := break_even_s(watts, view.policy.spinup_j)) is not None:
        facts.append(("Sleep saves energy after", duration(least)))
    if tariff is not None:
        facts.append(("Tariff", f"{tariff.per_kwh:.2f} {safe(tariff.currency)} a kWh"))
    facts.append(
        (
            "Assumed",
            f"{watts.idle:g} W idle, {watts.standby:g} W standby ({safe(watts.source)}), "
            f"{view.policy.spinup_j:g} J a spin-up",
        )
    )
    return facts


def _disk(view: DiskView) -> Facts:
    disk, policy = view.disk, view.policy
    facts = [
        ("Identity", safe(disk.identity)),
        ("Serial", safe(disk.serial)),
        ("Firmware", safe(disk.firmware)),
        ("Path", f"{safe(', '.join(disk.nodes))}, {safe(disk.transport)}"),
        ("Pool", safe(disk.pool) or "none"),
        ("Watched", safe(policy.watch.value)),
        ("Quiet hours", safe(policy.quiet or "none")),
    ]
    if disk.not_probed_because:
        facts.append(("Not probed", safe(disk.not_probed_because)))
    return [fact for fact in facts if fact[1]]
