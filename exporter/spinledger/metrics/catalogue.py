"""Every metric, as data: one row is all it takes to add one.

Rules of this room:
- A row gives the full name as exposed, the type, the unit, the labels beyond `disk`, the key that
  finds its values in a snapshot, and the largest number of series one disk may have of it.
- A metric appears only where the snapshot has values for its key. Values that may move are given
  from zero by whoever makes the snapshot, never invented here.
- The key is the name without `spinledger_disk_` or `spinledger_`, and without `_total` or
  `_timestamp_seconds` at its end.
- `most` counts series with default settings; the sum over all rows is the documented bound of
  series a disk. Histograms count every bucket, `+Inf`, sum and count.
- Names follow the Prometheus naming practice: one prefix, base units, `_total` on counters,
  `_info` on metadata, `_timestamp_seconds` on times. An OpenMetrics name ends with its unit.
- `scope` exporter: the values are in `Snapshot.exporter`, and `labels` are all there are. That is
  also where a disk belongs that the ledger knows and that is not here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Kind = Literal["info", "stateset", "gauge", "counter", "histogram"]
Scope = Literal["disk", "exporter"]

INFO: Final = "info"
STATESET: Final = "stateset"
GAUGE: Final = "gauge"
COUNTER: Final = "counter"
HISTOGRAM: Final = "histogram"
EXPORTER: Final = "exporter"

SERIES_PER_DISK = 200  # the documented bound, with default settings


@dataclass(frozen=True, slots=True)
class Metric:
    """One row. `needs` says what must be there for the metric to appear; empty: nothing."""

    name: str
    kind: Kind
    unit: str
    labels: tuple[str, ...]
    key: str
    most: int
    help: str
    scope: Scope = "disk"
    needs: str = ""

    @property
    def family(self) -> str:
        """The OpenMetrics family name: without `_total` and `_info`."""
        if self.kind == COUNTER:
            return self.name.removesuffix("_total")
        return self.name.removesuffix("_info") if self.kind == INFO else self.name


# A table is easier to read and to compare with two lines a row.
# fmt: off
CATALOGUE: tuple[Metric, ...] = (
    # What the disk is, and what it does now
    Metric("spinledger_disk_info", INFO, "", (
               "kernel_name", "model", "serial", "firmware", "transport", "rotation_rpm", "pool",
               "wake_group", "device", "watch", "schedule", "budget_source"), "info", 1,
           "A watched disk: names, place and policy; wake_group is the pool, else the disk."),
    Metric("spinledger_disk_power_state", STATESET, "", (), "power_state", 4,
           "Current power state; exactly one is 1."),
    Metric("spinledger_disk_power_condition", STATESET, "", (), "power_condition", 5,
           "Power condition within the state, where the drive tells.",
           needs="a drive that reports power conditions"),
    Metric("spinledger_disk_spinning_since_timestamp_seconds", GAUGE, "seconds", (),
           "spinning_since", 1, "When the platters began to turn, or were found turning."),
    # The books
    Metric("spinledger_disk_state_seconds_total", COUNTER, "seconds", ("state",),
           "state_seconds", 5,
           "Booked time per state; all states together are the time since watching began."),
    Metric("spinledger_disk_quiet_state_seconds_total", COUNTER, "seconds", ("state",),
           "quiet_state_seconds", 5, "The part of the booked time inside this disk's quiet hours.",
           needs="a schedule"),
    Metric("spinledger_disk_transitions_total", COUNTER, "", ("from", "to"), "transitions", 19,
           "Changes from one state to another."),
    Metric("spinledger_disk_cycles_total", COUNTER, "", ("observed",), "cycles", 2,
           "Spin-ups; observed=\"no\" are known only from the drive's own counters."),
    # Wakes and gaps
    Metric("spinledger_disk_wakes_total", COUNTER, "", ("cause",), "wakes", 4,
           "Spin-ups by what moved first: read, write, both, or other (no sectors)."),
    Metric("spinledger_disk_actor_wakes_total", COUNTER, "", ("actor",), "actor_wakes", 9,
           "Spin-ups by the process, service or guest that asked; the rest is other.",
           needs="wake attribution, which this version lacks"),
    Metric("spinledger_disk_wake_wait_seconds", HISTOGRAM, "seconds", (), "wake_wait_seconds", 11,
           "How long the first request waited for the platters, where the kernel's counters tell."),
    Metric("spinledger_disk_idle_gap_seconds", HISTOGRAM, "seconds", (), "idle_gap_seconds", 13,
           "Gaps between requests of others."),
    # The cycle budget
    Metric("spinledger_disk_cycle_budget_per_day", GAUGE, "", (), "cycle_budget_per_day", 1,
           "Spin-ups a day the owner allows; budget_source says whether it is configured."),
    Metric("spinledger_disk_recent_cycles", GAUGE, "", ("window",), "recent_cycles", 6,
           "Observed spin-ups in the window, counted exactly in the ledger."),
    Metric("spinledger_disk_cycle_limit", GAUGE, "", ("window",), "cycle_limit", 6,
           "Spin-ups in the window that the budget's own scatter would hardly ever reach."),
    Metric("spinledger_disk_cycle_limit_used_ratio", GAUGE, "ratio", ("window",),
           "cycle_limit_used_ratio", 6, "Recent spin-ups over the window's limit."),
    # The drive's own counters, and what it is rated for
    Metric("spinledger_disk_start_stop_cycles_total", COUNTER, "", (), "start_stop_cycles", 1,
           "Spindle starts, by the drive's own counter.", needs="the drive's own counters"),
    Metric("spinledger_disk_load_cycles_total", COUNTER, "", (), "load_cycles", 1,
           "Head loads, by the drive's own counter.", needs="the drive's own counters"),
    Metric("spinledger_disk_emergency_retracts_total", COUNTER, "", (), "emergency_retracts", 1,
           "Head retracts at power loss, by the drive's own counter.",
           needs="the drive's own counters"),
    Metric("spinledger_disk_power_cycles_total", COUNTER, "", (), "power_cycles", 1,
           "Power cycles, by the drive's own counter.", needs="the drive's own counters"),
    Metric("spinledger_disk_power_on_seconds_total", COUNTER, "seconds", (), "power_on_seconds", 1,
           "Time under power, by the drive's own counter.", needs="the drive's own counters"),
    Metric("spinledger_disk_rated_cycles", GAUGE, "", ("kind",), "rated_cycles", 2,
           "Cycles the drive is rated for, configured or from its log page.", needs="a rating"),
    Metric("spinledger_disk_rated_life_used_ratio", GAUGE, "ratio", ("kind",),
           "rated_life_used_ratio", 2, "The drive's own count over its rating.", needs="a rating"),
    Metric("spinledger_disk_rated_life_end_timestamp_seconds", GAUGE, "seconds",
           ("kind", "bound"), "rated_life_end", 6,
           "When the rating will be used up at the pace so far; absent while that is too short.",
           needs="a rating"),
    Metric("spinledger_disk_rated_life_horizon_seconds", GAUGE, "seconds", (),
           "rated_life_horizon_seconds", 1, "Warn when the rated life ends sooner than this."),
    Metric("spinledger_disk_wear_read_timestamp_seconds", GAUGE, "seconds", (), "wear_read", 1,
           "When the drive's own counters were last read.", needs="the drive's own counters"),
    Metric("spinledger_disk_wear_rejected_total", COUNTER, "", ("reason",), "wear_rejected", 4,
           "Readings of the drive's own counters refused as implausible, or doubted: disagrees."),
    # Quiet hours, in local time
    Metric("spinledger_disk_quiet_active", GAUGE, "", (), "quiet_active", 1,
           "1 inside quiet hours, 0 outside.", needs="a schedule"),
    Metric("spinledger_disk_quiet_began_timestamp_seconds", GAUGE, "seconds", (), "quiet_began",
           1, "When the present or last quiet window began.", needs="a schedule"),
    Metric("spinledger_disk_quiet_window_asleep_ratio", GAUGE, "ratio", (),
           "quiet_window_asleep_ratio", 1, "Standby share of the last complete quiet window.",
           needs="a schedule"),
    Metric("spinledger_disk_quiet_window_asleep_min_ratio", GAUGE, "ratio", (),
           "quiet_window_asleep_min_ratio", 1, "Standby share the owner asks of a quiet window.",
           needs="a schedule"),
    Metric("spinledger_disk_quiet_window_observed_ratio", GAUGE, "ratio", (),
           "quiet_window_observed_ratio", 1, "Observed share of the last complete quiet window.",
           needs="a schedule"),
    Metric("spinledger_disk_quiet_window_end_timestamp_seconds", GAUGE, "seconds", (),
           "quiet_window_end", 1, "When the last complete quiet window ended.",
           needs="a schedule"),
    # Timers
    Metric("spinledger_disk_declared_standby_seconds", GAUGE, "seconds", (),
           "declared_standby_seconds", 1, "The standby timer the owner declares; 0 is disabled.",
           needs="a declared timer"),
    Metric("spinledger_disk_observed_standby_seconds", GAUGE, "seconds", (),
           "observed_standby_seconds", 1, "Idle time before the last spin-down."),
    Metric("spinledger_disk_apm_level", GAUGE, "", (), "apm_level", 1,
           "Advanced power management level; absent if unsupported or disabled."),
    Metric("spinledger_disk_whatif_cycles_total", COUNTER, "", ("standby_seconds",),
           "whatif_cycles", 6, "Spin-ups there would have been with that standby timer."),
    Metric("spinledger_disk_whatif_asleep_seconds_total", COUNTER, "seconds",
           ("standby_seconds",), "whatif_asleep_seconds", 6,
           "Standby there would have been with that standby timer."),
    # Energy, estimated
    Metric("spinledger_disk_energy_joules_total", COUNTER, "joules", ("state",), "energy_joules", 4,
           "Estimated energy per state, and for spin-ups, from configured watts and joules."),
    Metric("spinledger_disk_energy_saved_joules_total", COUNTER, "joules", (),
           "energy_saved_joules", 1,
           "Estimated energy saved by standby that outlasted the cost of its spin-up."),
    Metric("spinledger_disk_energy_lost_joules_total", COUNTER, "joules", (),
           "energy_lost_joules", 1,
           "Estimated energy lost by standby too short for the cost of its spin-up."),
    # Findings, freshness, and our own questions
    Metric("spinledger_disk_finding", GAUGE, "", ("code",), "finding", 12,
           "1 while the finding holds; its sentence is in /snapshot."),
    Metric("spinledger_disk_last_sample_timestamp_seconds", GAUGE, "seconds", (), "last_sample",
           1, "When this disk was last looked at."),
    Metric("spinledger_disk_probe_up", GAUGE, "", (), "probe_up", 1,
           "1 if the last attempt to know the state succeeded."),
    Metric("spinledger_disk_probe_given_up", GAUGE, "", (), "probe_given_up", 1,
           "1 if this disk is left in peace and watched by counters alone."),
    Metric("spinledger_disk_probe_commands_total", COUNTER, "", ("command",), "probe_commands",
           6, "Commands sent to the drive."),
    Metric("spinledger_disk_probe_failures_total", COUNTER, "", ("reason",), "probe_failures",
           13, "Questions that gave no state, by reason."),
    Metric("spinledger_disk_probe_seconds", HISTOGRAM, "seconds", (), "probe_seconds", 11,
           "How long the drive took to answer a question."),
    Metric("spinledger_disk_probe_disturbances_total", COUNTER, "", ("kind",),
           "probe_disturbances", 4, "Times our own question woke the drive or kept it awake."),
    # The exporter itself
    Metric("spinledger_disk_absent_since_timestamp_seconds", GAUGE, "seconds", ("disk",),
           "absent_since", 1, "Since when a disk the ledger knows has not been here.", EXPORTER),
    Metric("spinledger_build_info", INFO, "", ("version",), "build_info", 0,
           "The version of this exporter.", EXPORTER),
    Metric("spinledger_config_reload_success", GAUGE, "", (), "config_reload_success", 0,
           "1 if the last load of the configuration succeeded.", EXPORTER),
    Metric("spinledger_config_reload_timestamp_seconds", GAUGE, "seconds", (), "config_reload",
           0, "When the configuration was last loaded with success.", EXPORTER),
    Metric("spinledger_ledger_commit_timestamp_seconds", GAUGE, "seconds", (), "ledger_commit",
           0, "When the ledger was last written to its file.", EXPORTER),
    Metric("spinledger_ledger_deferred", GAUGE, "", (), "ledger_deferred", 0,
           "1 while commits wait for the ledger's own disk to wake.", EXPORTER),
    Metric("spinledger_ledger_bytes", GAUGE, "bytes", (), "ledger_bytes", 0,
           "Size of the ledger file.", EXPORTER),
    Metric("spinledger_ledger_damaged_total", COUNTER, "", (), "ledger_damaged", 0,
           "Ledger files found damaged and set aside.", EXPORTER),
    Metric("spinledger_wear_cross_checks_total", COUNTER, "", ("result",), "wear_cross_checks", 0,
           "Runs of the second reader of the drives' own counters: read, or why not.", EXPORTER,
           needs="wear.cross_check"),
    Metric("spinledger_trace_events_lost_total", COUNTER, "", (), "trace_events_lost", 0,
           "Kernel trace events lost before they could be read.", EXPORTER),
    Metric("spinledger_disks_watched", GAUGE, "", (), "disks_watched", 0,
           "Disks being watched.", EXPORTER),
    Metric("spinledger_disks_skipped", GAUGE, "", ("reason",), "disks_skipped", 0,
           "Block devices not watched, by reason.", EXPORTER),
    Metric("spinledger_render_failures", GAUGE, "", (), "render_failures", 0,
           "Disks and exporter metrics left out of this scrape: their values were malformed.",
           EXPORTER),
)
# fmt: on

DISK_ROWS: tuple[Metric, ...] = tuple(row for row in CATALOGUE if row.scope == "disk")
EXPORTER_ROWS: tuple[Metric, ...] = tuple(row for row in CATALOGUE if row.scope == EXPORTER)

LABELS: dict[tuple[Scope, str], tuple[str, ...]] = {
    (row.scope, row.key): row.labels for row in CATALOGUE
}
