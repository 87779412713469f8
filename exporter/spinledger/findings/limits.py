"""Conditions of findings that compare a disk with its limits, or say that it is not watched.

Rules of this room: as in `conditions`. Each alert about a disk has its finding here or there; the
headline alerts compare the same figures as metrics (rules/headline.py), and a test holds them
together.
"""

from __future__ import annotations

from collections.abc import Iterable

from spinledger.facts import CycleWindow, Facts, Rated
from spinledger.model import DAY, HOUR, MINUTE, SECOND, State, Watch
from spinledger.wear.budget import EARLY, HOLD_NS, WINDOWS
from spinledger.words import duration, listed, percent

SOON = ("1h", "3h", "6h", "1d")
LATE = (*EARLY, "7d", "30d")
"""Windows whose limit is a page, and those whose limit is a ticket."""

WINDOW_LASTS_NS = 26 * HOUR
"""How long a quiet window counts: nightly ones join without a break when the clocks change."""

AWAKE_NS = HOUR
"""Of use, and two timers to fall asleep; common practice, no source."""

UNKNOWN_NS = HOUR
STALE_NS = 5 * MINUTE
ABSENT_NS = 10 * MINUTE
MISSED_LASTS_NS = DAY
"""For so long spin-ups that were missed repeatedly are reported."""

RETRACTS = 5
"""Emergency retracts of some days beyond power cycles that are worth a finding; common practice,
no source."""


def over_cycle_limit(facts: Facts) -> str:
    """Spin-ups of hours or of a day reached their limit within the last six hours."""
    return _over(facts, SOON)


def over_cycle_budget(facts: Facts) -> str:
    """Likewise of a week or of thirty days, or of one or two days their lower limit."""
    return _over(facts, LATE)


def _reached(facts: Facts, names: Iterable[str]) -> dict[str, CycleWindow]:
    now_ns = facts.sampled_wall_ns
    windows = {**facts.windows, **facts.early_windows}
    return {
        name: windows[name]
        for name in names
        if (at := windows[name].reached_wall_ns) is not None and now_ns - at < HOLD_NS
    }


def _over(facts: Facts, names: Iterable[str]) -> str:
    """The window that is furthest over its limit."""
    reached = _reached(facts, names)
    if not reached:
        return ""
    name = max(reached, key=lambda one: reached[one].used_ratio)
    worst, length_ns = reached[name], {**WINDOWS, **EARLY}[name]
    ago_s = (facts.sampled_wall_ns - (worst.reached_wall_ns or 0)) / SECOND
    return (
        f"{worst.count} spin-ups in the last {duration(length_ns / SECOND)}, limit "
        f"{worst.limit}, last reached {duration(ago_s)} ago; the budget is "
        f"{facts.policy.budget_per_day:g} a day ({facts.policy.budget_source})"
    )


def limit_since(facts: Facts) -> int | None:
    """Since when a window of hours or of a day is at its limit."""
    return _since(facts, SOON)


def budget_since(facts: Facts) -> int | None:
    """Likewise of a week or of thirty days."""
    return _since(facts, LATE)


def _since(facts: Facts, names: Iterable[str]) -> int | None:
    began = (one.since_wall_ns for one in _reached(facts, names).values())
    return min((at for at in began if at is not None), default=None)


def slept_too_little(facts: Facts) -> str:
    """Too little in the last quiet hours, even if it slept through all unobserved time."""
    window, least = facts.quiet_window, facts.policy.quiet_asleep_min
    if window is None or facts.sampled_wall_ns - window.ended_wall_ns >= WINDOW_LASTS_NS:
        return ""
    if window.asleep_ratio >= least + window.observed_ratio - 1:
        return ""
    unobserved = 1 - window.observed_ratio
    unknown = f"; {percent(unobserved)} of them was not observed" if unobserved > 0.01 else ""
    return (
        f"asleep for {percent(window.asleep_ratio)} of its last quiet hours "
        f"({duration(window.recorded_ns / SECOND)}), at least {percent(least)} is "
        f"configured{unknown}"
    )


def slept_since(facts: Facts) -> int | None:
    """When those quiet hours ended."""
    return None if facts.quiet_window is None else facts.quiet_window.ended_wall_ns


