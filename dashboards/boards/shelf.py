"""The shelf: which disks there are, what they did, what is wrong."""

from __future__ import annotations

from grafana_foundation_sdk.builders import dashboard

from dashboards.panels import (
    DISK,
    INFO,
    LIFE,
    MOST,
    NO_DISK,
    RECENT,
    SECONDS,
    STATES,
    TURNING_SHARE,
    USED,
    Look,
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
)


def shelf() -> dashboard.Dashboard:
    """Which disks there are, and what they did."""
    made = board(
        "shelf",
        "the shelf",
        "Which disks turn and which sleep, what they spent of their budgets, what is wrong.",
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
            Look("Disks", "Watched disks among those chosen.", "short", NO_DISK, 4, 4),
            f"count ({of(INFO)})",
        ),
        figure(
            Look("Asleep now", "Disks in standby by their own word.", "short", NO_DISK, 4, 4),
            f"sum ({standby})",
        ),
        figure(
            Look(
                "Asleep",
                "Share of the watched time shown, all disks together.",
                "percentunit",
                NO_DISK,
                4,
                4,
            ),
            shared,
        ),
        figure(
            Look("Spin-ups, last day", "Counted in the ledgers.", "short", NO_DISK, 4, 4),
            f"sum ({day})",
        ),
        figure(
            Look(
                "At a limit",
                "Disks with more spin-ups in some window than chance allows within the budget.",
                "short",
                NO_DISK,
                4,
                4,
            ),
            f"count ({MOST} ({of(USED)}) >= 1) or vector(0)",
            warn_from=1,
        ),
        figure(
            Look(
                "Saved",
                "Energy saved by sleep in the time shown, spin-ups deducted; estimated.",
                "kwatth",
                "no watts are known",
                4,
                4,
            ),
            f"(sum (increase({saved}[$__range])) - sum (increase({lost}[$__range]))) / 3.6e6",
        ),
        strips(
            Look(
                "The night at a glance",
                "How much of each interval the platters turned: blue slept, orange turned for a "
                "part, red turned throughout. Read from counters, so that a short wake shows.",
                "percentunit",
                NO_DISK,
                24,
                10,
            ),
            Query(named(TURNING_SHARE)),
        ),
        grid(
            Look(
                "All disks",
                "State, spin-ups of the last day, the fullest window's limit, sleep of the last "
                "day, rated life used. A disk's name leads to its own dashboard.",
                "short",
                NO_DISK,
                24,
                9,
            ),
            True,
            (
                "In this state",
                "short",
                Query(named(f"{of('spinledger_disk_power_state')} == 1"), table=True),
            ),
            ("Spin-ups, last day", "short", Query(named(f"{DISK} ({day})"), table=True)),
            ("Limit used", "percentunit", Query(named(f"{MOST} ({of(USED)})"), table=True)),
            ("Asleep, last day", "percentunit", Query(named(asleep("1d")), table=True)),
            ("Life used", "percentunit", Query(named(f"{MOST} ({of(LIFE)})"), table=True)),
        ),
        stacked(
            Look(
                "Disks by state",
                "How many disks were in each state, on average.",
                "short",
                NO_DISK,
            ),
            Query(f"sum by (state) (rate({of(SECONDS)}[$__rate_interval]))", "{{state}}"),
            colors=STATES,
        ),
        lines(
            Look(
                "Limit used",
                "Spin-ups over the limit of the fullest window; at 1 the budget is breached.",
                "percentunit",
                NO_DISK,
            ),
            Query(named(f"{MOST} ({of(USED)})")),
        ),
        bars(
            Look(
                "Spin-ups of the last day, of the budget",
                "Spin-ups of the last day over the daily budget.",
                "percentunit",
                NO_DISK,
            ),
            Query(
                named(f"{DISK} ({day}) / {DISK} ({of('spinledger_disk_cycle_budget_per_day')})"),
                instant=True,
            ),
        ),
        bars(
            Look(
                "Asleep in the last quiet window",
                "Standby share of the last complete window of quiet hours, in local time.",
                "percentunit",
                "no chosen disk has had a whole window of quiet hours",
            ),
            Query(named(of("spinledger_disk_quiet_window_asleep_ratio")), instant=True),
        ),
        grid(
            Look(
                "Findings",
                "What the exporter found wrong; its page says it in sentences, with what to try.",
                "short",
                "nothing found wrong",
                16,
                6,
            ),
            True,
            ("Holds", "short", Query(named(f"{of('spinledger_disk_finding')} == 1"), table=True)),
        ),
        figure(
            Look(
                "Oldest sample",
                "How long ago the disk longest not looked at was looked at.",
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
