"""Alerts on what the exporter found about a drive, and on drives that are gone."""

from __future__ import annotations

from rules.parts import DISK, Alert, Group

DRIVES = Group(
    "alerts/drives.yml",
    "spinledger-drives",
    "Drives: what the exporter found about them, and whether they are there.",
    (
        Alert(
            "DiskDisturbedByProbes",
            "ticket",
            'spinledger_disk_finding{code=~"probes_disturb|probes_restart_timer"} == 1',
            f"{DISK} is disturbed by probes of its power state",
            '{{ if eq $labels.code "probes_disturb" }}A probe wakes or delays the drive'
            "{{ else }}A probe restarts the drive's standby timer{{ end }}. "
            "The exporter probes it less often from now on, or not at all. "
            "First read the finding on the exporter's page of this disk.",
        ),
        Alert(
            "DiskSleepDoesNotPay",
            "ticket",
            'spinledger_disk_finding{code="sleep_does_not_pay"} == 1',
            f"{DISK} sleeps too briefly to save energy",
            "Its spin-ups cost more energy than its sleep saves, by the configured watts and "
            "joules. First see which timer would pay: run `spinledger replay` on the ledger.",
        ),
        Alert(
            "DiskSpinUpWaitLengthening",
            "ticket",
            'spinledger_disk_finding{code="spin_up_wait_lengthening"} == 1',
            f"{DISK} takes longer to spin up than it used to",
            "The first request after a sleep waits longer than it did when the ledger began. "
            "This can be an early sign of a weak motor, bearing or power supply. "
            "First make sure that a good backup exists of all that is on the disk.",
        ),
        Alert(
            "DiskStateUnknown",
            "ticket",
            """
            max without (spinledger_disk_power_state)
              (spinledger_disk_power_state{spinledger_disk_power_state="unknown"} == 1)
            unless on (job, instance, disk) (spinledger_disk_probe_given_up == 1)
            unless on (job, instance, disk) spinledger_disk_info{watch="counters"}
            """,
            f"{DISK} has had an unknown power state for an hour",
            "Its sleep and its spin-ups are not recorded meanwhile. "
            "First see why: run `spinledger check` on the host.",
            wait="1h",
            why="Not for disks that are watched by the kernel's counters alone, whether the "
            "configuration says so or the exporter no longer probes them.",
        ),
        Alert(
            "DiskVanished",
            "page",
            "(time() - spinledger_disk_absent_since_timestamp_seconds > 600) < 2592000",
            f"{DISK} disappeared {{{{ $value | humanizeDuration }}}} ago",
            "The ledger knows this disk and it is no longer there. Other alerts about it have "
            "resolved because data is missing, not because anything was fixed. "
            "First find out whether somebody took it out on purpose.",
            why="The ledger remembers the disk; its other series are gone. After 30 days a disk "
            "counts as retired.",
        ),
    ),
)
