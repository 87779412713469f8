"""Facts -> evidence -> the transition table -> entries.

Rules: one function a fact; every nanosecond between two bookings goes to exactly one state; the
table is read before anything changes, so an illegal pair leaves the account as it was. An
answer to a probe sent before the last movement says nothing. An interval too long to have been
watched, in which sectors moved, is unobserved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from spinledger.codec import packings
from spinledger.codec.reply import STATE_PROBES
from spinledger.ledger import spinups
from spinledger.ledger.account import Account, may_probe, timer_ns
from spinledger.ledger.packed import power_on_anchor, shown_counts
from spinledger.ledger.table import INTERVAL_EVIDENCE, Row, follow
from spinledger.model import (
    NOT_SENT,
    SECOND,
    Answered,
    Counted,
    Cycle,
    Disk,
    Entry,
    Evidence,
    Gap,
    Mode,
    Policy,
    Reading,
    Record,
    Refused,
    Reported,
    Span,
    State,
    Stretch,
    Tick,
    Transition,
    Woken,
)
from spinledger.ports import CrossChecked, QuietHours
from spinledger.wear.continuing import continued, shifted
from spinledger.wear.reading import (
    ACCEPTED,
    Judged,
    baseline,
    disagreements,
    judge,
    merge,
    unobserved,
)

WALL_JUMP_NS = SECOND // 10
"""A smaller change of wall against boot time is the clock being slewed, not set."""

UNSURE = frozenset({State.UNKNOWN, State.UNOBSERVED})
"""What the drive did meanwhile was not seen; the state that follows began before."""

LIGHT_SECTORS = 256
"""128 KiB in a sample is upkeep, such as a journal's commit; common practice, no source."""


def open_account(
    disk: Disk,
    policy: Policy,
    tick: Tick,
    calendar: QuietHours | None = None,
) -> Account:
    """A new account, unobserved until its first fact."""
    account = Account(
        disk=disk,
        policy=policy,
        at_ns=tick.at_ns,
        opened_ns=tick.at_ns,
        wall_offset_ns=tick.wall_ns - tick.at_ns,
        suspended_ns=tick.suspended_ns,
        since_ns=tick.at_ns,
        since_wall_ns=tick.wall_ns,
        span_began_ns=tick.at_ns,
        span_began_wall_ns=tick.wall_ns,
        stretch_began_ns=tick.at_ns,
        calendar=calendar,
    )
    _find_boundary(account)
    return account


def adopt(account: Account, policy: Policy, calendar: QuietHours | None) -> list[Entry]:
    """Another policy comes into force; `calendar` is that of its schedule.

    What is recorded so far belongs to the old one: the open stretch ends first. A start takes the
    same path, since an account remembers the policy under which it was kept.
    """
    entries: list[Entry] = []
    if policy != account.policy:
        _close_stretch(account, account.at_ns, entries)
        _feed(account, entries)
        account.policy = policy
    account.calendar = calendar
    _find_boundary(account)
    return entries


def coast(account: Account, at_ns: int) -> list[Entry]:
    """Nothing happened to this disk until then: the last of its ticks were still."""
    entries: list[Entry] = []
    if account.present and at_ns > account.at_ns:
        _pass(account, at_ns, entries)
        _feed(account, entries)
    return entries


def resume(account: Account, tick: Tick, same_boot: bool) -> list[Entry]:
    """The program starts again: the time since the last record is unobserved.

    The account's times must be on this boot's clock already. The disk is absent until it is seen.
    """
    entries: list[Entry] = []
    _unseen(account, max(tick.at_ns, account.at_ns), entries)
    account.suspended_ns = tick.suspended_ns
    account.wall_offset_ns = tick.wall_ns - tick.at_ns
    if account.present:
        account.present = False
        account.absent_since_wall_ns = tick.wall_ns
    if not same_boot:
        account.counted = None
        account.powered = False
    _find_boundary(account)
    _feed(account, entries)
    return entries


def record_tick(account: Account, tick: Tick) -> list[Entry]:
    """Wall time, and host suspends: the time suspended is unobserved."""
    offset = tick.wall_ns - tick.at_ns
    entries: list[Entry] = []
    if tick.suspended_ns - account.suspended_ns > SECOND and account.present:
        _unseen(account, tick.at_ns, entries)
    account.suspended_ns = tick.suspended_ns
    if abs(offset - account.wall_offset_ns) > WALL_JUMP_NS:
        _close_stretch(account, account.at_ns, entries)
        account.wall_offset_ns = offset
        account.since_wall_ns = account.since_ns + offset
        account.span_began_wall_ns = account.span_began_ns + offset
        _find_boundary(account)
    _feed(account, entries)
    return entries


