"""All disks: what they are, what they did, what is wrong."""

from __future__ import annotations

from grafana_foundation_sdk.builders import dashboard

from dashboards.panels import (
    DISK,
    INFO,
    LIFE,
    MOST,
    NO_DISK,
    NO_SPIN_UPS,
    RECENT,
    SECONDS,
    SPANS,
    SPINNING_SHARE,
    STATES,
    USED,
    Frame,
    Query,
    asleep,
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


def overview() -> dashboard.Dashboard:
    """All disks chosen."""
    made = board(
        "overview",
        "overview",
        "Which disks spin and which are asleep, their spin-ups against their budgets, and what is "
        "wrong.",
        "now-24h",
    )
    day = of(RECENT, 'window="1d"')
    saved = of("spinledger_disk_energy_saved_joules_total")
    lost = of("spinledger_disk_energy_lost_joules_total")
    standby = of("spinledger_disk_power_state", 'spinledger_disk_power_state="standby"')
    shared = "sum (increase({}[$__range])) / (sum (increase({}[$__range])) > 0)".format(
        of(SECONDS, 'state="standby"'), of(SECONDS, 'state!="unobserved"')
    )
    panels = (
        figure(
            Frame("Disks", "Watched disks among those chosen.", "short", NO_DISK, 4, 4),
            f"count ({of(INFO)})",
        ),
        figure(
            Frame("Asleep now", "Disks that report standby.", "short", NO_DISK, 4, 4),
            f"sum ({standby})",
        ),
        figure(
            Frame(
                "Asleep",
                "Share of the observed time spent in standby, all disks together.",
                "percentunit",
                NO_DISK,
                4,
                4,
            ),
            shared,
        ),
        figure(
            Frame(
                "Spin-ups, last day",
                "Spin-ups of the last 24 hours, from the ledger.",
                "short",
                NO_DISK,
                4,
                4,
            ),
            f"sum ({day})",
        ),
        figure(
            Frame(
                "Over a limit",
                "Disks whose spin-ups have reached the limit of at least one window.",
                "short",
                NO_DISK,
                4,
                4,
            ),
            f"count ({MOST} ({of(USED)}) >= 1) or vector(0)",
            warn_from=1,
        ),
        figure(
            Frame(
                "Energy saved",
                "Estimated energy saved by sleep in the time shown, less the cost of spin-ups.",
                "kwatth",
                NO_DISK,
                4,
                4,
            ),
            f"(sum (increase({saved}[$__range])) - sum (increase({lost}[$__range]))) / 3.6e6",
        ),
        strips(
            Frame(
                "Time spinning",
                "Share of each interval that the disk was spinning. Blue: asleep; orange: spinning "
                "for part of it; red: spinning throughout. It is computed from counters, so short "
                "spin-ups are visible.",
                "percentunit",
                NO_DISK,
                24,
                10,
            ),
            Query(named(SPINNING_SHARE)),
        ),
        grid(
            Frame(
                "All disks",
                "State, spin-ups of the last day, highest share of a limit, time asleep in the "
                "last day, rated life used. A disk's name links to its own dashboard.",
                "short",
                NO_DISK,
                24,
                9,
            ),
            True,
            (
                "State",
                "short",
                Query(named(f"{of('spinledger_disk_power_state')} == 1"), table=True),
            ),
            ("Spin-ups, last day", "short", Query(named(f"{DISK} ({day})"), table=True)),
            ("Limit used", "percentunit", Query(named(f"{MOST} ({of(USED)})"), table=True)),
            ("Asleep, last day", "percentunit", Query(named(asleep("1d")), table=True)),
            ("Life used", "percentunit", Query(named(f"{MOST} ({of(LIFE)})"), table=True)),
        ),
        grid(
            Frame(
                "Who wakes what",
                "Spin-ups by program, service or guest, and by pool or disk; each member of a pool "
                "counts. other: beyond limits.actors; unknown: nobody was named.",
                "short",
                NO_SPIN_UPS,
                24,
                9,
            ),
            False,
            *(
                (title, "short", Query(who_wakes(span, "instance, wake_group, actor"), table=True))
                for title, span in SPANS
            ),
        ),
        stacked(
            Frame(
                "Disks by state",
                "Average number of disks in each state.",
                "short",
                NO_DISK,
            ),
            Query(f"sum by (state) (rate({of(SECONDS)}[$__rate_interval]))", "{{state}}"),
            colors=STATES,
        ),
        lines(
            Frame(
                "Limit used",
                "Spin-ups as a share of the limit, in the window with the highest share. At 100 % "
                "the disk is over its limit.",
                "percentunit",
                NO_DISK,
            ),
            Query(named(f"{MOST} ({of(USED)})")),
        ),
        bars(
            Frame(
                "Budget used, last day",
                "Spin-ups of the last 24 hours as a share of the daily budget.",
                "percentunit",
                NO_DISK,
            ),
            Query(
                named(f"{DISK} ({day}) / {DISK} ({of('spinledger_disk_cycle_budget_per_day')})"),
                instant=True,
            ),
        ),
        bars(
            Frame(
                "Asleep in the last quiet window",
                "Share of the last complete quiet window spent in standby.",
                "percentunit",
                "no quiet hours are configured, or none are complete so far",
            ),
            Query(named(of("spinledger_disk_quiet_window_asleep_ratio")), instant=True),
        ),
        grid(
            Frame(
                "Findings",
                "Findings that hold now. The exporter's page explains each and says what to do.",
                "short",
                "no finding holds now",
                16,
                6,
            ),
            True,
            ("Holds", "short", Query(named(f"{of('spinledger_disk_finding')} == 1"), table=True)),
        ),
        figure(
            Frame(
                "Oldest sample",
                "Age of the oldest sample among the disks shown.",
                "s",
                NO_DISK,
                8,
                6,
            ),
            f"max (time() - {of('spinledger_disk_last_sample_timestamp_seconds')})",
            warn_from=900,
        ),
    )
    for panel in panels:
        made = made.with_panel(panel)
    return made
