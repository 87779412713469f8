"""Every metric, as data: one row is all it takes to add one.

Rules of this room:
- A row gives the full name as exposed, the type, the unit, the labels beyond `disk`, the largest
  number of series one disk may have of it, the help text, and the function that makes its values
  from a disk's view (or, for the exporter's own metrics, from what is rendered).
- A metric appears only where its function gives values. Values that may move are given from zero
  by whoever makes the facts, never invented here.
- The key, which `/snapshot` uses, is the name without `spinledger_disk_` or `spinledger_`, and
  without `_total` or `_timestamp_seconds` at its end.
- `most` counts series with default settings; the sum over all rows is the documented bound of
  series a disk. Histograms count every bucket, `+Inf`, sum and count.
- Names follow the Prometheus naming practice: one prefix, base units, `_total` on counters,
  `_info` on metadata, `_timestamp_seconds` on times. An OpenMetrics name ends with its unit.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Generic, Literal, NamedTuple, TypeVar

from spinledger import __version__
from spinledger.facts import CycleWindow, DiskView, ExporterFacts, LedgerFacts, Rated, Snapshot
from spinledger.findings.judge import exported
from spinledger.model import SECOND, Condition, Histogram, Labels, Number, State
from spinledger.whatif.gaps import seconds_label

Kind = Literal["info", "stateset", "gauge", "counter", "histogram"]
Values = Mapping[Labels, Number] | Histogram

INFO: Final = "info"
STATESET: Final = "stateset"
GAUGE: Final = "gauge"
COUNTER: Final = "counter"
HISTOGRAM: Final = "histogram"

SERIES_PER_DISK = 220  # the documented bound, with default settings

DISK, EXPORTER = "spinledger_disk_", "spinledger_"


class Rendered(NamedTuple):
    """What one rendering is of."""

    snapshot: Snapshot | None  # None before the first
    wall_ns: int  # the exporter's clock, now
    failures: int  # disks and metrics left out, since their values were malformed


From = TypeVar("From")


@dataclass(frozen=True, slots=True)
class Metric(Generic[From]):
    """One row. Of a stateset `labels` is empty: its label has the metric's name."""

    name: str
    kind: Kind
    unit: str
    labels: tuple[str, ...]
    most: int
    help: str
    values: Callable[[From], Values]

    @property
    def family(self) -> str:
        """The OpenMetrics family name: without `_total` and `_info`."""
        if self.kind == COUNTER:
            return self.name.removesuffix("_total")
        return self.name.removesuffix("_info") if self.kind == INFO else self.name

    @property
    def key(self) -> str:
        """The short name."""
        short = self.name.removesuffix("_total").removesuffix("_timestamp_seconds")
        return short.removeprefix(DISK).removeprefix(EXPORTER)

    @property
    def label_names(self) -> tuple[str, ...]:
        """Its labels in the order of its values, without `disk`."""
        return (self.name,) if self.kind == STATESET else self.labels


_NONE: Mapping[Labels, Number] = {}


def _one(value: Number | None) -> Values:
    return _NONE if value is None else {(): +value}  # a plain 0 or 1 of a truth value


def _time(wall_ns: int | None) -> Values:
    return _NONE if wall_ns is None else {(): wall_ns / SECOND}


def _by(counts: Mapping[str, Number]) -> Values:
    return {(name,): value for name, value in counts.items()}


def _states(times_ns: Mapping[State, int]) -> Values:
    return {(state.value,): ns / SECOND for state, ns in times_ns.items()}


def _info(view: DiskView) -> Values:
    disk, policy = view.disk, view.policy
    labels = (
        disk.kernel_name,
        disk.model,
        disk.serial,
        disk.firmware,
        disk.transport,
        str(disk.rotation_rpm) if disk.rotation_rpm else "",
        disk.pool,
        disk.wake_group,
        disk.device,
        policy.watch.value,
        policy.quiet or "",
        policy.budget_source,
    )
    return {labels: 1}


def _power_state(view: DiskView) -> Values:
    states = (State.ACTIVE, State.IDLE, State.STANDBY, State.UNKNOWN)
    return {(state.value,): int(state is view.state) for state in states}


def _power_condition(view: DiskView) -> Values:
    now = view.facts.condition
    return {(one.value,): int(one is now) for one in Condition} if now else _NONE


def _counter(name: str) -> Callable[[DiskView], Values]:
    """One of the drive's counters, where it is known."""

    def values(view: DiskView) -> Values:
        worn = view.facts.counters
        return _NONE if worn is None else _one(getattr(worn, name))

    return values


