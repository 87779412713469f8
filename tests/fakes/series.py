"""Facts by the names of series, for tests: read as the catalogue makes them, and changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from spinledger.facts import (
    CycleWindow,
    DiskView,
    Facts,
    QuietNow,
    QuietWindow,
    Rated,
    Tried,
)
from spinledger.findings.judge import judge
from spinledger.ledger.account import Account
from spinledger.ledger.summary import summary
from spinledger.metrics.catalogue import DISK_ROWS
from spinledger.model import SECOND, Histogram, Labels, Number, Reason, State

Samples = Mapping[str, Mapping[Labels, Number]]


def view(account: Account) -> DiskView:
    """An account as pages and metrics see it."""
    (seen,) = judge([summary(account)])
    return seen


def samples(seen: DiskView) -> dict[str, Mapping[Labels, Number]]:
    """All gauges and counters of a disk by catalogue key and labels; of findings by code alone."""
    found: dict[str, Mapping[Labels, Number]] = {}
    for row in DISK_ROWS:
        values = row.values(seen)
        if values and not isinstance(values, Histogram):
            found[row.key] = values
    found["finding"] = {labels[:1]: held for labels, held in found["finding"].items()}
    return found


def changed(seen: DiskView, wanted: Samples | None = None, **facts: object) -> DiskView:
    """The view with other facts, by name or by the names of series."""
    made = replace(seen.facts, **facts)  # type: ignore[arg-type]
    return replace(seen, facts=with_samples(made, wanted or {}))


def with_samples(facts: Facts, wanted: Samples) -> Facts:
    """The facts with these values in place of theirs."""
    for key, values in wanted.items():
        facts = _with(facts, key, values)
    return facts


def _with(facts: Facts, key: str, values: Mapping[Labels, Number]) -> Facts:
    totals = facts.totals
    by = {labels[0]: value for labels, value in values.items() if labels}
    one = values.get(())
    match key:
        case "state_seconds":
            times = {State(name): round(s * SECOND) for name, s in by.items()}
            return replace(facts, totals=replace(totals, state_ns={**totals.state_ns, **times}))
        case "cycles":
            observed, unobserved = round(by["yes"]), round(by.get("no", 0))
            changed = replace(totals, cycles=observed, unobserved_cycles=unobserved)
            return replace(facts, totals=changed)
        case "probe_failures":
            failures = {Reason(name): round(n) for name, n in by.items()}
            return replace(facts, totals=replace(totals, failures=failures))
        case "probe_disturbances":
            disturbed = {name: round(n) for name, n in by.items()}
            return replace(facts, totals=replace(totals, disturbances=disturbed))
        case "wear_rejected":
            rejected = {name: round(n) for name, n in by.items()}
            return replace(facts, totals=replace(totals, rejected=rejected))
        case "energy_joules":
            return replace(facts, totals=replace(totals, energy_j=by))
        case "energy_saved_joules":
            return replace(facts, totals=replace(totals, saved_j=float(values[()])))
        case "energy_lost_joules":
            return replace(facts, totals=replace(totals, lost_j=float(values[()])))
        case "whatif_cycles" | "whatif_asleep_seconds":
            tried = dict(totals.whatif)
            for name, number in by.items():
                timer = round(float(name) * SECOND)
                before = tried.get(timer, Tried(0, 0))
                tried[timer] = (
                    before._replace(spin_ups=round(number))
                    if key == "whatif_cycles"
                    else before._replace(asleep_ns=round(number * SECOND))
                )
            return replace(facts, totals=replace(totals, whatif=tried))
        case "recent_cycles" | "cycle_limit" | "cycle_limit_used_ratio":
            return replace(facts, windows=_windows(facts, key, by))
        case "rated_cycles":
            return replace(
                facts,
                rated={kind: _rated(facts, kind, cycles=round(n)) for kind, n in by.items()},
            )
        case "rated_life_used_ratio":
            return replace(
                facts, rated={kind: _rated(facts, kind, used_ratio=n) for kind, n in by.items()}
            )
        case "rated_life_end":
            rated = dict(facts.rated)
            for (kind, bound), at in values.items():
                ends = {f"{bound}_wall_ns": round(at * SECOND)}
                rated[kind] = _rated(replace(facts, rated=rated), kind, **ends)
            return replace(facts, rated=rated)
        case "quiet_window_asleep_ratio":
            window = QuietWindow(round(values[()] * 10**6), 10**6, 10**6, facts.sampled_wall_ns)
            return replace(facts, quiet_window=window)
        case "quiet_window_asleep_min_ratio":
            asked = replace(facts.policy, quiet_asleep_min=float(values[()]))
            return replace(facts, policy=asked)
        case "quiet_active":
            return replace(facts, quiet_now=QuietNow(bool(one), facts.sampled_wall_ns))
        case "timer_seconds":
            return replace(facts, timer_ns=None if one is None else round(one * SECOND))
        case "last_sample":
            return replace(facts, sampled_wall_ns=round(values[()] * SECOND))
        case "probe_given_up":
            return replace(facts, probing_ended="refused: rejected" if one else "")
        case "apm_level":
            return replace(facts, apm_level=None if one is None else round(one))
        case "wear_read":
            return replace(facts, counters_wall_ns=round(values[()] * SECOND))
        case "observed_standby_seconds":
            return replace(facts, observed_standby_ns=round(values[()] * SECOND))
        case _:
            raise KeyError(key)


def _windows(facts: Facts, key: str, by: Mapping[str, Number]) -> dict[str, CycleWindow]:
    windows = dict(facts.windows)
    for name, value in by.items():
        before = windows.get(name, CycleWindow(0, 1, None))
        if key == "recent_cycles":
            windows[name] = replace(before, count=round(value))
        elif key == "cycle_limit":
            windows[name] = replace(before, limit=round(value))
        else:
            windows[name] = replace(before, limit=max(1, int(before.count / value)))
    return windows


def _rated(facts: Facts, kind: str, **changed: Number) -> Rated:
    before = facts.rated.get(kind, Rated(600_000, "configured", None))
    return before._replace(**changed)  # type: ignore[arg-type]
