"""Which probe to send to which disk, and when; and what an answer teaches.

Rules: the kernel's counters come first and a probe of the drive last. `plan` reads, `note_*` learn;
neither has a clock.

- Moved sectors, or a request in flight, mean active. A flush, or a request that moved no sector,
  leads to one probe, and the next such probe waits twice as long while the answer stays the same.
- An idle disk is probed every `slow` interval; from half a slow interval before its timer is due
  until half a one after, every `fast` interval, `DENSE_STEPS` times at most. The timer is the
  declared one, or the one on which the last two spin-downs agree.
- A disk that is idle past twice its timer is not probed for one and a half timers. If it sleeps
  only then, probes restart its timer: from then on it is probed less often than that. A drive that
  stays awake without probes is not held awake by them. Without a known timer `PRESUMED_TIMERS_NS`
  are tried in turn, and what a sleep in such a silence teaches is in `ledger.timers`.
- A disk in standby is probed every `asleep` interval.
- A slow answer from a quiet disk, a lost link (ATA status 00h, a host error), or a drive that spins
  after it reported standby with no other signal is one disturbance by a probe, if the kernel's
  count of requests rose by exactly our commands. Then no probe until others move sectors, and the
  drive is on trial (`ledger.trial`); after `limits.probe_disturbances` of them, if they cluster at
  our probes (`findings.ours`), none any more.
- `GIVE_UP_AFTER` refusals of a lasting kind end the probes.

The drive's own counters are read only in a sample in which others moved sectors, soon after a
spin-up and every `wear.every` of use, one disk after the other, and all records of one reading
within half a sample interval of it. So a reading wakes no disk, and where a drive restarts its
timer at one, that costs one interval and the time that the reading takes.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence

from spinledger.codec import counters
from spinledger.codec.reply import STATE_PROBES
from spinledger.errors import Misuse
from spinledger.findings.restarts import noted
from spinledger.ledger import timers, trial
from spinledger.ledger.account import (
    ELAPSED_BOUNDS_S,
    Account,
    Probing,
    may_probe,
    timer_ns,
)
from spinledger.model import (
    HOUR,
    MILLISECOND,
    MINUTE,
    NOT_SENT,
    SECOND,
    Answered,
    Counted,
    Mode,
    Probe,
    Reason,
    Record,
    Refused,
    Reported,
    State,
)
from spinledger.wear.reading import CROSS_CHECK

DEADLINE_NS = 10 * SECOND
"""Then the loop records a timeout; the command's own timeout in the kernel is far longer."""

DISTURBED_NS = 200 * MILLISECOND
"""A quiet disk answers CHECK POWER MODE within milliseconds; a link reset was seen to take 390 ms
and a spin-up takes seconds. Measured in a virtual machine; common practice, no source."""

PRESUMED_TIMERS_NS = (20 * MINUTE, 1 * HOUR, 3 * HOUR)
"""Timers to try in silence while none is declared or learned; common practice, no source."""

GIVE_UP_AFTER = 3
"""Refusals of a lasting kind in a row; then the disk is watched by free signals alone."""

LINK_LOST = frozenset({Reason.STATUS_CLEAR, Reason.HOST_ERROR})

WOKEN = frozenset((mode, State.STANDBY) for mode in Mode if mode is not Mode.STANDBY)
"""What a drive says and what it was: it spins after it said standby."""

LASTING = frozenset({Reason.REJECTED, Reason.NO_REGISTERS, Reason.PERMISSION})

DENSE_STEPS = 12
"""Probes in one dense window at most, however wide it had to be."""


def plan(account: Account, now_ns: int, number: int) -> Probe | None:
    """The probe to send now, or None. Times in nanoseconds of the boot clock."""
    probing = account.probing
    if probing.pending is not None or probing.cross_checking or account.counted is None:
        return None
    if account.state is State.ACTIVE or not may_probe(account) or now_ns < due_ns(account, now_ns):
        return None
    method = account.disk.probe_method
    if method is None:
        raise Misuse("a disk without a probe was to be probed")
    return Probe(number, account.disk.identity, method, now_ns, now_ns + DEADLINE_NS)


def plan_reading(
    account: Account, now_ns: int, number: int, cross_check_free: bool = False
) -> Probe | None:
    """The first record of a reading of the drive's own counters, when one is due.

    Due after a wake, every `wear_ns` of use, and right before the cross-check, where that is
    due and free, so that the two can be compared. One that was cut off goes on in the next sample
    of use.
    """
    probing, every_ns = account.probing, account.policy.cadence.wear_ns
    if not every_ns or not _in_use(account, now_ns):
        return None
    woke = account.observed_since_reading > 0 and account.since_ns > (probing.read_ns or 0)
    due = probing.read_ns is None or woke or now_ns - probing.read_ns >= every_ns
    if not due and probing.to_read:
        return plan_record(account, now_ns, number)
    if not due and (
        _fresh(account, now_ns) or not (cross_check_free and cross_check_due(account, now_ns))
    ):
        return None
    probing.to_read = [
        command
        for command in counters.plan(account.disk)
        if probing.unreadable.get(command.value, 0) < GIVE_UP_AFTER
    ]
    probing.records = []
    probing.last_records = []
    probing.read_ns = now_ns
    return plan_record(account, now_ns, number)


