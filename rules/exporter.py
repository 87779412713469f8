"""Alerts on the exporter itself: whether its metrics arrive, and whether it records."""

from __future__ import annotations

from rules.parts import DISK, HOST, Alert, Group

EXPORTER = Group(
    "alerts/exporter.yml",
    "spinledger-exporter",
    "The exporter itself: whether its metrics arrive, are recorded and follow the configuration.",
    (
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
            "SpinledgerDown",
            "ticket",
            """
            up == 0
            and on (job, instance)
            (
              last_over_time(spinledger_build_info[6h])
              or last_over_time(ALERTS{alertname="SpinledgerDown"}[6h])
            )
            """,
            f"Prometheus cannot scrape {HOST}",
            "Alerts about its disks cannot fire, and those that did have resolved because data is "
            "missing, not because anything was fixed. First see whether the host is up, then "
            "whether the exporter runs: `systemctl status spinledger`.",
            wait="5m",
            why="Which of all targets is an exporter is known from what it gave before it went "
            "down; after six hours, from this alert itself. A target that is no longer configured "
            "has no `up`: that ends the alert.",
        ),
        Alert(
            "SpinledgerLedgerNotSaved",
            "ticket",
            """
            time() - spinledger_ledger_commit_timestamp_seconds > 900
            unless on (job, instance) (spinledger_ledger_deferred == 1)
            """,
            f"The ledger of {HOST} was last written {{{{ $value | humanizeDuration }}}} ago",
            "A power cut would lose everything recorded since. "
            "First see whether its file system is full or read-only: `df -h /var/lib/spinledger`.",
            wait="15m",
            why="Not while commits wait on purpose for the ledger's own disk to wake.",
        ),
        Alert(
            "SpinledgerLedgerDamaged",
            "ticket",
            "spinledger_ledger_damaged_total > min_over_time(spinledger_ledger_damaged_total[1d])",
            f"A ledger file of {HOST} was damaged and set aside",
            "Damaged files so far: {{ $value | humanize }}. Counters of the disks begin again. "
            "First keep the file that was set aside, and see what the journal says: "
            "`journalctl -u spinledger`.",
            why="The count never falls, so an event is what was less within a day.",
        ),
        Alert(
            "SpinledgerConfigurationRefused",
            "ticket",
            "spinledger_config_reload_success == 0",
            f"The changed configuration of {HOST} was refused",
            "The settings of the last good load still hold. First see which line is wrong: "
            "`spinledger check --config FILE` on the host.",
            wait="5m",
        ),
    ),
    interval="",
)
