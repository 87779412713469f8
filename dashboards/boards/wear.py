"""Ratings and counters over years."""

from __future__ import annotations

from grafana_foundation_sdk.builders import dashboard

from dashboards.panels import (
    LIFE,
    MOST,
    UNRATED,
    YEAR_S,
    Look,
    Query,
    board,
    grid,
    lines,
    named,
    of,
)


def wear() -> dashboard.Dashboard:
    """Ratings and counters over years."""
    made = board(
        "wear",
        "wear over years",
        "The drives' own counters against their ratings, and when the ratings will be used up. "
        "A rating is a design figure, not a prediction of failure.",
        "now-2y",
    )
    end = of("spinledger_disk_rated_life_end_timestamp_seconds", 'bound="middle"')
    by_kind = "{{model}} {{serial}} {{kind}}"
    untold = "the drives' own counters are not read"
    panels = (
        lines(
            Look(
                "Rated life used",
                "The drive's own count over its rating.",
                "percentunit",
                UNRATED,
                24,
                9,
            ),
            Query(named(of(LIFE)), by_kind),
        ),
        lines(
            Look(
                "Years until a rating is used up",
                "At the pace so far, the middle of the projection; from the ledger's daily rows.",
                "short",
                "no projection: unrated, at rest, or watched for too short a time",
                24,
                9,
            ),
            Query(named(f"({end} - time()) / {YEAR_S}"), by_kind),
        ),
        grid(
            Look(
                "Ratings",
                "What is rated, what share is used, and the projected date.",
                "short",
                UNRATED,
                24,
                9,
            ),
            True,
            ("Rated", "short", Query(named(of("spinledger_disk_rated_cycles")), table=True)),
            ("Used", "percentunit", Query(named(of(LIFE)), table=True)),
            (
                "Used up",
                "dateTimeAsIso",
                Query(named(f"{MOST.replace('disk', 'disk, kind')} ({end}) * 1000"), table=True),
            ),
        ),
        lines(
            Look(
                "Spindle starts a day", "Over 30 days, by the drive's own counter.", "short", untold
            ),
            Query(named(f"rate({of('spinledger_disk_start_stop_cycles_total')}[30d]) * 86400")),
        ),
        lines(
            Look("Head loads a day", "Over 30 days, by the drive's own counter.", "short", untold),
            Query(named(f"rate({of('spinledger_disk_load_cycles_total')}[30d]) * 86400")),
        ),
        lines(
            Look("Time under power", "By the drive's own counter.", "s", untold),
            Query(named(of("spinledger_disk_power_on_seconds_total"))),
        ),
        lines(
            Look("Emergency retracts", "In 30 days, by the drive's own counter.", "short", untold),
            Query(named(f"increase({of('spinledger_disk_emergency_retracts_total')}[30d])")),
        ),
        lines(
            Look("Age of the reading", "Counters are read while the disk is in use.", "s", untold),
            Query(named(f"time() - {of('spinledger_disk_wear_read_timestamp_seconds')}")),
        ),
        lines(
            Look(
                "Readings refused",
                "Implausible values in 30 days, by reason.",
                "short",
                "no value was refused",
            ),
            Query(
                "sum by (reason) (increase({}[30d])) > 0".format(
                    of("spinledger_disk_wear_rejected_total")
                ),
                "{{reason}}",
            ),
        ),
    )
    for panel in panels:
        made = made.with_panel(panel)
    return made