def _in_use(account: Account, now_ns: int) -> bool:
    """Others moved its sectors in this very sample, and nothing of ours is on its way."""
    probing = account.probing
    if not others_move(account) or probing.pending is not None or probing.cross_checking:
        return False
    return may_probe(account) and not _stale(account, now_ns)


def _stale(account: Account, now_ns: int) -> bool:
    """The newest sample is too long ago to read on: its use may be over."""
    return now_ns - account.at_ns > account.policy.cadence.fast_ns // 2


def others_move(account: Account) -> bool:
    """Others moved its sectors in the newest sample."""
    return account.state is State.ACTIVE and account.sectors_ns == account.at_ns


def cross_check_due(account: Account, now_ns: int) -> bool:
    """True when smartctl is due: once in `cross_check_ns`, whatever comes of it."""
    probing, every_ns = account.probing, account.policy.cadence.cross_check_ns
    if not every_ns or not _in_use(account, now_ns):
        return False
    return probing.cross_check_ns is None or now_ns - probing.cross_check_ns >= every_ns


def _fresh(account: Account, now_ns: int) -> bool:
    """True where our own last reading can be compared with one of the cross-check's now."""
    read_ns = account.probing.read_ns
    return read_ns is not None and now_ns - read_ns < account.policy.cadence.slow_ns


def note_cross_check(account: Account, now_ns: int) -> None:
    """The cross-check was started."""
    probing = account.probing
    if not _fresh(account, now_ns):
        probing.last_records = []
    probing.cross_check_ns = now_ns
    probing.cross_checking = True
    probing.read_in_gap = True
    probing.sent[CROSS_CHECK] = probing.sent.get(CROSS_CHECK, 0) + 1


def note_cross_checked(account: Account) -> Sequence[Record] | None:
    """The cross-check ended: our own records to compare with; None: it is not waited for."""
    probing = account.probing
    if not probing.cross_checking:
        return None
    probing.cross_checking, probing.cross_check_over = False, True
    records, probing.last_records = probing.last_records, []
    return records


def plan_record(account: Account, now_ns: int, number: int) -> Probe | None:
    """The next record of the reading under way; None at its end, or where it is cut off.

    It is cut off where the use ended meanwhile, or where the sample is too long ago to tell.
    """
    probing = account.probing
    unfit = probing.pending is not None or not others_move(account) or _stale(account, now_ns)
    if not probing.to_read or unfit:
        return None
    command = probing.to_read.pop(0)
    return Probe(number, account.disk.identity, command, now_ns, now_ns + DEADLINE_NS)


def due_ns(account: Account, now_ns: int) -> int:
    """When the next probe is due, by state, idle age, timer and hints."""
    probing, cadence = account.probing, account.policy.cadence
    if probing.hint:
        return now_ns
    on_trial_ns = trial.due_ns(account)
    if probing.sent_ns is None:
        return account.idle_from_ns if on_trial_ns is None else on_trial_ns
    # Samples come a little early or late: an interval has passed in the sample nearest to its end.
    early_ns = cadence.fast_ns // 4
    sent = probing.sent_ns - early_ns
    if account.state is State.STANDBY:
        return sent + cadence.asleep_ns if on_trial_ns is None else on_trial_ns
    if account.state is State.IDLE:
        usual_ns = _due_idle(account, max(sent, account.idle_from_ns - early_ns))
        return max(usual_ns, on_trial_ns or 0)
    if probing.refusals == 0:
        return sent + cadence.fast_ns
    return sent + min(cadence.slow_ns << min(probing.refusals - 1, 8), cadence.asleep_ns)


