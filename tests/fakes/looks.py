"""What `look` reads, made by hand: snapshots and a week of history as JSON, disks in odd states."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace

from spinledger.cli.exporter import histories
from spinledger.facts import DiskView
from spinledger.model import SECOND, Finding, Labels, Number, Policy, State
from spinledger.web.context import PageContext
from spinledger.web.snapshot_json import Json, snapshot_json, summary_json
from tests.fakes.recorded import nights
from tests.fakes.series import with_samples
from tests.fakes.snapshots import WALL_NS, disk, snapshot, view

YEAR_S = 365.25 * 86400
Samples = Mapping[str, Mapping[Labels, Number]]

NOW_S = WALL_NS / SECOND  # Monday 2026-09-21 14:13:20 UTC (date -u -d @1790000000)
HOUR_S = 3600.0
DAY_S = 86400.0


def snapshot_of(*views: DiskView, absent: bool = False) -> Json:
    """GET /snapshot of these disks, of an exporter that has `history`."""
    whole = snapshot(*views)
    context = PageContext(
        lambda since, now: histories(history(), NOW_S),
        lambda: {"nights": nights("UTC")},
    )
    made = {**snapshot_json(whole), **summary_json(whole, context)}
    if not absent:
        assert isinstance(made["exporter"], dict)
        made["exporter"]["absent_since"] = []
    shown: Json = json.loads(json.dumps(made))
    return shown


def span(name: str, state: str, from_h: float, to_h: float | None, active: float = 0.0) -> Json:
    """A span by hours before now; None: still open."""
    ended = None if to_h is None else NOW_S - to_h * HOUR_S
    seconds = (from_h - (to_h or 0.0)) * HOUR_S
    return {
        "disk": name,
        "state": state,
        "began": NOW_S - from_h * HOUR_S,
        "ended": ended,
        "seconds": seconds,
        "active_seconds": active * seconds,
        "evidence": "moved",
    }


def spin_ups(name: str, *hours_ago: float) -> list[Json]:
    """Spin-ups of a disk."""
    return [{"disk": name, "at": NOW_S - hours * HOUR_S, "observed": True} for hours in hours_ago]


def history() -> Json:
    """Disk 0 slept a week but for an hour a day; disk 1 spins, and was unobserved at first."""
    first, second = disk(0).identity, disk(1).identity
    spans, at = [], 7 * 24.0
    while at > 0:
        spans.append(span(first, "standby", at, at - 23))
        spans.append(span(first, "spinning", at - 23, at - 24 or None, active=0.9))
        at -= 24
    spans.append(span(second, "unobserved", 7 * 24, 20))
    spans.append(span(second, "spinning", 20, None, active=0.1))
    cycles = spin_ups(first, *(24.0 * day + 1 for day in reversed(range(7))))
    return {"version": 1, "spans": spans, "cycles": cycles, "days": []}


def asleep(number: int, **policy: object) -> DiskView:
    """A disk in standby for three hours, which sleeps in its quiet hours."""
    plain = view(number, State.STANDBY, pool="plates")
    samples: Samples = {
        "state_seconds": {("standby",): 60 * DAY_S, ("idle",): 20 * DAY_S},
        "recent_cycles": {("1d",): 1, ("7d",): 7},
        "cycle_limit_used_ratio": {("1d",): 0.1, ("7d",): 0.2},
        "quiet_window_asleep_ratio": {(): 0.914},
        "quiet_window_asleep_min_ratio": {(): 0.5},
        "rated_life_used_ratio": {("load",): 0.12, ("start_stop",): 0.31},
        "rated_life_end": {
            ("load", "early"): NOW_S + 30 * YEAR_S,
            ("load", "late"): NOW_S + 40 * YEAR_S,
            ("start_stop", "early"): NOW_S + 12 * YEAR_S,
            ("start_stop", "late"): NOW_S + 20 * YEAR_S,
        },
    }
    since = WALL_NS - 3 * 3600 * SECOND
    owned = Policy(budget_per_day=2.0, budget_source="configured", quiet="nights")
    configured = replace(owned, **policy)  # type: ignore[arg-type]
    facts = replace(plain.facts, since_wall_ns=since, policy=configured)
    return DiskView(with_samples(facts, samples))


def runaway(number: int) -> DiskView:
    """An active disk, over its limit, that hardly slept and whose rating is used up."""
    plain = asleep(number)
    samples: Samples = {
        "recent_cycles": {("1d",): 61, ("7d",): 310},
        "cycle_limit_used_ratio": {("1d",): 4.0, ("7d",): 8.0},
        "quiet_window_asleep_ratio": {(): 0.08},
        "rated_life_used_ratio": {("start_stop",): 1.02},
        "rated_life_end": {("start_stop", "early"): NOW_S - 1, ("start_stop", "late"): NOW_S + 9},
    }
    facts = replace(plain.facts, state=State.ACTIVE, rated={})
    return DiskView(with_samples(facts, samples))


def found(seen: DiskView, evidence: str = "it idled for 6 h") -> DiskView:
    """The same disk with a finding."""
    finding = Finding(
        "never_slept",
        seen.disk.identity,
        "This disk has never slept",
        evidence,
        "Set its timer again",
        "A short timer costs spin-ups",
        "the drive maker's document",
        ("A background scan: it ends by itself",),
    )
    return replace(seen, findings=(finding,))
