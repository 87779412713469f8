"""One disk in full."""

from __future__ import annotations

from grafana_foundation_sdk.builders import dashboard

from dashboards.panels import (
    INFO,
    LIFE,
    NO_DISK,
    QUIET,
    RECENT,
    SECONDS,
    STATES,
    UNRATED,
    UNSEEN,
    UNWOKEN,
    USED,
    Look,
    Query,
    bars,
    board,
    figure,
    grid,
    lines,
    named,
    of,
    stacked,
    strips,
)


def disk() -> dashboard.Dashboard:
    """One disk in full."""
    made = board(
        "disk",
        "one disk",
        "One disk: its time, its wakes, other timers, wear, energy, and what we asked of it.",
        "now-7d",
        one=True,
    )
    day = "86400"
    whatif = of("spinledger_disk_whatif_cycles_total")
    whatif_asleep = of("spinledger_disk_whatif_asleep_seconds_total")
    commands = of("spinledger_disk_probe_commands_total")
    failures = of("spinledger_disk_probe_failures_total")
    waits = of("spinledger_disk_wake_wait_seconds_bucket")
    panels = (
        grid(
            Look("The disk", "What it is, and what is wanted of it.", "short", NO_DISK, 24, 4),
            False,
            ("Here", "short", Query(of(INFO), table=True)),
        ),
        stacked(
            Look(
                "Time by state",
                "Booked seconds of each interval, by state.",
                "s",
                NO_DISK,
                24,
            ),
            Query(f"sum by (state) (increase({of(SECONDS)}[$__interval]))", "{{state}}"),
            colors=STATES,
        ),
        strips(
            Look(
                "Quiet hours",
                "Light blue inside this disk's quiet hours, grey outside, by its schedule's zone.",
                "short",
                "this disk has no quiet hours",
                24,
                4,
            ),
            Query(of("spinledger_disk_quiet_active"), "quiet"),
            (None, UNSEEN),
            (0.5, QUIET),
        ),
        lines(
            Look(
                "Spin-ups a day",
                "Spin-ups of the last 24 hours, and the budget.",
                "short",
                NO_DISK,
            ),
            Query(of(RECENT, 'window="1d"'), "spin-ups"),
            Query(of("spinledger_disk_cycle_budget_per_day"), "budget"),
        ),
        grid(
            Look(
                "Against the limits",
                "Spin-ups in each window, and the count that the budget's own scatter would "
                "hardly ever reach.",
                "short",
                NO_DISK,
            ),
            False,
            ("Spin-ups", "short", Query(of(RECENT), table=True)),
            ("Limit", "short", Query(of("spinledger_disk_cycle_limit"), table=True)),
            ("Used", "percentunit", Query(of(USED), table=True)),
        ),
        bars(
            Look(
                "Spin-ups a day with other timers",
                "What each standby timer would have done in the time shown, from the gaps "
                "between requests.",
                "short",
                "too little watched so far",
            ),
            Query(f"rate({whatif}[$__range]) * {day}", "{{standby_seconds}} s", instant=True),
        ),
        bars(
            Look(
                "Asleep with other timers",
                "Share of the time shown that each standby timer would have slept.",
                "percentunit",
                "too little watched so far",
            ),
            Query(f"rate({whatif_asleep}[$__range])", "{{standby_seconds}} s", instant=True),
        ),
        lines(
            Look(
                "Standby timer",
                "The timer its owner declares, and the idle time before it last went to sleep.",
                "s",
                "no timer is declared, and it has not slept yet",
            ),
            Query(of("spinledger_disk_declared_standby_seconds"), "declared"),
            Query(of("spinledger_disk_observed_standby_seconds"), "seen"),
        ),
        stacked(
            Look(
                "Power, estimated",
                "Mean power by state, from configured watts.",
                "watt",
                "no watts are known",
            ),
            Query(
                f"sum by (state) (rate({of('spinledger_disk_energy_joules_total')}"
                "[$__rate_interval]))",
                "{{state}}",
            ),
            colors={**STATES, "spinup": "#000000"},
        ),
        bars(
            Look(
                "Wakes by cause",
                "Spin-ups in the time shown, by what moved first; other moved no sectors.",
                "short",
                UNWOKEN,
            ),
            Query(
                f"sum by (cause) (increase({of('spinledger_disk_wakes_total')}[$__range]))",
                "{{cause}}",
                instant=True,
            ),
        ),
        figure(
            Look(
                "Wait for the platters",
                "Nine in ten first requests waited no longer, of those whose wait could be told.",
                "s",
                UNWOKEN,
                12,
            ),
            f"histogram_quantile(0.9, sum by (le) (rate({waits}[$__range])))",
        ),
        lines(
            Look(
                "Rated life used",
                "The drive's own counts over their ratings.",
                "percentunit",
                UNRATED,
            ),
            Query(of(LIFE), "{{kind}}"),
        ),
        figure(
            Look(
                "Spin-ups nobody saw",
                "Known from the drive's own counter only, in the time shown.",
                "short",
                NO_DISK,
                12,
            ),
            "sum (increase({}[$__range]))".format(
                of("spinledger_disk_cycles_total", 'observed="no"')
            ),
            warn_from=1,
        ),
        lines(
            Look(
                "Questions an hour",
                "Commands that were sent to the drive, by name.",
                "short",
                "this disk is watched by counters alone",
            ),
            Query(f"sum by (command) (rate({commands}[$__rate_interval])) * 3600", "{{command}}"),
        ),
        lines(
            Look(
                "Questions without a state, an hour",
                "By reason.",
                "short",
                "every question was answered",
            ),
            Query(f"sum by (reason) (rate({failures}[$__rate_interval])) * 3600 > 0", "{{reason}}"),
        ),
        grid(
            Look(
                "Findings",
                "What the exporter found wrong with this disk.",
                "short",
                "nothing found wrong",
                24,
                6,
            ),
            False,
            ("Holds", "short", Query(named(f"{of('spinledger_disk_finding')} == 1"), table=True)),
        ),
    )
    for panel in panels:
        made = made.with_panel(panel)
    return made
