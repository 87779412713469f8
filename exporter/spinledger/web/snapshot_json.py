"""The snapshot as JSON: what `/snapshot` gives and `look` reads. Version 1.

Rules of this form:
- Times are Unix seconds of wall time; durations are seconds; a number that is not finite, and a
  fact that is not known, is null.
- Keys are only added within a version; a key that goes or changes its meaning raises it.
- `samples` and `histograms` are keyed as in the metric catalogue, each value with its labels by
  name, the label `disk` left out.

    {"version": 1, "number": 7, "at_wall": 1.5, "committed_wall": null,
     "host": "dome", "zone": the time zone of the pages,
     "tariff": {"currency", "per_kwh"}, null without one,
     "nights": [{"began", "ended", "quiet_hours": false for the last 24 hours, "sentence",
       "hint", "short": [{"disk", "asleep_ratio", "share", "cause", "remedy"}],
       "unknown": [IDENTITY]}], worst first in "short",
     "week": [{"disk", "slept_last_night_ratio", "slept_enough", "cycles", "cycles_per_day",
       "budget_per_day", "over_limit", "cycles_by_hour": [24 counts], "life_kind",
       "life_used_ratio", "years_left": [early, late], "life", "life_ends_soon"}],
     "wakers": [{"actor", "wake_group", "disks": [IDENTITY], "wakes_day", "wakes_week",
       "wakes_month", "spin_ups_day", "spin_ups_week", "spin_ups_month", "share_ratio",
       "waited_seconds", "place"}], most wakes in 30 days first,
     "exporter": {KEY: [{"labels": {NAME: TEXT}, "value": NUMBER}]},
     "skipped": [{"kernel_name": "loop0", "reason": "virtual"}],
     "disks": [{"disk": IDENTITY, "kernel_name", "nodes": [..], "transport", "model", "serial",
       "firmware", "wwn", "rotation_rpm", "pool", "wake_group", "device", "probe_method",
       "not_probed_because", "aliases": [..], "apm_level", "standard_timer", "iostats", "gpl",
       "epc", "allow_restart", "timeout_s",
       "state", "why", "condition", "since_timestamp_seconds",
       "since_seen": false where the state began earlier, while the disk was unobserved,
       "untouched_since_timestamp_seconds": of the last I/O by others,
       "policy": {"watch", "fast_seconds", "slow_seconds", "asleep_seconds", "wear_seconds",
         "cross_check_seconds", "budget_per_day",
         "budget_source", "declared_standby_seconds", "rated_load", "rated_start_stop",
         "idle_watts", "standby_watts", "active_watts", "watts_source", "spinup_joules", "quiet",
         "whatif_standby_seconds": [..], "whatif_spinup_seconds", "waits_per_day",
         "disturbance_limit", "rated_life_horizon_seconds",
         "quiet_asleep_min_ratio", "actor_limit", "may_be_absent", "absent_for_seconds"},
       "wear": the drive's counters and ratings, as `spinledger wear --json` (wear.shown),
       "samples": as "exporter",
       "histograms": {KEY: {"buckets": [{"le": 60.0, "count": 2}], "count": 3, "sum": 9.5}},
       "findings", the worst first: [{"code", "severity": page, ticket or note,
         "since_timestamp_seconds", "sentence", "evidence", "suggestion", "caution", "ask_first",
         "innocent": [..]}]}],
     "absent": known disks that are not here: [{"disk", "kernel_name": when last seen, "model",
       "serial", "pool", "wake_group", "findings": as above}]}
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from spinledger.facts import DiskView, Snapshot
from spinledger.metrics.catalogue import DISK_ROWS, EXPORTER_ROWS, From, Metric, Rendered
from spinledger.model import SECOND, Finding, Histogram, Number, Policy
from spinledger.wear.shown import wear_json
from spinledger.web.context import PageContext
from spinledger.web.night import RECENT_NS, night_json, nights
from spinledger.web.week import week_json, weeks
from spinledger.web.who import SPAN_NS, who_json

VERSION = 1

Json = dict[str, Any]


def snapshot_json(snapshot: Snapshot) -> Json:
    """The whole snapshot as JSON types; see the module's docstring for the form."""
    ledger = snapshot.exporter.ledger
    committed_ns = ledger.committed_wall_ns if ledger else 0
    rendered = Rendered(snapshot, snapshot.wall_ns, 0)
    return {
        "version": VERSION,
        "number": snapshot.number,
        "at_wall": snapshot.wall_ns / SECOND,
        "committed_wall": committed_ns / SECOND if committed_ns else None,
        "exporter": _samples(EXPORTER_ROWS, rendered),
        "skipped": [
            {"kernel_name": name, "reason": reason} for name, reason in snapshot.exporter.skipped
        ],
        "disks": [_disk(view) for view in snapshot.disks],
        "absent": [_absent(view) for view in snapshot.absent],
    }


def summary_json(snapshot: Snapshot, context: PageContext) -> Json:
    """What the server adds from recent history and the tariff: the keys host to wakers."""
    now = snapshot.wall_ns
    histories = context.histories(now - max(RECENT_NS, SPAN_NS), now)
    found = nights(snapshot.disks, histories, context.calendars(), now)
    tariff = context.tariff()
    return {
        "host": context.host,
        "zone": context.zone,
        "tariff": tariff and {"currency": tariff.currency, "per_kwh": tariff.per_kwh},
        "nights": night_json(found, now, context.tz),
        "week": week_json(weeks(found, histories, now, context.tz)),
        "wakers": who_json(snapshot.disks, histories, now),
    }


