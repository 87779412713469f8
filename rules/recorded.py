"""Recording rules, for federation, remote write and dashboards of many hosts.

Names are level:metric:operations (Prometheus documentation, "Recording rules").
"""

from __future__ import annotations

from rules.headline import HOLD_S
from rules.parts import Group, Recording

USED = "instance_disk:spinledger_disk_cycle_limit_used_ratio:max"
STANDBY = "instance_disk:spinledger_disk_standby_seconds:rate1h"

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
            'sum without (state) (rate(spinledger_disk_state_seconds_total{state="standby"}[1h]))',
            why="The share of the last hour that the disk slept. Time before it was first seen "
            "counts as awake.",
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
            "instance:spinledger_disk_recent_cycles:sum1d",
            'sum without (disk, window) (spinledger_disk_recent_cycles{window="1d"})',
            why="Spin-ups of the last day, as counted in the ledgers.",
        ),
        Recording(
            "instance:spinledger_disk_cycle_limit_reached:count",
            f"""
count without (disk) (
  max without (window, wake_group)
    (spinledger_disk_cycle_limit_reached_timestamp_seconds > time() - {HOLD_S})
)""",
            why="Disks that reached the limit of a window within the last 6 hours.",
        ),
    ),
)
