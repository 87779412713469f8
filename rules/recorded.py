"""Recording rules, for federation, remote write and dashboards of many hosts.

Names are level:metric:operations (Prometheus documentation, "Recording rules").
"""

from __future__ import annotations

from textwrap import dedent

from rules.parts import Group, Recording

USED = "instance_disk:spinledger_disk_cycle_limit_used_ratio:max"
STANDBY = "instance_disk:spinledger_disk_standby_seconds_per_state_seconds:ratio_rate1h"

DISKS = Group(
    "recording/disks.yml",
    "spinledger-recording-disks",
    "One series a disk, for federation and remote write; level: instance_disk.",
    (
        Recording(
            USED,
            'max without (window) (spinledger_disk_cycle_limit_used_ratio{window=~"1d|7d|30d"})',
            why="1 and above: the limit of a day, a week or a month is reached.",
        ),
        Recording(
            STANDBY,
            dedent("""
            sum without (state) (rate(spinledger_disk_state_seconds_total{state="standby"}[1h]))
              / (sum without (state) (rate(spinledger_disk_state_seconds_total[1h])) > 0)
            """),
            why="The share of the last hour that the disk slept. Unobserved time counts as time.",
        ),
        Recording(
            "instance_disk:spinledger_disk_finding:sum",
            "sum without (code) (spinledger_disk_finding)",
            why="Findings that hold, of those that alerts read.",
        ),
    ),
)

HOSTS = Group(
    "recording/hosts.yml",
    "spinledger-recording-hosts",
    "A few series a host, for federation and remote write; level: instance.",
    (
        Recording(
            "instance:spinledger_disk_power_state:sum",
            "sum without (disk) "
            '(spinledger_disk_power_state{spinledger_disk_power_state=~"standby|unknown"})',
            why="Disks in standby, and disks whose state is unknown.",
        ),
        Recording(
            "instance:spinledger_disk_state_seconds:rate1h",
            "sum without (disk) (rate(spinledger_disk_state_seconds_total[1h]))",
            why="Disk-seconds a second in each state: how many disks were in it, on average.",
        ),
        Recording(
            "instance:spinledger_disk_recent_cycles:sum1d",
            'sum without (disk, window) (spinledger_disk_recent_cycles{window="1d"})',
            why="Spin-ups of the last day, as counted in the ledgers.",
        ),
        Recording(
            "instance:spinledger_disk_cycle_limit_reached:count",
            dedent("""
            count without (disk) (
              max without (window, wake_group)
                (spinledger_disk_cycle_limit_reached_timestamp_seconds) > time() - 21600
            )
            """),
            why="Disks that reached the limit of a window within the last 6 hours.",
        ),
    ),
)