def _rated(view: DiskView, value: Callable[[Rated], Number | None]) -> Values:
    return {
        (kind,): number
        for kind, rated in view.facts.rated.items()
        if (number := value(rated)) is not None
    }


def _rated_life_end(view: DiskView) -> Values:
    return {
        (kind, bound): wall_ns / SECOND
        for kind, rated in view.facts.rated.items()
        for bound in ("early", "middle", "late")
        if (wall_ns := getattr(rated, f"{bound}_wall_ns")) is not None
    }


def _limits(view: DiskView) -> Mapping[str, CycleWindow]:
    return {**view.facts.windows, **view.facts.early_windows}


def _cycle_limits(view: DiskView) -> Values:
    """Without the lower limit of two days, of which no count is exported either."""
    return _by({name: one.limit for name, one in _limits(view).items() if name != "2d_early"})


def _limit_reached(view: DiskView) -> Values:
    return {
        (name, view.disk.wake_group): window.reached_wall_ns / SECOND
        for name, window in _limits(view).items()
        if window.reached_wall_ns is not None
    }


def _quiet_asleep(view: DiskView) -> Values:
    window = view.facts.quiet_window
    return _one(window and window.asleep_ratio)


def _findings(view: DiskView) -> Values:
    disk = view.disk
    return {
        (code, disk.wake_group, disk.model, disk.serial): held
        for code, held in exported(view).items()
        if code == "absent" or view.facts.absent_ns is None
    }


