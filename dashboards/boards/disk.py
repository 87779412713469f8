"""One disk in full."""

from __future__ import annotations

from grafana_foundation_sdk.builders import dashboard

from dashboards.panels import (
    INFO,
    LIFE,
    NO_DISK,
    NO_SPIN_UPS,
    QUIET,
    RECENT,
    SECONDS,
    SPANS,
    STATES,
    UNOBSERVED,
    UNRATED,
    USED,
    Frame,
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
    who_wakes,
)


def disk() -> dashboard.Dashboard:
    """One disk in full."""
    made = board(
        "disk",
        "one disk",
        "One disk: time by state, spin-ups, other timers, wear, energy, and the probes sent to it.",
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
            Frame("Disk", "Identity, place, and its policy.", "short", NO_DISK, 24, 4),
            False,
            ("Watched", "short", Query(of(INFO), table=True)),
        ),
        stacked(
            Frame(
                "Time by state",
                "Recorded seconds of each interval, by state.",
                "s",
                NO_DISK,
                24,
            ),
            Query(f"sum by (state) (increase({of(SECONDS)}[$__interval]))", "{{state}}"),
            colors=STATES,
        ),
        strips(
            Frame(
                "Quiet hours",
                "Light blue: inside this disk's quiet hours. Grey: outside.",
                "short",
                "this disk has no quiet hours, or the time shown has no data",
                24,
                4,
            ),
            Query(of("spinledger_disk_quiet_active"), "quiet"),
            (None, UNOBSERVED),
            (0.5, QUIET),
        ),
        lines(
            Frame(
                "Spin-ups a day",
                "Spin-ups of the last 24 hours, and the daily budget.",
                "short",
                NO_DISK,
            ),
            Query(of(RECENT, 'window="1d"'), "spin-ups"),
            Query(of("spinledger_disk_cycle_budget_per_day"), "budget"),
        ),
        grid(
            Frame(
                "Against the limits",
                "Spin-ups in each window, and the alert threshold derived from the daily budget.",
                "short",
                NO_DISK,
            ),
            False,
            ("Spin-ups", "short", Query(of(RECENT), table=True)),
            (
                "Limit",
                "short",
                Query(of("spinledger_disk_cycle_limit", 'window!="1d_early"'), table=True),
            ),
            ("Used", "percentunit", Query(of(USED), table=True)),
        ),
        bars(
            Frame(
                "Spin-ups a day with other timers",
                "Spin-ups that each standby timer would have caused in the time shown, computed "
                "from the gaps between I/O requests.",
                "short",
                "too little is observed so far",
            ),
            Query(f"rate({whatif}[$__range]) * {day}", "{{standby_seconds}} s", instant=True),
        ),
        bars(
            Frame(
                "Asleep with other timers",
                "Share of the time shown that the disk would have been asleep with each timer.",
                "percentunit",
                "too little is observed so far",
            ),
            Query(f"rate({whatif_asleep}[$__range])", "{{standby_seconds}} s", instant=True),
        ),
        lines(
            Frame(
                "Standby timer",
                "The declared standby timer, and the idle time before the last spin-down.",
                "s",
                "no timer is declared and no spin-down was observed",
            ),
            Query(of("spinledger_disk_declared_standby_seconds"), "declared"),
            Query(of("spinledger_disk_observed_standby_seconds"), "observed"),
        ),
        stacked(
            Frame(
                "Power, estimated",
                "Mean power by state, from the configured watts.",
                "watt",
                NO_DISK,
            ),
            Query(
                f"sum by (state) (rate({of('spinledger_disk_energy_joules_total')}"
                "[$__rate_interval]))",
                "{{state}}",
            ),
            colors={**STATES, "spinup": "#000000"},
        ),
        bars(
            Frame(
                "Spin-ups by cause",
                "Spin-ups in the time shown: by the kernel's trace events where they can be read, "
                "else by what moved first: reads, writes, both, or other (no sectors).",
                "short",
                NO_SPIN_UPS,
            ),
            Query(
                f"sum by (cause) (increase({of('spinledger_disk_wakes_total')}[$__range])) > 0",
                "{{cause}}",
                instant=True,
            ),
        ),
        grid(
            Frame(
                "Who wakes it",
                "Spin-ups by program, service or guest. other: beyond limits.actors; unknown: "
                "nobody was named. A name's very first spin-up is not in its increase.",
                "short",
                NO_SPIN_UPS,
            ),
            False,
            *(
                (title, "short", Query(who_wakes(span, "actor"), table=True))
                for title, span in SPANS
            ),
        ),
        figure(
            Frame(
                "Spin-up wait",
                "Nine of ten first requests waited this long or less, where the wait is known.",
                "s",
                "no spin-up whose wait is known in the time shown",
                12,
            ),
            f"histogram_quantile(0.9, sum by (le) (rate({waits}[$__range]))) >= 0",
        ),
        lines(
            Frame(
                "Rated life used",
                "The drive's own counters as a share of their ratings.",
                "percentunit",
                UNRATED,
            ),
            Query(of(LIFE), "{{kind}}"),
        ),
        figure(
            Frame(
                "Missed spin-ups",
                "Spin-ups in the time shown that only the drive's own counter reports.",
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
            Frame(
                "Probes an hour",
                "Commands sent to the drive, by name.",
                "short",
                "this disk is not probed",
            ),
            Query(f"sum by (command) (rate({commands}[$__rate_interval])) * 3600", "{{command}}"),
        ),
        lines(
            Frame(
                "Failed probes an hour",
                "Probes that gave no power state, by reason.",
                "short",
                "no probe failed",
            ),
            Query(f"sum by (reason) (rate({failures}[$__rate_interval])) * 3600 > 0", "{{reason}}"),
        ),
        grid(
            Frame(
                "Findings",
                "Findings that hold now for this disk.",
                "short",
                "no finding holds now",
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
