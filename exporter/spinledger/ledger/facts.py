"""One account -> one immutable view. Keys are those of the metric catalogue.

Rules: everything that may move is given from zero; a value that is not known is absent; nothing
here changes the account.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import accumulate

from spinledger.findings.judge import findings
from spinledger.findings.restarts import compared
from spinledger.ledger.account import ELAPSED_BOUNDS_S, Account, Base, Habit, holds_back, timer_ns
from spinledger.ledger.folds import IdleGaps, Samples, Wakes
from spinledger.model import (
    SECOND,
    DiskView,
    Histogram,
    Labels,
    Number,
    Reason,
    State,
)
from spinledger.ports import Fold
from spinledger.wear.reading import power_timers

DISTURBANCES = ("woke", "slow_answer", "link_reset", "timer_restarted")
"""Kinds of harm our questions can do, as label values."""

_KINDS: tuple[Labels, ...] = tuple((kind,) for kind in DISTURBANCES)
_REASONS: tuple[Labels, ...] = tuple((reason.value,) for reason in Reason)


def view(account: Account) -> DiskView:
    """The account as web and metrics see it, as of `account.at_ns`."""
    folded = _folded(account)
    totals = _lifetime(account, folded)
    counters, histograms = totals.samples, totals.histograms
    if account.base is not None:
        counters = since(counters, account.base.samples)
        histograms = {
            key: _since_histogram(histogram, account.base.histograms.get(key))
            for key, histogram in histograms.items()
        }
    samples = {**_gauges(account, folded), **counters}
    seen = DiskView(
        disk=account.disk,
        policy=account.policy,
        state=State.UNKNOWN if account.state is State.UNOBSERVED else account.state,
        why=_why(account),
        condition=account.condition,
        since_ns=account.since_ns,
        since_wall_ns=account.since_wall_ns,
        since_seen=account.since_seen,
        untouched_wall_ns=_untouched(account),
        samples=samples,
        histograms=histograms,
    )
    return findings(seen)


def lifetime(account: Account) -> Base:
    """All counters of an account since its ledger began, as of `account.at_ns`."""
    return _lifetime(account, _folded(account))


def _folded(account: Account) -> list[tuple[Fold, Samples]]:
    pending = account.open_stretch(), account.open_gap()
    return [(fold, fold.totals(pending)) for fold in account.folds]


def _lifetime(account: Account, folded: Sequence[tuple[Fold, Samples]]) -> Base:
    samples: dict[str, Mapping[Labels, Number]] = {}
    histograms: dict[str, Histogram] = {"probe_seconds": _elapsed(account.habit)}
    for fold, totals in folded:
        samples.update({key: own for key, own in totals.items() if key not in fold.gauges})
        if isinstance(fold, IdleGaps | Wakes):
            histograms.update(fold.histograms())
    samples.update(_questions(account))
    return Base(samples, histograms)


def since(
    totals: Mapping[str, Mapping[Labels, Number]], base: Mapping[str, Mapping[Labels, Number]]
) -> dict[str, Mapping[Labels, Number]]:
    """Counters less what they were at the base; one the base does not know counts in full."""
    return {
        key: {labels: value - base.get(key, {}).get(labels, 0) for labels, value in own.items()}
        for key, own in totals.items()
    }


def _since_histogram(total: Histogram, base: Histogram | None) -> Histogram:
    if base is None or base.bounds != total.bounds:
        return total
    counts = tuple(now - then for now, then in zip(total.counts, base.counts, strict=True))
    return Histogram(total.bounds, counts, total.count - base.count, total.sum - base.sum)


def _gauges(
    account: Account, folded: Sequence[tuple[Fold, Samples]]
) -> dict[str, Mapping[Labels, Number]]:
    """What may rise and fall."""
    habit = account.habit
    samples = {**_policy(account), **_settings(account), **_spin_downs(habit)}
    for fold, totals in folded:
        if fold.gauges:
            samples.update({key: totals[key] for key in fold.gauges if totals.get(key)})
    samples["probe_given_up"] = _one(int(bool(habit.given_up)))
    samples["signals"] = _one(habit.signals)
    if habit.restarter:
        samples["restarter"] = _one(1)
    if habit.disturbed_wall_ns is not None:
        samples["disturbed"] = _one(habit.disturbed_wall_ns / SECOND)
    if account.doubts:
        samples["doubts"] = {
            (counter, who): count
            for counter, counts in account.doubts.items()
            for who, count in zip(("ours", "second"), counts, strict=True)
        }
    timer = timer_ns(account)
    if timer is not None:
        samples["timer_seconds"] = _one(timer / SECOND)
    if habit.last_ok is not None:
        samples["probe_up"] = _one(int(habit.last_ok))
    samples["last_sample"] = _one((account.at_ns + account.wall_offset_ns) / SECOND)
    samples.update(_quiet(account, samples))
    if account.state.spinning:
        samples["spinning_since"] = _one(account.since_wall_ns / SECOND)
    if habit.observed_ns is not None:
        samples["observed_standby_seconds"] = _one(habit.observed_ns / SECOND)
    return samples


def _one(value: Number) -> Mapping[Labels, Number]:
    return {(): value}


def _untouched(account: Account) -> int | None:
    """Since when others moved no sector, as far as that is known; over our own restarts, too."""
    if account.io_ns is None or account.state is State.ACTIVE:
        return None
    return account.io_ns + account.wall_offset_ns


def _why(account: Account) -> str:
    if account.state is State.UNOBSERVED:
        return "not watched yet"
    if account.state is not State.UNKNOWN:
        return ""
    return account.why.value if account.why else holds_back(account) or "not asked yet"


def _policy(account: Account) -> dict[str, Mapping[Labels, Number]]:
    policy = account.policy
    samples: dict[str, Mapping[Labels, Number]] = {
        "cycle_budget_per_day": _one(policy.budget_per_day),
        "rated_life_horizon_seconds": _one(policy.horizon_s),
    }
    if policy.declared_ns is not None:
        samples["declared_standby_seconds"] = _one(policy.declared_ns / SECOND)
    return samples


def _settings(account: Account) -> dict[str, Mapping[Labels, Number]]:
    """What the drive itself says of its power management, freshly read where that was done."""
    worn = account.reading
    samples: dict[str, Mapping[Labels, Number]] = {}
    fresh = None if worn is None else worn.apm
    level = account.disk.apm_level if fresh is None else fresh
    if level:
        samples["apm_level"] = _one(level)
    if worn is not None:
        if worn.epc is not None:
            samples["epc_enabled"] = _one(worn.epc)
        timers: dict[Labels, Number] = {
            (name,): ms / 1000 for name, ms in power_timers(worn).items()
        }
        if timers:
            samples["power_timer_seconds"] = timers
    return samples


def _spin_downs(habit: Habit) -> dict[str, Mapping[Labels, Number]]:
    """When it sleeps by itself, and whether our readings delay that."""
    samples: dict[str, Mapping[Labels, Number]] = {}
    if habit.learned is not None:
        low, high = habit.learned
        samples["learned_timer"] = {
            ("low_seconds",): low / SECOND,
            ("high_seconds",): high / SECOND,
        }
    both = compared(habit.spin_downs)
    if both is not None:
        samples["slept_after"] = {
            ("reading_count",): both.read.spin_downs,
            ("reading_seconds",): both.read.seconds,
            ("none_count",): both.unread.spin_downs,
            ("none_seconds",): both.unread.seconds,
            ("later_seconds",): both.later_s,
            ("error_seconds",): both.error_s,
            ("restarts",): int(both.restarts),
        }
    return samples


def _quiet(
    account: Account, samples: Mapping[str, Mapping[Labels, Number]]
) -> dict[str, Mapping[Labels, Number]]:
    """Quiet hours now, and how the last complete window is judged."""
    if account.calendar is None:
        return {}
    moment = account.calendar.at(account.at_ns + account.wall_offset_ns)
    given: dict[str, Mapping[Labels, Number]] = {"quiet_active": _one(int(moment.quiet))}
    if moment.began_wall_ns is not None:
        given["quiet_began"] = _one(moment.began_wall_ns / SECOND)
    if "quiet_window_asleep_ratio" in samples and account.window_end_wall_ns is not None:
        given["quiet_window_end"] = _one(account.window_end_wall_ns / SECOND)
        given["quiet_window_asleep_min_ratio"] = _one(account.policy.quiet_asleep_min)
    return given


def _questions(account: Account) -> dict[str, Mapping[Labels, Number]]:
    habit = account.habit
    samples: dict[str, Mapping[Labels, Number]] = {
        "probe_failures": {labels: habit.failed.get(labels[0], 0) for labels in _REASONS},
        "probe_disturbances": {labels: habit.disturbed.get(labels[0], 0) for labels in _KINDS},
    }
    commands = dict(habit.sent)
    if account.disk.probe_method is not None:
        commands.setdefault(account.disk.probe_method.value, 0)
    if commands:
        samples["probe_commands"] = {(name,): count for name, count in commands.items()}
    return samples


def _elapsed(habit: Habit) -> Histogram:
    counts = list(accumulate(habit.elapsed or [0] * (len(ELAPSED_BOUNDS_S) + 1)))
    return Histogram(
        ELAPSED_BOUNDS_S, tuple(counts[:-1]), counts[-1], habit.elapsed_sum_ns / SECOND
    )
