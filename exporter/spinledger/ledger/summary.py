"""One account -> the facts of one disk, and its lifetime totals.

Rules: every counter that may move is there from zero; a value that is not known is absent or None;
nothing here changes the account.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import accumulate

from spinledger.facts import (
    Bracket,
    Disagreement,
    Facts,
    HeadParking,
    NearProbes,
    QuietNow,
    Retracts,
    Totals,
)
from spinledger.findings.ours import chance, share, window_ns
from spinledger.findings.restarts import compared
from spinledger.ledger.account import (
    ANSWER_BOUNDS_S,
    ELAPSED_BOUNDS_S,
    Account,
    Probing,
    holds_back,
    may_probe,
    probing_ended,
    timer_ns,
)
from spinledger.model import SECOND, Cadence, Histogram, Reason, State
from spinledger.wear.reading import power_timers

DISTURBANCES = ("woke", "slow_answer", "link_reset", "timer_restarted")
"""What probes of ours can disturb, as label values."""


def summary(account: Account) -> Facts:
    """The account as findings, pages and metrics read it, as of `account.at_ns`."""
    folds, policy, probing = account.folds, account.policy, account.probing
    stretch = account.open_stretch()
    totals = lifetime(account)
    worn = account.reading
    parked, retracted = folds.loads_and_starts.totals(), folds.retracts.totals()
    return Facts(
        disk=account.disk,
        policy=policy,
        sampled_ns=account.at_ns,
        sampled_wall_ns=account.at_ns + account.wall_offset_ns,
        unsampled_ns=0,
        absent_ns=None,
        new_since=(),
        found_wall_ns=account.found,
        state=State.UNKNOWN if account.state is State.UNOBSERVED else account.state,
        why=_why(account),
        condition=account.condition,
        since_ns=account.since_ns,
        since_wall_ns=account.since_wall_ns,
        since_seen=account.since_seen,
        untouched_wall_ns=_untouched(account),
        totals=totals if account.base is None else totals.since(account.base),
        windows=folds.recent_cycles.totals(account.at_ns, account.wall_offset_ns, policy),
        early_windows=folds.recent_cycles.early(account.at_ns, account.wall_offset_ns, policy),
        timer_ns=timer_ns(account),
        learned=None if probing.learned is None else Bracket(*probing.learned),
        observed_standby_ns=probing.observed_ns,
        quiet_now=_quiet_now(account),
        quiet_window=folds.quiet_windows.totals(stretch, policy) if policy.schedule else None,
        counters=folds.drive_counters.worn,
        counters_wall_ns=folds.drive_counters.wall_ns,
        doubtful={name: (both[0], both[1]) for name, both in account.doubtful.items()},
        rated=folds.drive_counters.rated(policy),
        drive_timers_s={} if worn is None else _seconds(power_timers(worn)),
        epc_enabled=None if worn is None or worn.epc is None else bool(worn.epc),
        apm_level=account.disk.apm_level if worn is None or worn.apm is None else worn.apm,
        disagreements={
            counter: Disagreement(*counts) for counter, counts in account.doubts.items()
        },
        reading_effect=compared(probing.spin_downs),
        last_probe_ok=probing.last_ok,
        probing_ended=probing_ended(account),
        timer_restarted=bool(probing.restarter),
        disturbed_wall_ns=probing.disturbed_wall_ns,
        waker=folds.last_wakes.totals(account.at_ns),
        near_probes=_near_probes(probing, account.policy.cadence),
        bare_commands=probing.signals,
        probed=account.state is not State.UNOBSERVED and (probing.mute or may_probe(account)),
        unobserved_wall_ns=folds.missed.totals(),
        awake=folds.since_sleep.totals(stretch),
        last_day_ns=folds.last_day.totals(stretch),
        sleeps=folds.last_sleeps.totals(stretch, policy),
        repeated=folds.intervals.repeated(stretch.ended_ns, policy),
        restless=folds.intervals.restless(stretch, policy),
        used_wall_ns=folds.last_use.totals(stretch),
        wait_medians=folds.wait_times.totals(),
        parking=None if parked is None else HeadParking(*parked),
        retracts=None if retracted is None else Retracts(*retracted),
    )


def lifetime(account: Account) -> Totals:
    """All counters of an account since its ledger began, as of `account.at_ns`."""
    folds, probing = account.folds, account.probing
    stretch, gap = account.open_stretch(), account.open_gap()
    every, quiet = folds.state_times.totals(stretch)
    used = folds.energy.totals(stretch, account.policy)
    commands = dict(probing.sent)
    if account.disk.probe_method is not None:
        commands.setdefault(account.disk.probe_method.value, 0)
    return Totals(
        state_ns=every,
        quiet_ns=quiet,
        transitions=dict(folds.changes.transitions),
        cycles=folds.changes.observed,
        unobserved_cycles=folds.changes.unobserved,
        causes=dict(folds.spin_ups.causes),
        actors=dict(folds.spin_ups.actors),
        events_lost=account.events_lost,
        whatif=folds.whatif.totals(gap, account.policy),
        energy_j=used.by_state,
        saved_j=used.saved,
        lost_j=used.lost,
        commands=commands,
        failures={reason: probing.failed.get(reason.value, 0) for reason in Reason},
        disturbances={kind: probing.disturbed.get(kind, 0) for kind in DISTURBANCES},
        rejected=dict(folds.drive_counters.rejected),
        gaps=folds.idle_gaps.lengths(),
        waits=folds.spin_ups.waits(),
        answers=_answers(probing),
    )


def _near_probes(probing: Probing, cadence: Cadence) -> NearProbes | None:
    if not probing.wakes:
        return None
    by_chance = chance(probing.near, probing.wakes, share(cadence))
    return NearProbes(probing.wakes, probing.near, window_ns(cadence), by_chance)


def _answers(probing: Probing) -> Histogram:
    counts = list(accumulate(probing.elapsed or [0] * (len(ELAPSED_BOUNDS_S) + 1)))
    total_s = probing.elapsed_sum_ns / SECOND
    below = tuple(counts[ELAPSED_BOUNDS_S.index(bound)] for bound in ANSWER_BOUNDS_S)
    return Histogram(ANSWER_BOUNDS_S, below, counts[-1], total_s)


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
    return account.why.value if account.why else holds_back(account) or "not probed yet"


def _quiet_now(account: Account) -> QuietNow | None:
    if account.calendar is None:
        return None
    moment = account.calendar.at(account.at_ns + account.wall_offset_ns)
    return QuietNow(moment.quiet, moment.began_wall_ns)


def _seconds(timers_ms: Mapping[str, int]) -> dict[str, float]:
    return {name: ms / 1000 for name, ms in timers_ms.items()}
