"""Many hosts, by the recording rules of the rule pack and by topk."""

from __future__ import annotations

from grafana_foundation_sdk.builders import dashboard

from dashboards.panels import (
    INFO,
    STATES,
    Look,
    Query,
    bars,
    board,
    figure,
    lines,
    stacked,
)


def fleet() -> dashboard.Dashboard:
    """Many hosts, by recording rules."""
    made = board(
        "fleet",
        "the fleet",
        "Many hosts at once, by the recording rules of the rule pack; the worst disks by topk.",
        "now-7d",
        choices=("instance",),
    )
    here = '{instance=~"$instance"}'
    unruled = "the recording rules of the rule pack are not loaded"
    joined = f"* on (job, instance, disk) group_left (model, serial) {INFO}{here}"
    names = "{{instance}} {{model}} {{serial}}"
    panels = (
        figure(
            Look("Hosts", "Hosts whose exporter is scraped.", "short", "no host", 6, 4),
            f"count (count by (instance) (spinledger_build_info{here}))",
        ),
        figure(
            Look("Disks", "Watched disks of these hosts.", "short", "no host", 6, 4),
            f"sum (spinledger_disks_watched{here})",
        ),
        figure(
            Look(
                "Alerts firing", "Alerts of the rule pack about these hosts.", "short", "none", 6, 4
            ),
            'count (ALERTS{alertname=~"Disk.*|Spinledger.*",alertstate="firing",'
            'instance=~"$instance"}) or vector(0)',
            warn_from=1,
        ),
        figure(
            Look(
                "Disks at a limit", "Disks at or above some window's limit.", "short", "none", 6, 4
            ),
            f"sum (instance:spinledger_disk_cycle_limit_reached:count{here}) or vector(0)",
            warn_from=1,
        ),
        stacked(
            Look(
                "Disks by state",
                "How many disks were in each state, on average of an hour.",
                "short",
                unruled,
            ),
            Query(
                f"sum by (state) (instance:spinledger_disk_state_seconds:rate1h{here})",
                "{{state}}",
            ),
            colors=STATES,
        ),
        lines(
            Look(
                "Spin-ups of the last day, a host", "As counted in the ledgers.", "short", unruled
            ),
            Query(f"instance:spinledger_disk_recent_cycles:sum1d{here}", "{{instance}}"),
        ),
        bars(
            Look(
                "Nearest to a limit",
                "The ten disks that have used most of some window.",
                "percentunit",
                unruled,
            ),
            Query(
                f"topk(10, instance_disk:spinledger_disk_cycle_limit_used_ratio:max{here}"
                f" {joined})",
                names,
                instant=True,
            ),
        ),
        bars(
            Look(
                "Least asleep",
                "The ten disks that slept least in the last hour.",
                "percentunit",
                unruled,
            ),
            Query(
                "bottomk(10, instance_disk:spinledger_disk_standby_seconds_per_state_seconds:"
                f"ratio_rate1h{here} {joined})",
                names,
                instant=True,
            ),
        ),
        bars(
            Look("Most findings", "Of those that alerts go by.", "short", "nothing found wrong"),
            Query(
                f"topk(10, (instance_disk:spinledger_disk_finding:sum{here} > 0) {joined})",
                names,
                instant=True,
            ),
        ),
        lines(
            Look("Asleep now, a host", "Disks in standby.", "short", unruled),
            Query(
                "instance:spinledger_disk_power_state:sum"
                '{instance=~"$instance",spinledger_disk_power_state="standby"}',
                "{{instance}}",
            ),
        ),
        bars(
            Look("Longest not looked at", "The ten oldest samples.", "s", "no host"),
            Query(
                f"topk(10, time() - spinledger_disk_last_sample_timestamp_seconds{here}) {joined}",
                names,
                instant=True,
            ),
        ),
        lines(
            Look(
                "Ledger not written for",
                "Since the last commit to the ledger's file.",
                "s",
                "no ledger file",
            ),
            Query(f"time() - spinledger_ledger_commit_timestamp_seconds{here}", "{{instance}}"),
        ),
    )
    for panel in panels:
        made = made.with_panel(panel)
    return made
