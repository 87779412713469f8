"""The page of all disks: last night, what is wrong, then a strip a disk, then the figures.

Rules: drawn from one snapshot and the history in memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import tzinfo

from spinledger.facts import Snapshot
from spinledger.web import night, status, tables, who
from spinledger.web.context import PageContext
from spinledger.web.frame import definitions, footer, legend, page, shading
from spinledger.web.html import marked_up, safe
from spinledger.web.rows import MANY, choices, sections, wanted
from spinledger.web.week import weeks
from spinledger.words import lower_first, plural

NO_QUERY: Mapping[str, str] = {}
SHORT = 8  # disks of a night that are named


def overview(
    snapshot: Snapshot | None,
    context: PageContext,
    query: Mapping[str, str] = NO_QUERY,
    history: bool = True,
) -> str:
    """The page, from one snapshot or from none yet. `query` as `rows.wanted` takes it."""
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
    disks = snapshot.disks
    if not disks:
        body = f"<p>No rotating disk found.</p>{skipped}{footer(history)}"
        return page("Spinledger", "Spinledger", body, context, now)
    want = wanted(query)
    histories = context.histories(now - max(want.shown.span_ns, night.RECENT_NS, who.SPAN_NS), now)
    found = night.nights(disks, histories, context.calendars(), now)
    lately = weeks(found, histories, now, context.tz)
    quiet = shading(context)
    lead = f"{plural(len(disks), 'disk')}: {status.counts(disks)}"
    folded = len(disks) >= MANY
    body = "\n".join(
        (
            _nights(found, now, context.tz),
            status.findings(disks, context, now),
            choices(want, len(disks)),
            definitions(quiet, (want.shown,), now),
            legend(quiet),
            *sections(disks, histories, lately, want, now, context, quiet),
            tables.week_table([lately[view.disk.identity] for view in disks], folded),
            who.table(disks, histories, now, folded=folded),
            tables.energy_table(disks, context.tariff(), folded),
            skipped,
            footer(history),
        )
    )
    return page("Spinledger", lead, body, context, now)


def _nights(found: Sequence[night.Night], now: int, tz: tzinfo) -> str:
    """One sentence a night, and the disks that slept too little, worst first."""
    parts = []
    for one in found:
        kind = "night" if one.judged else "soft"
        parts.append(f'<p class="{kind}">{safe(night.sentence(one, now, tz))}</p>')
        short = one.short
        if not short:
            continue
        rows = "".join(
            f"<li><strong>{status.link(disk.view)}</strong> {safe(disk.share)}: "
            f'{safe(lower_first(disk.cause))}.<br><span class="first">First: '
            f"{marked_up(lower_first(disk.remedy))}.</span></li>"
            for disk in short[:SHORT]
        )
        more = f"<li>{len(short) - SHORT} more</li>" if len(short) > SHORT else ""
        parts.append(f'<ol class="short">{rows}{more}</ol>')
    if hint := night.hint(found):
        parts.append(f'<p class="soft">{marked_up(hint)}</p>')
    return f'<section class="nights" aria-label="Last night">{"".join(parts)}</section>'