def record_counted(account: Account, fact: Counted, ours: bool = False) -> list[Entry]:
    """Free signals: movement, or none, since the last ones.

    `ours`: our own ledger was written to this disk meanwhile; movement proves that it spins, but
    is nobody's use of it.
    """
    before, account.counted = account.counted, fact
    entries: list[Entry] = []
    cycles, slept_ns = account.cycle_number, account.span_began_ns
    moved = before is not None and (
        fact.sectors_read != before.sectors_read or fact.sectors_written != before.sectors_written
    )
    if account.unseen_ns is not None:
        _settle(account, fact.at_ns, moved or before is None, entries)
    elif before is not None and _restarted(before, fact):
        _unseen(account, fact.at_ns, entries)
        _settle(account, fact.at_ns, True, entries)
    elif moved or (before is not None and fact.in_flight > 0):
        _moved(account, fact.at_ns, ours, entries)
        if moved and before is not None and not ours:
            account.sectors_ns = fact.at_ns
            _weigh(account, before, fact)
    elif account.state is State.IDLE and _expired(account, fact.at_ns):
        _apply(account, Evidence.EXPIRED, fact.at_ns, entries)
    else:
        _apply(account, Evidence.STILL, fact.at_ns, entries)
    if account.cycle_number != cycles:
        entries += spinups.woke(account, before, slept_ns)
    if account.waking is not None:
        entries += spinups.sampled(account, fact, moved)
    if entries:
        _feed(account, entries)
    return entries


def _weigh(account: Account, before: Counted, fact: Counted) -> None:
    """How much others moved in this sample."""
    read = fact.sectors_read - before.sectors_read
    written = fact.sectors_written - before.sectors_written
    account.stretch_read += read
    account.stretch_written += written
    if read + written <= LIGHT_SECTORS:
        account.stretch_light_ns += fact.at_ns - before.at_ns


def _restarted(before: Counted, fact: Counted) -> bool:
    return fact.sectors_read < before.sectors_read or fact.sectors_written < before.sectors_written


def record_answered(account: Account, fact: Answered) -> list[Entry]:
    """The state that the drive reports, or a refusal."""
    entries: list[Entry] = []
    cycles, slept_ns = account.cycle_number, account.span_began_ns
    at_ns = max(fact.at_ns, account.at_ns)
    stale = account.io_ns is not None and fact.probe.sent_ns < account.io_ns
    if stale or not account.present or fact.probe.command not in STATE_PROBES:
        return entries
    reply = fact.reply
    if isinstance(reply, Reported):
        standby = reply.mode is Mode.STANDBY
        evidence = Evidence.REPORTED_STANDBY if standby else Evidence.REPORTED_SPINNING
        _apply(account, evidence, at_ns, entries)
        account.condition = reply.condition
        if not standby:
            account.proof_ns = at_ns
    elif isinstance(reply, Refused) and reply.reason not in NOT_SENT:
        _apply(account, Evidence.REFUSED, at_ns, entries)
        if account.state is State.UNKNOWN:
            account.why = reply.reason
    if account.cycle_number != cycles:
        entries += spinups.woke(account, None, slept_ns)
    _feed(account, entries)
    return entries


def record_woken(account: Account, woken: Woken) -> list[Entry]:
    """What the kernel's events say of a spin-up, recorded already or about to be."""
    entries: list[Entry] = [*spinups.reported(account, woken)]
    _feed(account, entries)
    return entries


def record_reading(account: Account, records: Sequence[Record], at_ns: int) -> list[Entry]:
    """The drive's own counters, judged; and the cycles that only they know of."""
    before = account.reading
    elapsed_s = 0 if before is None else max(0, at_ns - before.at_ns) // SECOND
    throughout = account.powered and before is not None
    records = shown_counts(account, records, {}, elapsed_s)
    anchor_raw, powered_s = power_on_anchor(account, records, elapsed_s if throughout else None)
    worn = merge(account.disk.identity, at_ns, records, before, powered_s, anchor_raw=anchor_raw)
    worn = shifted(worn, account.shifts)
    judged = judge(worn, before, elapsed_s)
    judged = continued(worn, judged, before, elapsed_s, account.shifts, account.waiting)
    wall_ns = at_ns + account.wall_offset_ns
    entries: list[Entry] = [_judgement(account, judged, at_ns)]
    after = baseline(before, judged)
    account.reading = after
    if judged.worn.start_stops is None and after.start_stops is not None:
        _feed(account, entries)  # starts of two intervals come with the next reading
        return entries
    if before is not None:
        missed = unobserved(
            before, after, account.observed_since_reading, powered_throughout=throughout
        )
        for _ in range(missed or 0):
            account.cycle_number += 1
            entries.append(
                Cycle(account.cycle_number, account.disk.identity, at_ns, wall_ns, False)
            )
    account.observed_since_reading = 0
    account.powered = True
    _feed(account, entries)
    return entries


