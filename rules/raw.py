"""Alerts about a disk whose judgement is not a finding so far: they read its metrics."""

from __future__ import annotations

from textwrap import dedent

from rules.parts import Alert

DISK = "Disk {{ $labels.disk }} on {{ $labels.instance }}"

RAW: tuple[Alert, ...] = (
    Alert(
        "DiskAwakeInQuietHours",
        "ticket",
        dedent("""
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
        """),
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
        "DiskCyclesUnobserved",
        "ticket",
        dedent("""
        changes(spinledger_disk_cycles_total{observed="no"}[6h]) > 2
        unless on (job, instance, disk) (spinledger_disk_probe_given_up == 1)
        unless on (job, instance, disk) spinledger_disk_info{watch="counters"}
        """),
        f"{DISK} spun up unobserved {{{{ $value | humanize }}}} times within 6 hours",
        "The drive's own counter grew by more spin-ups than were observed, so its cycle counts "
        "and its time asleep are too low here. First see whether it sleeps and wakes within "
        "one probe interval: run `spinledger look` on the host.",
        why="Changes and not the increase: after a stop of the exporter everything that was "
        "missed arrives at once, and a restarted counter is one more change. Disks that are "
        "not probed have no other kind of cycle.",
    ),
    Alert(
        "DiskStateUnknown",
        "ticket",
        dedent("""
        max without (spinledger_disk_power_state)
          (spinledger_disk_power_state{spinledger_disk_power_state="unknown"} == 1)
        unless on (job, instance, disk) (spinledger_disk_probe_given_up == 1)
        unless on (job, instance, disk) spinledger_disk_info{watch="counters"}
        """),
        f"{DISK} has had an unknown power state for an hour",
        "Its sleep and its spin-ups are not recorded meanwhile. "
        "First see why: run `spinledger check` on the host.",
        wait="1h",
        why="Not for disks that are watched by the kernel's counters alone, whether the "
        "configuration says so or the exporter no longer probes them.",
    ),
    Alert(
        "DiskSampleStale",
        "ticket",
        "time() - spinledger_disk_last_sample_timestamp_seconds > 300",
        f"{DISK} was last sampled {{{{ $value | humanizeDuration }}}} ago",
        "Its power state, spin-ups and times are not recorded meanwhile. "
        "First see whether the exporter runs: `systemctl status spinledger` on the host.",
        wait="5m",
        why="Judged by the age of the last sample and not by `up`: where the metrics travel "
        "in a text file, `up` belongs to another agent. A sample is due every few seconds, "
        "asleep or awake.",
    ),
    Alert(
        "DiskVanished",
        "ticket",
        "(time() - spinledger_disk_absent_since_timestamp_seconds > 600) < 2592000",
        f"{DISK} disappeared {{{{ $value | humanizeDuration }}}} ago",
        "The ledger knows this disk and it is no longer there. Other alerts about it have "
        "resolved because data is missing, not because anything was fixed. "
        "First find out whether somebody took it out on purpose.",
        why="The ledger remembers the disk; its other series are gone. After 30 days a disk "
        "counts as retired.",
    ),
)
