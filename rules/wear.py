"""Alerts on wear: the drive's own counters against what the drive is rated for."""

from __future__ import annotations

from rules.parts import DISK, Alert, Group

WEAR = Group(
    "alerts/wear.yml",
    "spinledger-wear",
    "Wear: the drive's own counters against what it is rated for.",
    (
        Alert(
            "DiskRatedLifeEndsTooSoon",
            "ticket",
            """
            (spinledger_disk_rated_life_end_timestamp_seconds{bound="late"} - time()
              < on (job, instance, disk) group_left () spinledger_disk_rated_life_horizon_seconds)
            unless on (job, instance, disk, kind) (spinledger_disk_rated_life_used_ratio >= 1)
            """,
            f"{DISK} will use up its rated {{{{ $labels.kind }}}} cycles within "
            "{{ $value | humanizeDuration }}",
            "That is the latest date that its record allows for, and it is earlier than the "
            "configured horizon (`limits.rated_life_horizon`). A rating is a design figure and no "
            "date of failure. First see what the cycles come from: run `spinledger look` on the "
            "host.",
            wait="6h",
            why="The late bound, so that the figure is sure; a delay of weeks in years costs "
            "nothing.",
        ),
        Alert(
            "DiskRatedLifeUsedUp",
            "ticket",
            "spinledger_disk_rated_life_used_ratio >= 1",
            f"{DISK} has done {{{{ $value | humanizePercentage }}}} of its rated "
            "{{ $labels.kind }} cycles",
            "A rating is a design figure and no date of failure. "
            "First make sure that a good backup exists of all that is on the disk.",
        ),
    ),
)
