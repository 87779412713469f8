"""Ratings and counters over years."""

from __future__ import annotations

from grafana_foundation_sdk.builders import dashboard

from dashboards.panels import (
    HOURLY,
    LIFE,
    MOST,
    UNRATED,
    YEAR_S,
    Frame,
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
        "The drives' own counters against their ratings, and the projected dates of use-up. "
        "A rating is a design figure, not a prediction of failure.",
        "now-2y",
    )
    end = of("spinledger_disk_rated_life_end_timestamp_seconds", 'bound="middle"')
    by_kind = "{{model}} {{serial}} {{kind}}"
    unread = "the drives' own counters have not been read so far"
    panels = (
        lines(
            Frame(
                "Rated life used",
                "The drive's own counters as a share of their ratings.",
                "percentunit",
                UNRATED,
                24,
                9,
            ),
            Query(named(of(LIFE)), by_kind),
        ),
        lines(
            Frame(
                "Years until a rating is used up",
                "The middle of the projection, at the pace of the last year at most.",
                "short",
                "no projection: no rating, no cycles, or too short a record" + HOURLY,
                24,
                9,
            ),
            Query(named(f"({end} - time()) / {YEAR_S}"), by_kind),
        ),
        grid(
            Frame(
                "Ratings",
                "Rated cycles, share used, and the projected date of use-up.",
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
            Frame(
                "Spindle starts a day",
                "Average of 30 days, from the drive's own counter.",
                "short",
                unread,
            ),
            Query(named(f"rate({of('spinledger_disk_start_stop_cycles_total')}[30d]) * 86400")),
        ),
        lines(
            Frame(
                "Head loads a day",
                "Average of 30 days, from the drive's own counter.",
                "short",
                unread,
            ),
            Query(named(f"rate({of('spinledger_disk_load_cycles_total')}[30d]) * 86400")),
        ),
        lines(
            Frame("Power-on time", "From the drive's own counter.", "s", unread),
            Query(named(of("spinledger_disk_power_on_seconds_total"))),
        ),
        lines(
            Frame(
                "Emergency retracts", "In 30 days, from the drive's own counter.", "short", unread
            ),
            Query(named(f"increase({of('spinledger_disk_emergency_retracts_total')}[30d])")),
        ),
        lines(
            Frame(
                "Age of the reading",
                "The drive's counters are read only while the disk is active.",
                "s",
                unread,
            ),
            Query(named(f"time() - {of('spinledger_disk_wear_read_timestamp_seconds')}")),
        ),
        lines(
            Frame(
                "Rejected readings",
                "Implausible values in 30 days, by reason.",
                "short",
                "no value was rejected",
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