# A table is easier to read and to compare with few lines a row.
# fmt: off
DISK_ROWS: tuple[Metric[DiskView], ...] = (
    # What the disk is, and what it does now
    Metric("spinledger_disk_info", INFO, "", (
               "kernel_name", "model", "serial", "firmware", "transport", "rotation_rpm", "pool",
               "wake_group", "device", "watch", "schedule", "budget_source"), 1,
           "A watched disk: names, place and policy; wake_group is the pool, else model and "
           "serial.", _info),
    Metric("spinledger_disk_power_state", STATESET, "", (), 4,
           "Current power state; exactly one is 1.", _power_state),
    Metric("spinledger_disk_power_condition", STATESET, "", (), 5,
           "Power condition within the state, where the drive reports one.", _power_condition),
    Metric("spinledger_disk_spinning_since_timestamp_seconds", GAUGE, "seconds", (), 1,
           "When the disk began to spin, or was found spinning.",
           lambda v: _time(v.facts.since_wall_ns if v.state.spinning else None)),
    # The ledger
    Metric("spinledger_disk_state_seconds_total", COUNTER, "seconds", ("state",), 5,
           "Recorded time per state; all states together are the time since watching began.",
           lambda v: _states(v.facts.totals.state_ns)),
    Metric("spinledger_disk_quiet_state_seconds_total", COUNTER, "seconds", ("state",), 5,
           "The part of the recorded time inside this disk's quiet hours.",
           lambda v: _states(v.facts.totals.quiet_ns)),
    Metric("spinledger_disk_transitions_total", COUNTER, "", ("from", "to"), 19,
           "Changes from one state to another.",
           lambda v: {(a.value, b.value): n for (a, b), n in v.facts.totals.transitions.items()}),
    Metric("spinledger_disk_cycles_total", COUNTER, "", ("observed",), 2,
           "Spin-ups; observed=\"no\" are known only from the drive's own counters.",
           lambda v: {("yes",): v.facts.totals.cycles, ("no",): v.facts.totals.unobserved_cycles}),
    # Wakes and gaps
    Metric("spinledger_disk_wakes_total", COUNTER, "", ("cause",), 14,
           "Spin-ups by cause: by the kernel's events, else read, write, read_and_write or other "
           "by its counters.", lambda v: _by(v.facts.totals.causes)),
    Metric("spinledger_disk_actor_wakes_total", COUNTER, "", ("actor",), 10,
           "Spin-ups by who caused them: limits.actors names a disk, the rest is other; unknown: "
           "nobody was seen.", lambda v: _by(v.facts.totals.actors)),
    Metric("spinledger_trace_events_lost_total", COUNTER, "", (), 1,
           "Events of the kernel that were lost while this disk slept: what woke it may be "
           "unknown.", lambda v: _one(v.facts.totals.events_lost)),
    Metric("spinledger_disk_wake_wait_seconds", HISTOGRAM, "seconds", (), 11,
           "How long the first request waited for a spin-up, where that is known.",
           lambda v: v.facts.totals.waits),
    Metric("spinledger_disk_idle_gap_seconds", HISTOGRAM, "seconds", (), 13,
           "Gaps between I/O requests, without ours.", lambda v: v.facts.totals.gaps),
    # The cycle budget
    Metric("spinledger_disk_cycle_budget_per_day", GAUGE, "", (), 1,
           "Spin-ups a day that are allowed; budget_source says whether that is configured.",
           lambda v: _one(v.policy.budget_per_day)),
    Metric("spinledger_disk_recent_cycles", GAUGE, "", ("window",), 6,
           "Observed spin-ups in the window, counted exactly in the ledger.",
           lambda v: _by({name: one.count for name, one in v.facts.windows.items()})),
    Metric("spinledger_disk_cycle_limit", GAUGE, "", ("window",), 7,
           "Spin-ups in the window from which an alert is due, derived from the daily budget; "
           "1d_early is the lower limit of a day, for a ticket.", _cycle_limits),
    Metric("spinledger_disk_cycle_limit_used_ratio", GAUGE, "ratio", ("window",), 6,
           "Recent spin-ups over the window's limit.",
           lambda v: _by({name: one.used_ratio for name, one in v.facts.windows.items()})),
    Metric("spinledger_disk_cycle_limit_reached_timestamp_seconds", GAUGE, "seconds",
           ("window", "wake_group"), 8,
           "When a spin-up last brought the window to its limit; 1d_early and 2d_early: to the "
           "lower limit of one and two days.", _limit_reached),
    # The drive's counters, and what it is rated for
    Metric("spinledger_disk_start_stop_cycles_total", COUNTER, "", (), 1,
           "Spindle starts, by the drive's own counter.", _counter("start_stops")),
    Metric("spinledger_disk_load_cycles_total", COUNTER, "", (), 1,
           "Head loads, by the drive's own counter.", _counter("loads")),
    Metric("spinledger_disk_emergency_retracts_total", COUNTER, "", (), 1,
           "Head retracts at power loss, by the drive's own counter.", _counter("retracts")),
    Metric("spinledger_disk_power_cycles_total", COUNTER, "", (), 1,
           "Power cycles, by the drive's own counter.", _counter("power_cycles")),
    Metric("spinledger_disk_power_on_seconds_total", COUNTER, "seconds", (), 1,
           "Time under power, by the drive's own counter.", _counter("power_on_s")),
    Metric("spinledger_disk_rated_cycles", GAUGE, "", ("kind",), 2,
           "Cycles the drive is rated for, configured or from its log page.",
           lambda v: _rated(v, lambda rated: rated.cycles)),
    Metric("spinledger_disk_rated_life_used_ratio", GAUGE, "ratio", ("kind",), 2,
           "The drive's own count over its rating.",
           lambda v: _rated(v, lambda rated: rated.used_ratio)),
    Metric("spinledger_disk_rated_life_end_timestamp_seconds", GAUGE, "seconds",
           ("kind", "bound"), 6,
           "When the rating will be used up: early and late bound a 90 % prediction interval.",
           _rated_life_end),
    Metric("spinledger_disk_rated_life_horizon_seconds", GAUGE, "seconds", (), 1,
           "Warn when the rated life ends sooner than this.",
           lambda v: _one(v.policy.horizon_s)),
    Metric("spinledger_disk_wear_read_timestamp_seconds", GAUGE, "seconds", (), 1,
           "When the drive's counters were last read.",
           lambda v: _time(v.facts.counters_wall_ns)),
    Metric("spinledger_disk_wear_rejected_total", COUNTER, "", ("reason",), 5,
           "Readings of the drive's counters refused, doubted (disagrees), or restarted.",
           lambda v: _by(v.facts.totals.rejected)),
    # Quiet hours, in local time
    Metric("spinledger_disk_quiet_active", GAUGE, "", (), 1,
           "1 inside quiet hours, 0 outside.",
           lambda v: _one(v.facts.quiet_now and v.facts.quiet_now.active)),
    Metric("spinledger_disk_quiet_began_timestamp_seconds", GAUGE, "seconds", (), 1,
           "When the present or last quiet window began.",
           lambda v: _time(v.facts.quiet_now and v.facts.quiet_now.began_wall_ns)),
    Metric("spinledger_disk_quiet_window_asleep_ratio", GAUGE, "ratio", (), 1,
           "Standby share of the last complete quiet window.", _quiet_asleep),
    Metric("spinledger_disk_quiet_window_asleep_min_ratio", GAUGE, "ratio", (), 1,
           "Standby share that is configured as the least for a quiet window.",
           lambda v: _one(v.policy.quiet_asleep_min if v.facts.quiet_window else None)),
    Metric("spinledger_disk_quiet_window_observed_ratio", GAUGE, "ratio", (), 1,
           "Observed share of the last complete quiet window.",
           lambda v: _one(v.facts.quiet_window and v.facts.quiet_window.observed_ratio)),
    Metric("spinledger_disk_quiet_window_end_timestamp_seconds", GAUGE, "seconds", (), 1,
           "When the last complete quiet window ended.",
           lambda v: _time(v.facts.quiet_window and v.facts.quiet_window.ended_wall_ns)),
    # Timers
    Metric("spinledger_disk_declared_standby_seconds", GAUGE, "seconds", (), 1,
           "The declared standby timer; 0 is disabled.", lambda v: _time(v.policy.declared_ns)),
    Metric("spinledger_disk_observed_standby_seconds", GAUGE, "seconds", (), 1,
           "Idle time before the last spin-down.",
           lambda v: _time(v.facts.observed_standby_ns)),
    Metric("spinledger_disk_apm_level", GAUGE, "", (), 1,
           "Advanced power management level; absent if unsupported or disabled.",
           lambda v: _one(v.facts.apm_level or None)),
    Metric("spinledger_disk_whatif_cycles_total", COUNTER, "", ("standby_seconds",), 6,
           "Spin-ups there would have been with that standby timer; an open sleep is none yet.",
           lambda v: {(seconds_label(timer),): tried.spin_ups
                      for timer, tried in v.facts.totals.whatif.items()}),
    Metric("spinledger_disk_whatif_asleep_seconds_total", COUNTER, "seconds",
           ("standby_seconds",), 6, "Standby there would have been with that standby timer.",
           lambda v: {(seconds_label(timer),): tried.asleep_ns / SECOND
                      for timer, tried in v.facts.totals.whatif.items()}),
    # Energy, estimated
    Metric("spinledger_disk_energy_joules_total", COUNTER, "joules", ("state",), 4,
           "Estimated energy per state, and for spin-ups, from configured watts and joules.",
           lambda v: _by(v.facts.totals.energy_j)),
    Metric("spinledger_disk_energy_saved_joules_total", COUNTER, "joules", (), 1,
           "Estimated energy saved by standby that outlasted the cost of its spin-up.",
           lambda v: _one(v.facts.totals.saved_j)),
    Metric("spinledger_disk_energy_lost_joules_total", COUNTER, "joules", (), 1,
           "Estimated energy lost by standby too short for the cost of its spin-up.",
           lambda v: _one(v.facts.totals.lost_j)),
    # Findings, freshness, and our own probes
    Metric("spinledger_disk_finding", GAUGE, "", ("code", "wake_group", "model", "serial"), 18,
           "1 while the finding holds; its sentence is in /snapshot.", _findings),
    Metric("spinledger_disk_last_sample_timestamp_seconds", GAUGE, "seconds", (), 1,
           "When the kernel's counters of this disk were last read.",
           lambda v: _time(v.facts.sampled_wall_ns)),
    Metric("spinledger_disk_probe_up", GAUGE, "", (), 1,
           "1 if the last probe gave a state.",
           lambda v: _one(v.facts.last_probe_ok)),
    Metric("spinledger_disk_probe_given_up", GAUGE, "", (), 1,
           "1 if this disk is no longer probed and watched by the kernel's counters alone.",
           lambda v: _one(int(bool(v.facts.probing_ended)))),
    Metric("spinledger_disk_probe_commands_total", COUNTER, "", ("command",), 6,
           "Commands sent to the drive.", lambda v: _by(v.facts.totals.commands)),
    Metric("spinledger_disk_probe_failures_total", COUNTER, "", ("reason",), 13,
           "Probes that gave no state, by reason.",
           lambda v: {(reason.value,): n for reason, n in v.facts.totals.failures.items()}),
    Metric("spinledger_disk_probe_seconds", HISTOGRAM, "seconds", (), 8,
           "How long the drive took to answer a probe.", lambda v: v.facts.totals.answers),
    Metric("spinledger_disk_probe_disturbances_total", COUNTER, "", ("kind",), 4,
           "Probes by this exporter that woke the drive or restarted its timer.",
           lambda v: _by(v.facts.totals.disturbances)),
)