def record_cross_check(
    account: Account, records: Sequence[Record], fact: CrossChecked
) -> list[Entry]:
    """The counters of the cross-check, judged as our own readings are, and compared with ours.

    `records` are those of our own reading right before; what they tell is kept where the two
    differ. No cycle is inferred from it: between the two readers' words others may have counted.
    """
    before, at_ns = account.reading, max(fact.at_ns, account.at_ns)
    # Counters that it alone gives are as old as its last answer; ours have just been judged.
    since_ns = before.at_ns if before else at_ns
    if account.cross_checked_ns is not None:
        since_ns = min(since_ns, account.cross_checked_ns)
    records = shown_counts(account, records, fact.values, 0)
    worn = merge(account.disk.identity, at_ns, records, before, second=fact.values)
    worn = shifted(worn, account.shifts)
    given = {name: value + account.shifts.get(name, 0) for name, value in fact.values.items()}
    judged = judge(worn, before, max(0, at_ns - since_ns) // SECOND)
    account.cross_checked_ns = at_ns
    apart_s = 0 if before is None else max(0, at_ns - before.at_ns) // SECOND
    doubts = disagreements(judged.worn, given, apart_s)
    if records:
        hours_s = packings.clock_s("hours", worn.power_on_raw or 0)  # where no packing is known
        known_s = worn.power_on_s or (before and before.power_on_s)
        ours = replace(worn, power_on_s=known_s or hours_s)
        account.doubts = {
            one.counter: [getattr(ours, one.counter), given[one.counter]] for one in doubts
        }
    account.reading = baseline(before, judged)
    whole = Judged(judged.worn, judged.objections + doubts)
    entries: list[Entry] = [_judgement(account, whole, at_ns)]
    _feed(account, entries)
    return entries


def _judgement(account: Account, judged: Judged, at_ns: int) -> Reading:
    reasons = sorted({objection.reason for objection in judged.objections})
    verdict = "+".join(reasons) or ACCEPTED
    wall_ns = at_ns + account.wall_offset_ns
    return Reading(account.disk.identity, at_ns, wall_ns, judged.worn, verdict)


def record_gone(account: Account, at_ns: int) -> list[Entry]:
    """The disk went: what follows is unobserved."""
    entries: list[Entry] = []
    if account.present:
        _unseen(account, max(at_ns, account.at_ns), entries)
        account.present = False
        account.absent_since_wall_ns = account.at_ns + account.wall_offset_ns
        account.counted = None
        _feed(account, entries)
    return entries


def record_seen(account: Account, disk: Disk, at_ns: int) -> list[Entry]:
    """The disk is here again, perhaps under another name; its account goes on."""
    entries: list[Entry] = []
    if not account.present:
        _unseen(account, max(at_ns, account.at_ns), entries)
        account.present = True
        account.absent_since_wall_ns = None
        _feed(account, entries)
    if not disk.diskseq or disk.diskseq != account.disk.diskseq:
        account.counted = None
        account.powered = False
    account.disk = disk
    return entries


def _unseen(account: Account, at_ns: int, entries: list[Entry]) -> None:
    """The time from the last record until now is unobserved."""
    entries += spinups.unexplained(account)
    if account.unseen_ns is None:
        account.unseen_ns = account.at_ns
    _apply(account, Evidence.UNSEEN, at_ns, entries)


def _settle(account: Account, at_ns: int, moved: bool, entries: list[Entry]) -> None:
    """Watched again. The gap goes on if nothing moved meanwhile; else its end was not observed."""
    if moved:
        _close_gap(account, account.open_gap().ended_ns, True, entries)
        account.io_ns = None
        account.opened_ns = at_ns
        account.gap_censored = True
    account.unseen_ns = None
    _apply(account, Evidence.STILL, at_ns, entries)


def _moved(account: Account, at_ns: int, ours: bool, entries: list[Entry]) -> None:
    cadence = account.policy.cadence
    if at_ns - account.at_ns > max(3 * cadence.fast_ns, cadence.slow_ns):
        _unseen(account, at_ns, entries)
        _settle(account, at_ns, True, entries)
    was_active = account.state is State.ACTIVE
    _apply(account, Evidence.MOVED, at_ns, entries)
    account.proof_ns = at_ns
    if ours:
        return
    if not was_active:
        _close_gap(account, at_ns, account.gap_censored, entries)
    account.gap_censored = False
    account.io_ns = at_ns


def _close_gap(account: Account, at_ns: int, censored: bool, entries: list[Entry]) -> None:
    began = account.idle_from_ns
    if at_ns > began:
        wall_ns = began + account.wall_offset_ns
        entries.append(Gap(account.disk.identity, began, at_ns, wall_ns, censored))


def _expired(account: Account, at_ns: int) -> bool:
    if may_probe(account) or account.proof_ns is None:
        return False
    return at_ns - account.proof_ns > (timer_ns(account) or account.policy.cadence.slow_ns)


def _apply(account: Account, evidence: Evidence, at_ns: int, entries: list[Entry]) -> None:
    row = follow(account.state, evidence)
    began = account.at_ns if evidence in INTERVAL_EVIDENCE else at_ns
    if row.after is not account.state:
        _pass(account, began, entries)
        _turn(account, row, began, evidence, entries)
    _pass(account, at_ns, entries)


def _pass(account: Account, at_ns: int, entries: list[Entry]) -> None:
    """Let time go by in the present state, splitting the stretch at quiet boundaries."""
    if account.state is State.ACTIVE:
        account.span_active_ns += at_ns - account.at_ns
    account.at_ns = at_ns
    while account.boundary_ns is not None and account.boundary_ns <= at_ns:
        boundary = account.boundary_ns
        _close_stretch(account, boundary, entries)
        _find_boundary(account, boundary)


def _close_stretch(account: Account, at_ns: int, entries: list[Entry]) -> None:
    if at_ns > account.stretch_began_ns:
        entries.append(
            Stretch(
                account.disk.identity,
                account.state,
                account.quiet,
                account.stretch_began_ns,
                at_ns,
                account.stretch_read,
                account.stretch_written,
                account.stretch_light_ns,
                account.wall_offset_ns,
            )
        )
        account.stretch_began_ns = at_ns
        account.stretch_read = account.stretch_written = account.stretch_light_ns = 0


def _turn(account: Account, row: Row, at_ns: int, evidence: Evidence, entries: list[Entry]) -> None:
    """Change the state at `at_ns`, the time up to which all is recorded."""
    before, after = account.state, row.after
    identity = account.disk.identity
    wall_ns = at_ns + account.wall_offset_ns
    _close_stretch(account, at_ns, entries)
    entries.append(Transition(identity, at_ns, before, after))
    if not (before.spinning and after.spinning):
        entries.append(open_span(account))
        account.span_began_ns = at_ns
        account.span_began_wall_ns = wall_ns
        account.span_active_ns = 0
        account.evidence = evidence
        account.since_ns = at_ns
        account.since_wall_ns = wall_ns
        account.since_seen = before not in UNSURE or after in UNSURE
    if row.cycle:
        account.cycle_number += 1
        account.observed_since_reading += 1
        entries.append(Cycle(account.cycle_number, identity, at_ns, wall_ns, True))
    account.state = after
    account.why = None
    account.condition = None


def open_span(account: Account) -> Span:
    """The open span as it would be recorded now."""
    state = account.state
    return Span(
        disk=account.disk.identity,
        state="spinning" if state.spinning else state.value,
        began_ns=account.span_began_ns,
        ended_ns=account.at_ns,
        began_wall_ns=account.span_began_wall_ns,
        ended_wall_ns=account.at_ns + account.wall_offset_ns,
        active_ns=account.span_active_ns,
        evidence=account.evidence,
    )


def _find_boundary(account: Account, at_ns: int | None = None) -> None:
    """Set the quiet flag as of a time and the boot time at which it next changes."""
    if account.calendar is None:
        account.quiet, account.boundary_ns = False, None
        return
    at_ns = account.at_ns if at_ns is None else at_ns
    moment = account.calendar.at(at_ns + account.wall_offset_ns)
    account.quiet = moment.quiet
    account.boundary_ns = max(moment.until_wall_ns - account.wall_offset_ns, at_ns + 1)


def _feed(account: Account, entries: Sequence[Entry]) -> None:
    account.folds.feed(entries, account.policy)
