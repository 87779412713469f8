"""Alerts on spin-ups: more than the budget allows, or more than were observed."""

from __future__ import annotations

from rules.parts import DISK, GROUP, Alert, Group


def _at_limit(windows: str) -> str:
    """Limit used by wake group, where it is 1 or more; without names the disk is the group."""
    used = f'spinledger_disk_cycle_limit_used_ratio{{window=~"{windows}"}} >= 1'
    return f"""
        max by (job, instance, wake_group) (
          ({used})
          * on (job, instance, disk) group_left (wake_group)
            topk by (job, instance, disk) (1, spinledger_disk_info)
          or on (job, instance, disk)
          label_replace(
            {used},
            "wake_group", "$1", "disk", "(.+)"
          )
        )
    """


CYCLES = Group(
    "alerts/cycles.yml",
    "spinledger-cycles",
    "Spin-ups: more than the budget allows, or more than were observed.",
    (
        Alert(
            "DiskCyclesRunaway",
            "page",
            _at_limit("1h|3h|6h|1d"),
            f"{GROUP} spins up far too often: {{{{ $value | humanizePercentage }}}} of a limit",
            "The spin-ups of 1, 3 or 6 hours or of a day have reached the limit that follows from "
            "the cycle budget. Each of them wears the drive. First find what wakes the disk: run "
            "`spinledger look` on the host.",
            why="No `for`: the exporter's windows do the waiting. A limit is reached by chance "
            "less than once in a thousand years of a disk. A pool spins up together, so there is "
            "one alert for each pool, or for each disk without a pool.",
        ),
        Alert(
            "DiskCycleBudgetBurning",
            "ticket",
            _at_limit("7d|30d"),
            f"{GROUP} spins up more often than its budget allows: "
            "{{ $value | humanizePercentage }} of a limit over 7 or 30 days",
            "At this pace the cycle budget is not kept. First find what wakes the disk: compare "
            "`spinledger history` with the timers and jobs of the host.",
        ),
        Alert(
            "DiskCyclesUnobserved",
            "ticket",
            """
            changes(spinledger_disk_cycles_total{observed="no"}[6h]) > 2
            unless on (job, instance, disk) (spinledger_disk_probe_given_up == 1)
            unless on (job, instance, disk) spinledger_disk_info{watch="counters"}
            """,
            f"{DISK} spun up unobserved {{{{ $value | humanize }}}} times within 6 hours",
            "The drive's own counter grew by more spin-ups than were observed, so its cycle counts "
            "and its time asleep are too low here. First see whether it sleeps and wakes within "
            "one probe interval: run `spinledger look` on the host.",
            why="Changes and not the increase: after a stop of the exporter everything that was "
            "missed arrives at once, and a restarted counter is one more change. Disks that are "
            "not probed have no other kind of cycle.",
        ),
    ),
)
