"""Alerts on the exporter and its host: whether its metrics arrive, change and are recorded."""

from __future__ import annotations

from textwrap import indent

from rules.parts import CLOCK, FROZEN, HOST, Alert, Group, fresh

KNOWN_S = "6h"
"""For so long a target that gave our metrics is known to be an exporter."""


def _known(alert: str) -> str:
    """Targets that gave our metrics lately, or whose alert of this name has been firing."""
    return f"""(
  last_over_time(spinledger_build_info[{KNOWN_S}])
  or last_over_time(ALERTS{{alertname="{alert}"}}[{KNOWN_S}])
)"""


EXPORTER = Group(
    "alerts/exporter.yml",
    "spinledger-exporter",
    "The exporter and its host: whether its metrics arrive, change and are recorded.",
    (
        Alert(
            "SpinledgerAlertsLoaded",
            "none",
            f"count({fresh('spinledger_build_info')}) or vector(0)",
            "The alerts of Spinledger are evaluated; exporters that give metrics: {{ $value }}",
            "This alert always fires. Let something outside raise an alarm when it stops. "
            "First see whether Prometheus runs and has loaded the rules.",
            why="A sign that the rules are loaded and that alerts are delivered.",
        ),
        Alert(
            "SpinledgerDown",
            "ticket",
            f"""
max_over_time(up[10m]) == 0
and on (job, instance) {_known("SpinledgerDown")}
unless on (job, instance) last_over_time(spinledger_may_be_suspended[{KNOWN_S}]) == 1""",
            f"Prometheus cannot scrape {HOST}",
            "Alerts about its disks cannot fire, and those that did have resolved because data is "
            "missing, not because anything was fixed. First see whether the host is up, then "
            "whether the exporter runs: `systemctl status spinledger`.",
            why="Which of all targets is an exporter is known from what it gave before it went "
            "down; after six hours, from this alert itself. A target that is no longer configured "
            "has no `up`: that ends the alert. A host that may be suspended is not missed.",
        ),
        Alert(
            "SpinledgerFlapping",
            "ticket",
            f"""
100 * (1 - avg_over_time(up[1h])) > 25
and changes(up[1h]) > 4
and on (job, instance) last_over_time(spinledger_build_info[{KNOWN_S}])""",
            f"Scrapes of {HOST} fail again and again: "
            '{{ printf "%.0f" $value }} % of them within an hour',
            "What happens in between may be missing. First see whether the exporter is restarted "
            "by systemd: `journalctl -u spinledger` on the host.",
            why="More than a quarter of the scrapes of an hour, and not in one piece.",
        ),
        Alert(
            "SpinledgerMetricsMissing",
            "ticket",
            f"""
max_over_time(up[10m]) == 1
and on (job, instance) {_known("SpinledgerMetricsMissing")}
unless on (job, instance) {fresh("spinledger_build_info")}""",
            f"{HOST} answers without metrics of Spinledger",
            "Something else answers at that address, or a text file is no longer delivered. "
            "First open the target's address, and see what answers.",
            why="In text file mode the agent answers and the file is gone.",
        ),
        Alert(
            "SpinledgerOutputFrozen",
            "ticket",
            FROZEN,
            f"The metrics of {HOST} have not changed for 15 minutes",
            "They describe the past, so alerts about its disks do not fire meanwhile. "
            "First see whether the exporter runs and whether its text file is written: "
            "`systemctl status spinledger`.",
            why="The exporter's clock is rendered anew at each scrape. Alerts about disks are "
            "silent meanwhile.",
        ),
        Alert(
            "SpinledgerClockWrong",
            "ticket",
            f"""
min_over_time(abs(timestamp({CLOCK}) - {CLOCK})[15m:1m]) > 120
unless (
{indent(FROZEN, "  ")}
)""",
            f"The clock of {HOST} differs from that of Prometheus by "
            "{{ $value | humanizeDuration }}",
            "Quiet hours, dates and ages are wrong meanwhile. "
            "First compare both clocks: run `timedatectl` on both hosts.",
            why="The smallest difference of 15 minutes, so that a text file may be as old.",
        ),
        Alert(
            "SpinledgerMetricsIncomplete",
            "ticket",
            "min_over_time(spinledger_render_failures[15m]) > 0",
            f"Disks or metrics missing from the output of {HOST}: {{{{ $value }}}}",
            "Alerts about them cannot fire. This is a fault of the exporter. "
            "First see what it says: `journalctl -u spinledger` on the host.",
        ),
        Alert(
            "SpinledgerLedgerNotSaved",
            "ticket",
            "min_over_time(spinledger_ledger_write_failing[15m]) == 1",
            f"The ledger of {HOST} cannot be written",
            "A power cut would lose everything recorded since. "
            "First see whether its file system is full or read-only: `df -h /var/lib/spinledger`.",
        ),
        Alert(
            "SpinledgerLedgerDamaged",
            "ticket",
            f"""
{fresh("spinledger_ledger_damaged_total")}
  > min_over_time(spinledger_ledger_damaged_total[1d])""",
            f"A ledger file of {HOST} was damaged and set aside, {{{{ $value }}}} so far",
            "Counters of the disks begin again. "
            "First keep the file that was set aside, and see what the journal says: "
            "`journalctl -u spinledger`.",
            why="The count never falls, so an event is what was less within a day.",
        ),
        Alert(
            "SpinledgerConfigurationRefused",
            "ticket",
            "max_over_time(spinledger_config_reload_success[15m]) == 0",
            f"The changed configuration of {HOST} was refused",
            "The settings of the last good load still hold. First see which line is wrong: "
            "`sudo spinledger check --config FILE` on the host.",
        ),
        Alert(
            "SpinledgerConfigurationUnmatched",
            "ticket",
            "min_over_time(spinledger_config_unmatched_entries[1d]) > 0",
            f"Entries of `disks` that match no disk, in the configuration of {HOST}: "
            "{{ $value }}",
            "These entries have no effect. First see which: run `sudo spinledger check` on the "
            "host.",
            why="For a day, since a disk may be away for some hours.",
        ),
    ),
    interval="2m",
)