def awake_in_quiet_hours(facts: Facts) -> str:
    """Spinning in its quiet hours for an hour and two timers, and hardly used in that time."""
    began_ns = _awake_from(facts)
    if began_ns is None:
        return ""
    now_ns = facts.sampled_wall_ns
    allowed_ns = AWAKE_NS + 2 * (facts.timer_ns or 0)
    if now_ns - max(began_ns, facts.used_wall_ns or 0) <= allowed_ns:
        return ""
    used = (
        "much"
        if facts.used_wall_ns is None
        else f"much for {duration((now_ns - facts.used_wall_ns) / SECOND)}"
    )
    return (
        f"spinning for {duration((now_ns - began_ns) / SECOND)} of its quiet hours, and not used "
        f"{used}"
    )


def awake_since(facts: Facts) -> int | None:
    """Since when it has been spinning in its quiet hours."""
    return _awake_from(facts)


def _awake_from(facts: Facts) -> int | None:
    quiet = facts.quiet_now
    if quiet is None or not quiet.active or quiet.began_wall_ns is None:
        return None
    return max(quiet.began_wall_ns, facts.since_wall_ns) if facts.state.spinning else None


def rated_life_used_up(facts: Facts) -> str:
    """A rating is used up."""
    return "; ".join(
        f"{percent(rated.used_ratio or 0)} of {rated.cycles} {KINDS[kind]} ({rated.source})"
        for kind, rated in facts.rated.items()
        if _used_up(rated)
    )


def rated_life_ends_soon(facts: Facts) -> str:
    """A rating will be used up before the horizon, at the latest date that the record allows."""
    now_ns = facts.sampled_wall_ns
    horizon = duration(facts.policy.horizon_s)
    return "; ".join(
        f"{KINDS[kind]}: used up in {duration((rated.late_wall_ns - now_ns) / SECOND)} at the "
        f"latest, sooner than {horizon}"
        for kind, rated in facts.rated.items()
        if rated.late_wall_ns is not None
        and not _used_up(rated)
        and (rated.late_wall_ns - now_ns) / SECOND < facts.policy.horizon_s
    )


KINDS = {"load": "load cycles", "start_stop": "start-stop cycles"}


def _used_up(rated: Rated) -> bool:
    return rated.used_ratio is not None and rated.used_ratio >= 1


def retracts_rising(facts: Facts) -> str:
    """More emergency retracts of the heads than power cycles explain."""
    gained = facts.retracts
    if gained is None or gained.retracts - gained.power_cycles < RETRACTS:
        return ""
    days = duration(gained.lasted_ns / SECOND)
    return f"{gained.retracts} retracts and {gained.power_cycles} power cycles in {days}"


def unobserved_cycles(facts: Facts) -> str:
    """The drive's counter grew by more spin-ups than were observed, several times within hours."""
    at_ns = facts.unobserved_wall_ns
    if at_ns is None or facts.policy.watch is not Watch.FULL or facts.probing_ended:
        return ""
    ago_ns = facts.sampled_wall_ns - at_ns
    if ago_ns >= MISSED_LASTS_NS:
        return ""
    return (
        f"several readings in a row showed spin-ups that were not observed, the last one "
        f"{duration(ago_ns / SECOND)} ago; {facts.totals.unobserved_cycles} so far"
    )


def state_unknown(facts: Facts) -> str:
    """It is probed, and its state has been unknown for an hour."""
    if facts.state is not State.UNKNOWN or not facts.probed:
        return ""
    lasted_ns = facts.sampled_ns - facts.since_ns
    if lasted_ns < UNKNOWN_NS:
        return ""
    return f"unknown for {duration(lasted_ns / SECOND)}: {facts.why}"


def not_sampled(facts: Facts) -> str:
    """Its counters have not been read for five minutes, by the boot clock."""
    if facts.absent_ns is not None or facts.unsampled_ns < STALE_NS:
        return ""
    return f"last read {duration(facts.unsampled_ns / SECOND)} ago"


def absent(facts: Facts) -> str:
    """It is gone, may not be, and does not count as removed for good yet."""
    gone_ns, policy = facts.absent_ns, facts.policy
    if gone_ns is None or policy.may_be_absent:
        return ""
    if not ABSENT_NS <= gone_ns < policy.absent_for_ns:
        return ""
    new = f"; new since then: {listed(facts.new_since)}" if facts.new_since else ""
    return f"gone for {duration(gone_ns / SECOND)}; it was {facts.disk.kernel_name}{new}"


def sampled(facts: Facts) -> int | None:
    """When it was last sampled."""
    return facts.sampled_wall_ns


def state_since(facts: Facts) -> int | None:
    """Since when it has been in its state."""
    return facts.since_wall_ns


def slept_last(facts: Facts) -> int | None:
    """When it last slept, else since when it has been watched."""
    return None if facts.awake is None else facts.sampled_wall_ns - facts.awake.lasted_ns
