"""The disks as rows: state, strip, spin-ups; in pools or sorted, all of them or some.

Rules: range, order and selection are part of the address, so that they work without a script; an
unknown one is the first. With many disks each row is one line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from re import split
from urllib.parse import urlencode

from spinledger.facts import DiskView
from spinledger.quiet.hours import Calendar
from spinledger.strip import NO_HISTORY, DiskHistory, Range, strip
from spinledger.web import status
from spinledger.web.charts import meter
from spinledger.web.context import PageContext
from spinledger.web.frame import shaded
from spinledger.web.html import safe
from spinledger.web.strips import RANGES, asleep_share, axis, drawing
from spinledger.web.week import LIMIT, Week, over_limit
from spinledger.words import number, plural

Quiet = Mapping[str, tuple[str, Calendar]]

NO_POOL = "No pool"
CHOOSE_FROM = 9  # disks from which on order and selection are offered
MANY = 17  # disks from which on a row is one line

SORTS = {"pool": "by pool", "worst": "worst first", "name": "by name"}
SHOWS = {"all": "all", "findings": "with findings", "spinning": "spinning", "asleep": "asleep"}


@dataclass(frozen=True, slots=True)
class Wanted:
    """Range, order and selection, as in the address."""

    shown: Range = RANGES[0]
    sort: str = "pool"
    show: str = "all"

    @property
    def address(self) -> str:
        """The page's address, without what is the default."""
        plain = Wanted()
        query = {"range": self.shown.name}
        query |= {"sort": self.sort} if self.sort != plain.sort else {}
        query |= {"show": self.show} if self.show != plain.show else {}
        return safe(f"/?{urlencode(query)}")


def wanted(query: Mapping[str, str]) -> Wanted:
    """From the query of the address."""
    sort, show = query.get("sort", ""), query.get("show", "")
    return Wanted(
        next((one for one in RANGES if one.name == query.get("range")), RANGES[0]),
        sort if sort in SORTS else "pool",
        show if show in SHOWS else "all",
    )


def choices(now: Wanted, disks: int) -> str:
    """Links to the other ranges, orders and selections."""
    ranges = ((one.title, replace(now, shown=one)) for one in RANGES)
    parts = [_choice("Time shown", "The last", ranges, now)]
    if disks >= CHOOSE_FROM:
        orders = ((title, replace(now, sort=name)) for name, title in SORTS.items())
        parts.append(_choice("Order", "Order", orders, now))
        selections = ((title, replace(now, show=name)) for name, title in SHOWS.items())
        parts.append(_choice("Disks shown", "Disks", selections, now))
    return f'<div class="choices">{"".join(parts)}</div>'


def _choice(label: str, title: str, others: Iterable[tuple[str, Wanted]], now: Wanted) -> str:
    links = "".join(
        f'<a href="{one.address}"' + (' aria-current="page"' if one == now else "") + f">{text}</a>"
        for text, one in others
    )
    return f'<nav class="range" aria-label="{label}"><span>{title}</span>{links}</nav>'


def selected(views: Sequence[DiskView], show: str) -> list[DiskView]:
    """The disks of a selection."""
    kept: dict[str, Callable[[DiskView], bool]] = {
        "findings": lambda view: bool(view.findings) or bool(over_limit(view)),
        "spinning": lambda view: view.state.spinning,
        "asleep": lambda view: view.state.value == "standby",
    }
    return list(filter(kept[show], views)) if show in kept else list(views)


