"""Alerts on sleep. Quiet hours are local time, worked out by the exporter: PromQL's are UTC."""

from __future__ import annotations

from rules.parts import DISK, Alert, Group

QUIET = Group(
    "alerts/quiet.yml",
    "spinledger-quiet",
    "Sleep: whether a disk sleeps when its configuration says that it should.",
    (
        Alert(
            "DiskSleptTooLittleInQuietHours",
            "ticket",
            """
            spinledger_disk_quiet_window_asleep_ratio
              < on (job, instance, disk)
                (spinledger_disk_quiet_window_asleep_min_ratio
                  + on (job, instance, disk) spinledger_disk_quiet_window_observed_ratio - 1)
            and on (job, instance, disk)
            (time() - spinledger_disk_quiet_window_end_timestamp_seconds < 93600)
            """,
            f"{DISK} slept for {{{{ $value | humanizePercentage }}}} of its last quiet hours",
            "That is less than its configuration asks for (`limits.quiet_asleep_min`), even if it "
            "slept through all the time that was not observed. First see whether it was awake all "
            "the time or woken again and again: run `spinledger history` on the host.",
            why="Too little even if it slept through all unobserved time: asleep + (1 - observed) "
            "is less than the minimum. 26 hours, so that nightly windows join without a break "
            "when the clocks change, and a window of long ago raises nothing.",
        ),
        Alert(
            "DiskAwakeInQuietHours",
            "ticket",
            """
            time() - spinledger_disk_spinning_since_timestamp_seconds > 3600
            and on (job, instance, disk) (spinledger_disk_quiet_active == 1)
            and on (job, instance, disk) (time() - spinledger_disk_quiet_began_timestamp_seconds > 3600)
            unless on (job, instance, disk)
              (time() - spinledger_disk_spinning_since_timestamp_seconds
                <= on (job, instance, disk) 2 * spinledger_disk_declared_standby_seconds + 3600)
            unless on (job, instance, disk)
              (time() - spinledger_disk_quiet_began_timestamp_seconds
                <= on (job, instance, disk) 2 * spinledger_disk_declared_standby_seconds + 3600)
            unless on (job, instance, disk)
              (rate(spinledger_disk_state_seconds_total{state="active"}[3h])
                > on (job, instance, disk) rate(spinledger_disk_state_seconds_total{state="idle"}[3h]))
            """,  # noqa: E501
            f"{DISK} has been spinning for {{{{ $value | humanizeDuration }}}}, in its quiet hours",
            "It had little to do and should have gone to sleep by now. "
            "First see whether anything uses it: compare its counters in "
            "/sys/block/NAME/stat twice, ten minutes apart.",
            why="An hour and twice the declared timer have passed since the spin-up and since "
            "quiet hours began: an hour's use, and time to fall asleep after it. A disk that was "
            "more active than idle in the last three hours is at work (a scrub, a backup), or has "
            "just finished and waits for its timer; three hours are enough for timers of up to an "
            "hour and a half.",
        ),
        Alert(
            "DiskTimerNotHolding",
            "ticket",
            'spinledger_disk_finding{code="timer_not_holding"} == 1',
            f"{DISK} no longer spins down when its standby timer is due",
            "It stayed awake well past its timer although nothing used it. "
            "First set its standby timer again, as your system does it after a boot.",
        ),
    ),
)
