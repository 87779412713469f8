"""Many hosts, by the recording rules of the rule pack and by topk."""

from __future__ import annotations

from grafana_foundation_sdk.builders import dashboard

from dashboards.panels import (
    HERE,
    INFO,
    MOST,
    SPINNING,
    STATES,
    USED,
    Frame,
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
        "Many hosts, from the recording rules of the rule pack, and the disks that need attention.",
        "now-7d",
        choices=("job", "instance"),
    )
    here = f"{{{HERE}}}"
    unruled = "the recording rules of the rule pack are not loaded, or did not run at that time"
    joined = f"* on (job, instance, disk) group_left (model, serial) {INFO}{here}"
    states = "instance:spinledger_disk_power_state:sum"
    names = "{{instance}} {{model}} {{serial}}"
    panels = (
        figure(
            Frame("Hosts", "Hosts whose exporter is scraped.", "short", "no host", 6, 4),
            f"count (count by (instance) (spinledger_build_info{here}))",
        ),
        figure(
            Frame("Disks", "Watched disks of the hosts shown.", "short", "no host", 6, 4),
            f"sum (spinledger_disks_watched{here})",
        ),
        figure(
            Frame(
                "Alerts firing",
                "Alerts of the rule pack about the hosts shown.",
                "short",
                "none",
                6,
                4,
            ),
            'count (ALERTS{alertname=~"Disk.*|Spinledger.*",alertstate="firing",severity!="none",'
            f"{HERE}}}) or vector(0)",
            warn_from=1,
        ),
        figure(
            Frame(
                "Disks over a limit",
                "Disks whose spin-ups have reached the limit of at least one window.",
                "short",
                "none",
                6,
                4,
            ),
            f"count ({MOST} ({USED}{here}) >= 1) or vector(0)",
            warn_from=1,
        ),
        stacked(
            Frame(
                "Disks by state",
                "Number of disks in each state.",
                "short",
                unruled,
            ),
            Query(
                f"sum by (spinledger_disk_power_state) ({states}{here})",
                "{{spinledger_disk_power_state}}",
            ),
            Query(
                f"sum (spinledger_disks_watched{here}"
                f" - on (job, instance) sum by (job, instance) ({states}{here}))",
                "spinning",
            ),
            colors={**STATES, "spinning": SPINNING},
        ),
        lines(
            Frame("Spin-ups of the last day by host", "From the ledgers.", "short", unruled),
            Query(f"instance:spinledger_disk_recent_cycles:sum1d{here}", "{{instance}}"),
        ),
        bars(
            Frame(
                "Closest to a limit",
                "The ten disks with the highest share of a limit.",
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
            Frame(
                "Least time asleep",
                "The ten disks with the least standby time in the last hour.",
                "percentunit",
                unruled,
            ),
            Query(
                f"bottomk(10, instance_disk:spinledger_disk_standby_seconds:rate1h{here} {joined})",
                names,
                instant=True,
            ),
        ),
        bars(
            Frame(
                "Most alerts",
                "The ten disks with the most alerts.",
                "short",
                "no alert about a disk fires; or the rules of the rule pack are not loaded",
            ),
            Query(
                "topk(10, count by (instance, model, serial) (ALERTS{"
                f'alertname=~"Disk.*",alertstate="firing",disk!="",{HERE}}}))',
                names,
                instant=True,
            ),
        ),
        lines(
            Frame("Asleep now by host", "Disks in standby.", "short", unruled),
            Query(
                f'{states}{{{HERE},spinledger_disk_power_state="standby"}}',
                "{{instance}}",
            ),
        ),
        bars(
            Frame("Stalest disks", "The ten disks with the oldest sample.", "s", "no host"),
            Query(
                f"topk(10, time() - spinledger_disk_last_sample_timestamp_seconds{here}) {joined}",
                names,
                instant=True,
            ),
        ),
        lines(
            Frame(
                "Time since the last write",
                "Time since the ledger was last written to its file.",
                "s",
                "no ledger file",
            ),
            Query(f"time() - spinledger_ledger_commit_timestamp_seconds{here}", "{{instance}}"),
        ),
    )
    for panel in panels:
        made = made.with_panel(panel)
    return made