FINDING_ROW = next(row for row in DISK_ROWS if row.name == "spinledger_disk_finding")
"""The one row that a disk that is gone has."""


def _own(value: Callable[[ExporterFacts], Values]) -> Callable[[Rendered], Values]:
    """Values of the exporter's facts, once there are any."""
    return lambda r: _NONE if r.snapshot is None else value(r.snapshot.exporter)


def _ledger(value: Callable[[LedgerFacts], Values]) -> Callable[[Rendered], Values]:
    return _own(lambda e: _NONE if e.ledger is None else value(e.ledger))


def _prober(value: Callable[[bool, int], Values]) -> Callable[[Rendered], Values]:
    return _own(lambda e: _NONE if e.prober is None else value(*e.prober))


EXPORTER_ROWS: tuple[Metric[Rendered], ...] = (
    Metric("spinledger_disk_absent_since_timestamp_seconds", GAUGE, "seconds", ("disk",), 1,
           "Since when a disk that the ledger knows has been absent.",
           _own(lambda e: {(disk,): ns / SECOND for disk, ns in e.absent_wall_ns.items()})),
    Metric("spinledger_build_info", INFO, "", ("version",), 0,
           "The version of this exporter.", lambda r: {(__version__,): 1}),
    Metric("spinledger_clock_timestamp_seconds", GAUGE, "seconds", (), 0,
           "This exporter's wall clock at rendering.", lambda r: _time(r.wall_ns)),
    Metric("spinledger_config_reload_success", GAUGE, "", (), 0,
           "1 if the last load of the configuration succeeded.",
           _own(lambda e: _one(int(e.config_ok)))),
    Metric("spinledger_config_reload_timestamp_seconds", GAUGE, "seconds", (), 0,
           "When the configuration was last loaded with success.",
           _own(lambda e: _one(e.config_loaded_wall_s))),
    Metric("spinledger_config_unmatched_entries", GAUGE, "", (), 0,
           "Entries of `disks` in the configuration that match no disk.",
           _own(lambda e: _one(e.unmatched_entries))),
    Metric("spinledger_may_be_suspended", GAUGE, "", (), 0,
           "1 if this host sleeps at times, by its configuration: then its silence is no alert.",
           _own(lambda e: _one(int(e.may_be_suspended)))),
    Metric("spinledger_ledger_commit_timestamp_seconds", GAUGE, "seconds", (), 0,
           "When the ledger was last written to its file.",
           _ledger(lambda one: _time(one.committed_wall_ns or None))),
    Metric("spinledger_prober_connected", GAUGE, "", (), 0,
           "1 while the process that sends probes is there; 0: no probe is sent.",
           _prober(lambda connected, _: _one(int(connected)))),
    Metric("spinledger_prober_restarts_total", COUNTER, "", (), 0,
           "How often the prober ended and was started or connected to again.",
           _prober(lambda _, restarts: _one(restarts))),
    Metric("spinledger_ledger_write_failing", GAUGE, "", (), 0,
           "1 while the ledger cannot be written to its file.",
           _ledger(lambda one: _one(int(one.write_failing)))),
    Metric("spinledger_ledger_deferred", GAUGE, "", (), 0,
           "1 while commits wait until the ledger's own disk is in use.",
           _ledger(lambda one: _one(int(one.deferred)))),
    Metric("spinledger_ledger_bytes", GAUGE, "bytes", (), 0,
           "Size of the ledger file.", _ledger(lambda one: _one(one.file_bytes))),
    Metric("spinledger_ledger_damaged_total", COUNTER, "", (), 0,
           "Ledger files found damaged and set aside.", _ledger(lambda one: _one(one.damaged))),
    Metric("spinledger_wear_cross_checks_total", COUNTER, "", ("result",), 0,
           "Cross-checks of the drives' counters by smartctl: read, or why not.",
           _own(lambda e: _by(e.cross_checks or {}))),
    Metric("spinledger_disks_watched", GAUGE, "", (), 0,
           "Disks being watched.", _own(lambda e: _one(e.watched))),
    Metric("spinledger_disks_skipped", GAUGE, "", ("reason",), 0,
           "Block devices not watched, by reason.",
           _own(lambda e: _by(Counter(reason for _, reason in e.skipped)))),
    Metric("spinledger_render_failures", GAUGE, "", (), 0,
           "Disks and exporter metrics left out of this scrape: their values were malformed.",
           lambda r: _one(r.failures)),
)
# fmt: on

CATALOGUE: tuple[Metric[DiskView] | Metric[Rendered], ...] = (*DISK_ROWS, *EXPORTER_ROWS)