def _due_idle(account: Account, last_ns: int) -> int:
    cadence, probing = account.policy.cadence, account.probing
    began = account.idle_from_ns
    timer = timer_ns(account)
    unprobed_ns = timers.unprobed_ns(account)
    if unprobed_ns is not None:
        return last_ns + unprobed_ns
    if probing.restarter and timer:
        return last_ns + timer + timer // 2
    # Others' commands show only in a sample that has none of ours.
    due = last_ns + max(cadence.slow_ns, 2 * cadence.fast_ns)
    if timer:
        opens, closes = _dense_window(account, timer)
        step = max(cadence.fast_ns, (closes - opens) // DENSE_STEPS)
        if last_ns < began + closes:
            due = min(due, max(began + opens, last_ns + step))
    for begins, ends in silences(account):
        if began + begins <= due < began + ends:
            due = began + ends
    return due


def _dense_window(account: Account, timer: int) -> tuple[int, int]:
    """Idle ages between which probes are dense: around the timer, or the learned bracket."""
    half = account.policy.cadence.slow_ns // 2
    learned = account.probing.learned
    if learned and timer == learned[1]:
        return max(0, learned[0] - account.policy.cadence.fast_ns), learned[1] + half
    return max(0, timer - half), timer + half


def silences(account: Account) -> tuple[tuple[int, int], ...]:
    """Idle ages without a probe: from twice the timer on, one and a half timers long.

    A drive that stayed awake through twice its timer while it was probed, and sleeps only in this
    silence, restarts its timer at probes. Without a known timer the presumed ones are tried.
    """
    if account.probing.acquitted or account.policy.declared_ns == 0:
        return ()
    timer = timer_ns(account)
    tried = (timer,) if timer else PRESUMED_TIMERS_NS
    return tuple((2 * t, 2 * t + t + t // 2) for t in tried)


def note_sent(account: Account, probe: Probe) -> None:
    """A command went out."""
    probing = account.probing
    if probe.command not in STATE_PROBES:
        probing.pending = probe
        probing.read_in_gap = True
        probing.own += 1
        return
    trial.sent(probing)
    alone_from = max(account.idle_from_ns, probing.sent_ns or 0)
    probing.undisturbed_ns = probe.sent_ns - alone_from
    probing.prompted = probing.hint
    if probing.hint:
        probing.hinted_ns = probe.sent_ns
    probing.pending = probe
    probing.sent_ns = probe.sent_ns
    probing.hint = False
    probing.own += 1


def note_counted(
    account: Account, before: Counted | None, fact: Counted, ours: bool = False
) -> None:
    """Free signals after they are recorded: judge suspects, lift silence, prompt a probe.

    `ours`: the movement may be our own ledger's, which is no other's I/O.
    """
    probing = account.probing
    own, probing.own = probing.own, 0
    answered_own, probing.answered_own = probing.answered_own, False
    second, probing.cross_check_over = probing.cross_checking or probing.cross_check_over, False
    if account.state is State.ACTIVE and not ours:
        _foreign_io(account)
        return
    if before is None or ours:
        return
    # How many commands the cross-check sends is not known: none of them is somebody else's.
    foreign = 0 if second else fact.requests - before.requests - own
    signalled = fact.flushes != before.flushes or foreign > 0
    if probing.suspect and not probing.pending:
        # After a lost link the kernel issues our own command once more.
        _judge(account, innocent=signalled and probing.suspect != "link_reset")
    if signalled and not (own or answered_own):
        probing.signals += 1
        _hint(account, fact.at_ns)


def _foreign_io(account: Account) -> None:
    """Somebody else moved sectors: the idle period, and what belonged to it, is over."""
    probing = account.probing
    probing.silenced = False
    probing.suspect = ""
    probing.read_in_gap = False
    probing.hint = False
    probing.hint_wait_ns = 0
    probing.hinted_ns = None
    probing.spinning_answer_ns = None


def _hint(account: Account, at_ns: int) -> None:
    probing, cadence = account.probing, account.policy.cadence
    if probing.hinted_ns is not None and at_ns - probing.hinted_ns < probing.hint_wait_ns:
        return
    longest = cadence.asleep_ns if account.state is State.STANDBY else cadence.slow_ns
    probing.hint = True
    probing.hint_wait_ns = min(max(cadence.fast_ns, 2 * probing.hint_wait_ns), longest)


def _judge(account: Account, innocent: bool) -> None:
    probing = account.probing
    kind, probing.suspect = probing.suspect, ""
    if innocent:
        return
    if trial.ours(probing, kind):
        _disturbed(account, kind)
        probing.silenced = True


def _disturbed(account: Account, kind: str) -> None:
    probing = account.probing
    probing.disturbed[kind] = probing.disturbed.get(kind, 0) + 1
    probing.disturbed_wall_ns = account.at_ns + account.wall_offset_ns


def note_seen(account: Account) -> None:
    """The disk went or came: what was on its way will not be heard; it is probed and read anew."""
    probing = account.probing
    probing.pending = None
    probing.mute = False
    probing.suspect = ""
    probing.silenced = False
    probing.sent_ns = None
    probing.spinning_answer_ns = None
    probing.own = 0
    probing.read_ns = None
    probing.cross_checking = False
    probing.came = True
    if probing.given_up.startswith("refused"):
        probing.given_up = ""
        probing.refusals = 0


def note_late(account: Account) -> None:
    """The deadline passed: nothing more is sent until the old answer returns."""
    probing = account.probing
    probing.mute = True
    if probing.pending is not None:
        _count(probing, probing.pending)
    _refused(probing, Reason.TIMEOUT)


def _count(probing: Probing, probe: Probe) -> None:
    """The drive has got it, or may have. Counted by then, since a probe can be withheld."""
    probing.sent[probe.command.value] = probing.sent.get(probe.command.value, 0) + 1


def note_answered(account: Account, fact: Answered, state_before: State) -> None:
    """An answer, after it is recorded. `state_before` is the state it met."""
    probing = account.probing
    late, probing.mute, probing.pending = probing.mute, False, None
    probing.answered_own = True
    if not fact.sent:
        probing.own -= 1
    elif not late:
        _count(probing, fact.probe)
    reply = fact.reply
    if fact.probe.command not in STATE_PROBES:
        _recorded(probing, fact)
        return
    _time(probing, fact.elapsed_ns)
    came, probing.came = probing.came, False
    stale = account.io_ns is not None and fact.probe.sent_ns < account.io_ns
    if isinstance(reply, Reported):
        probing.refusals = 0
        probing.last_ok = True
        if not stale:
            _given(account, fact, reply, state_before)
    elif isinstance(reply, Refused) and reply.reason not in NOT_SENT and not late:
        _refused(probing, reply.reason)
    if stale or not fact.sent:
        return
    if isinstance(reply, Refused) and reply.reason in LINK_LOST:
        probing.suspect = "link_reset"
    elif probing.prompted or came:
        return  # others were at it, or it was still spinning up by itself
    elif isinstance(reply, Reported) and (reply.mode, state_before) in WOKEN:
        probing.suspect = "woke"
    elif fact.elapsed_ns > DISTURBED_NS:
        probing.suspect = "slow_answer"


def _recorded(probing: Probing, fact: Answered) -> None:
    """A record came, or is not to be had: that says nothing about probes of the state."""
    reply = fact.reply
    if isinstance(reply, Record):
        probing.records.append(reply)
    elif isinstance(reply, Refused) and reply.reason not in NOT_SENT:
        name = fact.probe.command.value
        probing.unreadable[name] = probing.unreadable.get(name, 0) + 1
        probing.failed[reply.reason.value] = probing.failed.get(reply.reason.value, 0) + 1


def _time(probing: Probing, elapsed_ns: int) -> None:
    if not probing.elapsed:
        probing.elapsed = [0] * (len(ELAPSED_BOUNDS_S) + 1)
    probing.elapsed[bisect_left(ELAPSED_BOUNDS_S, elapsed_ns / SECOND)] += 1
    probing.elapsed_sum_ns += elapsed_ns


def _refused(probing: Probing, reason: Reason) -> None:
    probing.refusals += 1
    probing.last_ok = False
    probing.failed[reason.value] = probing.failed.get(reason.value, 0) + 1
    if reason in LASTING and (probing.refusals >= GIVE_UP_AFTER or reason is Reason.PERMISSION):
        probing.given_up = f"refused: {reason.value}"


def _given(account: Account, fact: Answered, reply: Reported, before: State) -> None:
    probing = account.probing
    age = fact.probe.sent_ns - account.idle_from_ns
    if reply.mode is not Mode.STANDBY:
        timer = timer_ns(account)
        if timers.learns(account):
            if timers.note_awake(account):
                _disturbed(account, "timer_restarted")
        elif probing.restarter and timer and probing.undisturbed_ns > timer:
            probing.restarter = ""
            probing.acquitted = True
        probing.spinning_answer_ns = fact.probe.sent_ns
        return
    probing.signals = 0
    trial.asleep(probing)
    if before is State.STANDBY:
        return
    probing.observed_ns = age if account.io_ns is not None and not account.gap_censored else None
    last = probing.spinning_answer_ns
    low = last - account.idle_from_ns if last is not None else 0
    probing.spinning_answer_ns = None
    if probing.observed_ns is None:
        return
    known = probing.restarter
    in_silence = probing.hinted_ns is None and _slept_in_silence(account, low, age)
    if timers.note_asleep(account, low, age, in_silence):
        probing.restarter = "confirmed"
    elif in_silence and account.policy.declared_ns is not None:
        probing.restarter = "suspected"
    if probing.restarter:
        if not known:
            _disturbed(account, "timer_restarted")
        return
    timers.learn(probing, (low, age))
    if probing.hinted_ns is None:  # others' commands may restart a timer too
        slow = account.policy.cadence.slow_ns
        probing.spin_downs = dict(noted(probing.spin_downs, probing.read_in_gap, (low, age), slow))


def _slept_in_silence(account: Account, low: int, age: int) -> bool:
    slow = account.policy.cadence.slow_ns
    return any(low >= begins - 2 * slow and age >= ends for begins, ends in silences(account))
