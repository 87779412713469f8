"""The page of all disks: findings, then a strip a disk by pool, then the figures.

Rules: drawn from one snapshot and the history in memory. The range is part of the address, so that
it works without a script; an unknown one is the first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from re import split

from spinledger.config.settings import Tariff
from spinledger.facts import DiskView, Snapshot
from spinledger.quiet.hours import Calendar
from spinledger.strip import NO_HISTORY, DiskHistory, Range, strip
from spinledger.web import status
from spinledger.web.charts import little_curve, meter, what_if
from spinledger.web.context import PageContext
from spinledger.web.costs import balance, power, together
from spinledger.web.frame import definitions, footer, legend, page, shaded, shading
from spinledger.web.strips import RANGES, asleep_share, axis, drawing
from spinledger.web.words import kwh, month, number, percent, plural, safe

Quiet = Mapping[str, tuple[str, Calendar]]

NO_POOL = "No pool"


def overview(
    snapshot: Snapshot | None, context: PageContext, wanted: str = "", history: bool = True
) -> str:
    """The page, from one snapshot or from none yet. `wanted` is the name of a range."""
    if snapshot is None:
        body = f"<p>No data yet: the first sample is due within seconds.</p>{footer(history)}"
        return page("Spinledger", "Spinledger", body, context, None)
    now = snapshot.wall_ns
    others = len(snapshot.exporter.skipped)
    skipped = (
        f'<p class="soft">{plural(others, "other block device")} not watched; '
        "/snapshot gives the reasons.</p>"
        if others
        else ""
    )
    if not snapshot.disks:
        body = f"<p>No rotating disk found.</p>{skipped}{footer(history)}"
        return page("Spinledger", "Spinledger", body, context, now)
    shown = next((one for one in RANGES if one.name == wanted), RANGES[0])
    histories = context.histories(now - shown.span_ns, now)
    quiet = shading(context)
    lead = f"{plural(len(snapshot.disks), 'disk')}: {status.counts(snapshot.disks)}"
    body = "\n".join(
        (
            status.findings(snapshot.disks),
            _choice(shown),
            definitions(quiet, (shown,), now),
            legend(quiet),
            *_pools(snapshot.disks, histories, shown, now, context, quiet),
            _figures(snapshot.disks, now, context),
            skipped,
            footer(history),
        )
    )
    return page("Spinledger", lead, body, context, now)


def _choice(shown: Range) -> str:
    links = "".join(
        f'<a href="/?range={one.name}"'
        + (' aria-current="page"' if one is shown else "")
        + f">{one.title}</a>"
        for one in RANGES
    )
    return f'<nav class="range" aria-label="Time shown"><span>The last</span>{links}</nav>'


def _pools(
    views: Sequence[DiskView],
    histories: Mapping[str, DiskHistory],
    shown: Range,
    now: int,
    context: PageContext,
    quiet: Quiet,
) -> list[str]:
    pools: dict[str, list[DiskView]] = {}
    for view in sorted(views, key=lambda view: (not view.disk.pool, _natural(view.disk.pool))):
        pools.setdefault(view.disk.pool or NO_POOL, []).append(view)
    times = f'data-from="{(now - shown.span_ns) // 1_000_000}" data-to="{now // 1_000_000}"'
    line = axis(shown, now, context.tz)
    parts = []
    for name, members in pools.items():
        rows = "\n".join(
            _row(view, histories.get(view.disk.identity, NO_HISTORY), shown, now, quiet)
            for view in members
        )
        one = f": {status.counts(members)}" if len(members) > 1 else ""
        title = f'{safe(name)} <small class="soft">{plural(len(members), "disk")}{one}</small>'
        parts.append(
            f'<section><h2>{title}</h2><div class="times" {times}><div class="row head">'
            f"<span></span>{line}<span></span></div><ol>{rows}</ol></div></section>"
        )
    return parts


def _natural(name: str) -> list[tuple[int, str]]:
    """Numbers in a name are compared as numbers: plates-2 comes before plates-10."""
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in split(r"(\d+)", name)]


def _row(view: DiskView, history: DiskHistory, shown: Range, now: int, quiet: Quiet) -> str:
    disk = view.disk
    held = quiet.get(view.policy.quiet or "")
    counted = strip(history, shown, now)
    drawn = drawing(counted, shaded(held[0], shown) if held else "")
    count = view.facts.windows["1d"].count
    budget = view.policy.budget_per_day
    over = _over(view)
    bad = f'<span class="bad">! over its limit in {over}</span>' if over else ""
    spins = "spin-up" if count == 1 else "spin-ups"
    last = [] if counted.asleep_ratio is None else [f"asleep {asleep_share(counted)}"]
    last += [plural(len(view.findings), "finding")] if view.findings else []
    return (
        f'<li class="row"><div class="name"><h3>{status.link(view)} {safe(disk.model)}</h3>'
        f'<small class="soft">{safe(disk.serial)}</small>'
        f"<small>{status.state(view, now)}</small></div>{drawn}"
        f'<div class="figures"><span><b>{count}</b> {spins} in 24 h</span>'
        f"{meter(count, budget)}<span>budget {number(budget)} a day</span>{bad}"
        f"<span>{'; '.join(last)}</span></div></li>"
    )


def _over(view: DiskView) -> str:
    """The longest window whose limit is reached: 6 h; "" for none."""
    reached = [name for name, one in view.facts.windows.items() if one.count >= one.limit]
    return f"{reached[-1][:-1]} {reached[-1][-1]}" if reached else ""


COLUMNS = (
    ("Disk", ""),
    ("Spin-ups, 7 days", "num"),
    ("30 days", "num"),
    ("Life used", "num"),
    ("Rating used up", ""),
    ("Energy a year", "num"),
    ("Saved a year", "num"),
    ("By timer", ""),
)


def _figures(views: Sequence[DiskView], now: int, context: PageContext) -> str:
    head = "".join(
        f'<th scope="col"{f" class={kind!r}" if kind else ""}>{title}</th>'
        for title, kind in COLUMNS
    ).replace("'", '"')
    tariff = context.tariff()
    rows = "\n".join(_figure(view, now, context, tariff) for view in views)
    price = f" at {tariff.per_kwh:.2f} {safe(tariff.currency)} a kWh" if tariff else ""
    return (
        "<section><h2>Wear, energy, timers</h2>"
        '<p class="about">Spin-ups are those observed in the last 7 and 30 days. Life used is '
        "the drive&#x27;s counters divided by its rated cycles. Energy is an estimate, a year at "
        f"the pace so far; saved is what sleep saved minus what spin-ups cost{price}. The curve "
        "shows spin-ups a day by standby timer, from short to long; the dashed line is the budget, "
        "the dotted line the present timer.</p>"
        '<div class="wide-table" role="region" aria-label="Wear, energy, timers" tabindex="0">'
        f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody>{_sum(views, tariff)}</table>"
        "</div></section>"
    )


def _sum(views: Sequence[DiskView], tariff: Tariff | None) -> str:
    """The last row: what all disks use and save in a year, where that is known of each."""
    total = together(views)
    if total is None or len(views) < 2:
        return ""
    spent, saved = total
    return (
        '<tfoot><tr><th scope="row">All disks</th><td></td><td></td><td></td><td></td>'
        f'<td class="num">{kwh(spent)}</td>'
        f'<td class="num">{balance(saved, tariff)}</td><td></td></tr></tfoot>'
    )


def _figure(view: DiskView, now: int, context: PageContext, tariff: Tariff | None) -> str:
    shares = [one.used_ratio for one in view.facts.rated.values() if one.used_ratio is not None]
    used = max(shares, default=None)
    recorded = power(view)
    spent, saved = recorded.spent_a_year, recorded.saved_a_year
    curve = what_if(view)
    cells = (
        ("num", number(view.facts.windows["7d"].count)),
        ("num", number(view.facts.windows["30d"].count)),
        ("num", "unknown" if used is None else percent(used)),
        ("", used_up(view, now, context) or "unknown"),
        ("num", "unknown" if spent is None else kwh(spent)),
        ("num", "unknown" if saved is None else balance(saved, tariff)),
        ("", "unknown" if curve is None else little_curve(curve)),
    )
    return (
        f'<tr><th scope="row">{status.link(view)} {safe(view.disk.model)}</th>'
        + "".join(
            f'<td class="num">{text}</td>' if kind else f"<td>{text}</td>" for kind, text in cells
        )
        + "</tr>"
    )


def used_up(view: DiskView, now: int, context: PageContext) -> str:
    """When the first of its ratings will be used up: Mar 2031 to Aug 2033; "" if unknown."""
    ends = [one for one in view.facts.rated.values() if one.early_wall_ns is not None]
    soonest = min(ends, key=lambda one: one.early_wall_ns or 0, default=None)
    if soonest is None or soonest.early_wall_ns is None:
        return ""
    if soonest.early_wall_ns <= now:
        return "already"
    late = soonest.late_wall_ns or soonest.early_wall_ns
    first, last = (month(at, context.tz) for at in (soonest.early_wall_ns, late))
    return first if first == last else f"{first} to {last}"