def sections(
    views: Sequence[DiskView],
    histories: Mapping[str, DiskHistory],
    weeks: Mapping[str, Week],
    want: Wanted,
    now: int,
    context: PageContext,
    quiet: Quiet,
) -> list[str]:
    """Rows of the selected disks under headings."""
    groups = _grouped(selected(views, want.show), weeks, want.sort)
    if not groups:
        return [f'<p class="soft">No disk is shown: {SHOWS[want.show]}.</p>']
    shown = want.shown
    times = f'data-from="{(now - shown.span_ns) // 1_000_000}" data-to="{now // 1_000_000}"'
    line = axis(shown, now, context.tz)
    dense = len(views) >= MANY
    parts: list[str] = []
    for name, members in groups.items():
        rows = "\n".join(
            _row(view, histories.get(view.disk.identity, NO_HISTORY), shown, now, quiet, dense)
            for view in members
        )
        head = f'<div class="row head"><span></span>{line}<span></span></div>'
        one = f": {status.counts(members)}" if len(members) > 1 else ""
        title = f'{safe(name)} <small class="soft">{plural(len(members), "disk")}{one}</small>'
        parts.append(
            f'<section class="{"dense" if dense else "disks"}"><h2>{title}</h2>'
            f'<div class="times" {times}>{"" if dense and parts else head}'
            f"<ol>{rows}</ol></div></section>"
        )
    if any(map(over_limit, views)):
        parts.append(f'<p class="soft">{LIMIT}</p>')
    return parts


def _grouped(
    views: Sequence[DiskView], weeks: Mapping[str, Week], sort: str
) -> dict[str, list[DiskView]]:
    if not views:
        return {}
    if sort == "worst":
        return {"Worst first": sorted(views, key=lambda view: _badness(view, weeks))}
    if sort == "name":
        return {"By name": sorted(views, key=lambda view: _natural(view.disk.kernel_name))}
    pools: dict[str, list[DiskView]] = {}
    for view in sorted(views, key=lambda view: (not view.disk.pool, _natural(view.disk.pool))):
        pools.setdefault(view.disk.pool or NO_POOL, []).append(view)
    return pools


def _badness(view: DiskView, weeks: Mapping[str, Week]) -> tuple[float, ...]:
    """Over its limit, then slept too little, then findings; the worst sorts first."""
    used = max(window.used_ratio for window in view.facts.windows.values())
    night = weeks[view.disk.identity].night
    short = night.slept.ratio - night.least if night.enough is False else 1.0
    return (-used if used >= 1 else 0.0, short, -len(view.findings), -used)


def _natural(name: str) -> list[tuple[int, str]]:
    """Numbers in a name are compared as numbers: plates-2 comes before plates-10."""
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in split(r"(\d+)", name)]


def _row(
    view: DiskView, history: DiskHistory, shown: Range, now: int, quiet: Quiet, dense: bool
) -> str:
    disk = view.disk
    held = quiet.get(view.policy.quiet or "")
    counted = strip(history, shown, now)
    drawn = drawing(counted, shaded(held[0], shown) if held else "")
    count = view.facts.windows["1d"].count
    budget = view.policy.budget_per_day
    beyond = over_limit(view)
    last = [] if counted.asleep_ratio is None else [f"asleep {asleep_share(counted)}"]
    last += [plural(len(view.findings), "finding")] if view.findings else []
    head = f'<li class="row"><div class="name"><h3>{status.link(view)} {safe(disk.model)}</h3>'
    if dense:
        bad = f'<span class="bad">! {beyond}</span>' if beyond else ""
        return (
            f"{head}<small>{status.short_state(view)}</small></div>{drawn}"
            f'<div class="figures"><span><b>{count}</b> of {number(budget)} a day</span>{bad}'
            f"<span>{'; '.join(last)}</span></div></li>"
        )
    bad = f'<span class="bad">! over its limit: {beyond}</span>' if beyond else ""
    return (
        f'{head}<small class="soft serial">{safe(disk.serial)}</small>'
        f"<small>{status.state(view, now)}</small></div>{drawn}"
        f'<div class="figures"><span><b>{count}</b> spin-up{"" if count == 1 else "s"} in 24 h'
        f"</span>{meter(count, budget)}<span>budget {number(budget)} a day</span>{bad}"
        f"<span>{'; '.join(last)}</span></div></li>"
    )