def _disk(view: DiskView) -> Json:
    disk = view.disk
    return {
        "disk": disk.identity,
        "kernel_name": disk.kernel_name,
        "nodes": list(disk.nodes),
        "transport": disk.transport,
        "model": disk.model,
        "serial": disk.serial,
        "firmware": disk.firmware,
        "wwn": disk.wwn,
        "rotation_rpm": disk.rotation_rpm or None,
        "pool": disk.pool,
        "wake_group": disk.wake_group,
        "device": disk.device,
        "probe_method": disk.probe_method,
        "not_probed_because": disk.not_probed_because,
        "aliases": list(disk.aliases),
        "apm_level": disk.apm_level,
        "standard_timer": disk.standard_timer,
        "iostats": disk.iostats,
        "gpl": disk.gpl,
        "epc": disk.epc,
        "allow_restart": disk.allow_restart,
        "timeout_s": disk.timeout_s,
        "state": view.state,
        "why": view.facts.why,
        "condition": view.facts.condition,
        "since_timestamp_seconds": view.facts.since_wall_ns / SECOND,
        "since_seen": view.facts.since_seen,
        "untouched_since_timestamp_seconds": (
            None if view.facts.untouched_wall_ns is None else view.facts.untouched_wall_ns / SECOND
        ),
        "policy": _policy(view.policy),
        "wear": wear_json(
            view.facts.counters,
            view.facts.counters_wall_ns,
            view.facts.rated,
            view.facts.doubtful,
        ),
        "samples": _samples(DISK_ROWS, view),
        "histograms": {
            row.key: _histogram(values)
            for row in DISK_ROWS
            if isinstance(values := row.values(view), Histogram)
        },
        "findings": [_finding(one) for one in view.findings],
    }


def _absent(view: DiskView) -> Json:
    disk = view.disk
    return {
        "disk": disk.identity,
        "kernel_name": disk.kernel_name,
        "model": disk.model,
        "serial": disk.serial,
        "pool": disk.pool,
        "wake_group": disk.wake_group,
        "findings": [_finding(one) for one in view.findings],
    }


def _policy(policy: Policy) -> Json:
    declared = policy.declared_ns
    return {
        "watch": policy.watch,
        "fast_seconds": policy.cadence.fast_ns / SECOND,
        "slow_seconds": policy.cadence.slow_ns / SECOND,
        "asleep_seconds": policy.cadence.asleep_ns / SECOND,
        "wear_seconds": policy.cadence.wear_ns / SECOND,
        "cross_check_seconds": policy.cadence.cross_check_ns / SECOND,
        "budget_per_day": policy.budget_per_day,
        "budget_source": policy.budget_source,
        "declared_standby_seconds": None if declared is None else declared / SECOND,
        "rated_load": policy.rated_load,
        "rated_start_stop": policy.rated_start_stop,
        "idle_watts": policy.watts.idle,
        "standby_watts": policy.watts.standby,
        "active_watts": policy.watts.active,
        "watts_source": policy.watts.source,
        "spinup_joules": policy.spinup_j,
        "quiet": policy.quiet,
        "whatif_standby_seconds": [timer / SECOND for timer in policy.candidates_ns],
        "whatif_spinup_seconds": policy.whatif_spinup_ns / SECOND,
        "waits_per_day": policy.waits_per_day,
        "disturbance_limit": policy.disturbance_limit,
        "rated_life_horizon_seconds": policy.horizon_s,
        "quiet_asleep_min_ratio": policy.quiet_asleep_min,
        "actor_limit": policy.actor_limit,
        "may_be_absent": policy.may_be_absent,
        "absent_for_seconds": policy.absent_for_ns / SECOND,
    }


def _samples(rows: Sequence[Metric[From]], source: From) -> Json:
    """Values by key of gauges and counters, those that there are."""
    made: Json = {}
    for row in rows:
        values = row.values(source)
        if values and not isinstance(values, Histogram):
            made[row.key] = [
                {
                    "labels": dict(zip(row.label_names, labels, strict=True)),
                    "value": _number(value),
                }
                for labels, value in values.items()
            ]
    return made


def _histogram(histogram: Histogram) -> Json:
    pairs = zip(histogram.bounds, histogram.counts, strict=False)
    return {
        "buckets": [{"le": _number(bound), "count": count} for bound, count in pairs],
        "count": histogram.count,
        "sum": _number(histogram.sum),
    }


def _finding(finding: Finding) -> Json:
    return {
        "code": finding.code,
        "severity": finding.severity.value,
        "since_timestamp_seconds": (
            None if finding.since_wall_ns is None else finding.since_wall_ns / SECOND
        ),
        "sentence": finding.sentence,
        "evidence": finding.evidence,
        "suggestion": finding.suggestion,
        "caution": finding.caution,
        "ask_first": finding.ask_first,
        "innocent": list(finding.innocent),
    }


def _number(value: Number) -> Number | None:
    return value if math.isfinite(value) else None
