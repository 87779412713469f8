"""Facts into entries: what is recorded, when it begins, and that nothing is lost or invented.

Source: the rules are the transition table's; that only moved sectors or a request in flight prove
spinning was measured on Linux 6.1 (an fsync moves the write and flush counts of a drive that
sleeps on). Documentation/block/stat.rst of Linux 6.12 says that counters move at completion.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spinledger.errors import IllegalTransition
from spinledger.ledger import recording
from spinledger.ledger.account import Account
from spinledger.ledger.summary import lifetime, summary
from spinledger.model import (
    NOT_SENT,
    SECOND,
    Cycle,
    Entry,
    Evidence,
    Gap,
    Mode,
    Reason,
    Span,
    State,
    Stretch,
    Transition,
)
from spinledger.quiet.hours import FOREVER, Moment
from tests.fakes.facts import DISK, POLICY, WALL_NS, counted, refused, reported, tick


def fresh(at_s: float = 0) -> Account:
    """An account opened at a boot time in seconds."""
    return recording.open_account(DISK, POLICY, tick(at_s))


def kinds(entries: list[Entry], kind: type) -> list[Entry]:
    """The entries of one type."""
    return [entry for entry in entries if isinstance(entry, kind)]


def test_movement_begins_at_the_intervals_start() -> None:
    """Sectors that moved between two samples make the whole interval active."""
    account = fresh()
    recording.record_counted(account, counted(0))
    recording.record_counted(account, counted(5, 8))
    assert account.state is State.ACTIVE
    assert account.since_ns == 0
    recording.record_counted(account, counted(10, 8))
    assert (account.state, account.span_active_ns) == (State.IDLE, 5 * SECOND)


def test_a_read_of_a_sleeping_drive_is_one_cycle() -> None:
    """Standby by the drive's answer, then moved sectors: one observed cycle, in that interval."""
    account = fresh()
    recording.record_counted(account, counted(0))
    recording.record_answered(account, reported(0, Mode.STANDBY))
    assert account.state is State.STANDBY
    recording.record_counted(account, counted(5))
    entries = recording.record_counted(account, counted(10, 8))
    (cycle,) = kinds(entries, Cycle)
    assert isinstance(cycle, Cycle)
    assert (cycle.number, cycle.at_ns, cycle.observed) == (1, 5 * SECOND, True)


def test_a_sleep_shorter_than_a_sample_has_no_length() -> None:
    """Found by a probe, and ended in the interval that follows: a cycle and no time."""
    account = fresh()
    recording.record_counted(account, counted(0))
    recording.record_counted(account, counted(5))
    recording.record_answered(account, reported(5, Mode.STANDBY))
    entries = recording.record_counted(account, counted(10, 8))
    (span,) = kinds(entries, Span)
    assert isinstance(span, Span)
    assert (span.state, span.ended_ns - span.began_ns) == ("standby", 0)
    assert len(kinds(entries, Cycle)) == 1


def test_a_flush_is_not_a_cycle() -> None:
    """An fsync without moved sectors leaves a sleeping drive in standby."""
    account = fresh()
    recording.record_counted(account, counted(0))
    recording.record_answered(account, reported(0, Mode.STANDBY))
    entries = recording.record_counted(account, counted(5, flushes=1, requests=1))
    assert (account.state, entries) == (State.STANDBY, [])


def test_a_request_in_flight_is_movement() -> None:
    """A request waiting for the platters is proof of a spin-up before any sector has moved."""
    account = fresh()
    recording.record_counted(account, counted(0))
    recording.record_answered(account, reported(0, Mode.STANDBY))
    assert kinds(recording.record_counted(account, counted(5, in_flight=1)), Cycle)


def test_an_answer_older_than_the_last_movement_says_nothing() -> None:
    """A drive may answer 00h while recovering (older makers' manuals): movement came later."""
    account = fresh()
    recording.record_counted(account, counted(0))
    recording.record_counted(account, counted(5, 8))
    assert recording.record_answered(account, reported(4.9, Mode.STANDBY, after_s=0.2)) == []
    assert account.state is State.ACTIVE


@pytest.mark.parametrize("reason", sorted(set(Reason) - NOT_SENT))
def test_a_refusal_is_unknown_never_standby(reason: Reason) -> None:
    """Whatever went wrong with the probe, the state is unknown and says why."""
    account = fresh()
    recording.record_counted(account, counted(0))
    recording.record_answered(account, refused(0, reason))
    assert (account.state, account.why) == (State.UNKNOWN, reason)


@pytest.mark.parametrize("reason", sorted(NOT_SENT))
def test_a_question_that_was_not_put_says_nothing_about_the_drive(reason: Reason) -> None:
    """One that our own process lost or held back changes no record."""
    account = fresh()
    recording.record_counted(account, counted(0))
    recording.record_answered(account, reported(0, Mode.STANDBY))
    recording.record_answered(account, refused(1, reason))
    assert account.state is State.STANDBY


def test_host_suspend_is_unobserved() -> None:
    """The time a host was suspended is recorded as unobserved."""
    account = fresh()
    recording.record_counted(account, counted(0))
    recording.record_answered(account, reported(0, Mode.ACTIVE_OR_IDLE))
    entries = recording.record_tick(account, tick(3600, suspended_s=3500))
    entries += recording.record_counted(account, counted(3600))
    assert [e.after for e in entries if isinstance(e, Transition)] == [
        State.UNOBSERVED,
        State.UNKNOWN,
    ]


def test_absence_is_unobserved_and_the_record_goes_on() -> None:
    """Unplugged and plugged in again under another name: one account, no cycle invented."""
    account = fresh()
    recording.record_counted(account, counted(0))
    recording.record_answered(account, reported(0, Mode.STANDBY))
    recording.record_counted(account, counted(10))
    recording.record_gone(account, 10 * SECOND)
    assert account.absent_since_wall_ns is not None
    recording.record_seen(account, DISK, 70 * SECOND)
    recording.record_counted(account, counted(70))
    totals = lifetime(account)
    assert totals.state_ns[State.UNOBSERVED] == 60 * SECOND
    assert (totals.cycles, totals.unobserved_cycles) == (0, 0)


def test_a_restart_forgets_neither_the_last_use_nor_that_it_did_not_look() -> None:
    """Nothing moved over a restart: untouched since before it. Its sleep began before,
    unobserved; the next one begins while it is watched."""
    account = fresh()
    account.disk = replace(DISK, diskseq=7)
    for at_s, sectors in ((0, 0), (5, 8), (10, 8)):
        recording.record_counted(account, counted(at_s, sectors))
    recording.record_answered(account, reported(10, Mode.STANDBY))
    assert (summary(account).since_seen, account.since_ns // SECOND) == (True, 10)
    recording.resume(account, tick(3600), same_boot=True)
    recording.record_seen(account, account.disk, 3600 * SECOND)
    recording.record_counted(account, counted(3600, 8))
    recording.record_answered(account, reported(3600, Mode.STANDBY))
    shown = summary(account)
    assert (shown.state, shown.since_seen) == (State.STANDBY, False)
    assert (shown.since_wall_ns - WALL_NS) // SECOND == 3600
    assert shown.untouched_wall_ns == WALL_NS + 5 * SECOND
    recording.record_counted(account, counted(3605, 16))
    assert (summary(account).untouched_wall_ns, summary(account).since_seen) == (None, True)


def test_gap_runs_from_movement_to_movement() -> None:
    """A gap lies between the samples that saw the last and the next movement."""
    account = fresh()
    recording.record_counted(account, counted(0))
    recording.record_counted(account, counted(5, 8))
    for at_s in range(10, 100, 5):
        recording.record_counted(account, counted(at_s, 8))
    (gap,) = kinds(recording.record_counted(account, counted(100, 16)), Gap)
    assert isinstance(gap, Gap)
    assert (gap.began_ns, gap.ended_ns, gap.censored) == (5 * SECOND, 100 * SECOND, False)


def test_an_illegal_pair_leaves_the_account_unchanged() -> None:
    """The table is read before anything changes."""
    account = fresh()
    recording.record_counted(account, counted(0))
    before = (account.at_ns, account.state, account.stretch_began_ns)
    with pytest.raises(IllegalTransition):
        recording._apply(account, Evidence.EXPIRED, 5 * SECOND, [])
    assert (account.at_ns, account.state, account.stretch_began_ns) == before


class NightFromTen:
    """Quiet from 10 s to 25 s after the epoch of the tests, by wall time."""

    def at(self, wall_ns: int) -> Moment:
        """Two boundaries, then never again."""
        begins, ends = tick(10).wall_ns, tick(25).wall_ns
        if wall_ns < begins:
            return Moment(False, -FOREVER, begins, None)
        if wall_ns < ends:
            return Moment(True, begins, ends, begins)
        return Moment(False, ends, FOREVER, begins)


def test_quiet_boundaries_split_exactly() -> None:
    """Boundaries between two samples split the time to the nanosecond."""
    account = recording.open_account(DISK, POLICY, tick(0), NightFromTen())
    for at_s in (0, 7, 14, 21, 28):
        recording.record_counted(account, counted(at_s))
    totals = lifetime(account)
    assert totals.quiet_ns[State.UNKNOWN] == 15 * SECOND
    assert sum(totals.state_ns.values()) == 28 * SECOND


Step = Callable[[Account, float], list[Entry]]
STEPS: dict[str, Step] = {
    "still": lambda a, t: recording.record_counted(
        a, counted(t, a.counted.sectors_read if a.counted else 0)
    ),
    "moved": lambda a, t: recording.record_counted(
        a, counted(t, (a.counted.sectors_read if a.counted else 0) + 8)
    ),
    "spinning": lambda a, t: recording.record_answered(
        a, reported(t, Mode.ACTIVE_OR_IDLE, after_s=0)
    ),
    "standby": lambda a, t: recording.record_answered(a, reported(t, Mode.STANDBY, after_s=0)),
    "refused": lambda a, t: recording.record_answered(a, refused(t, Reason.RESERVED, after_s=0)),
    "gone": lambda a, t: recording.record_gone(a, round(t * SECOND)),
    "seen": lambda a, t: recording.record_seen(a, DISK, round(t * SECOND)),
}


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(sorted(STEPS)), st.sampled_from([1, 5, 60, 4000])), max_size=60
    )
)
def test_the_record_balances(steps: list[tuple[str, int]]) -> None:
    """Seconds add up, spans and transitions agree, cycles leave standby, nothing falls."""
    account = fresh()
    entries: list[Entry] = []
    at_s = 0.0
    last: Mapping[State, int] = {}
    for name, wait_s in steps:
        at_s += wait_s
        if name in ("still", "moved") and not account.present:
            continue
        entries += STEPS[name](account, at_s)
        now = lifetime(account).state_ns
        assert sum(now.values()) == account.at_ns
        assert all(now[state] >= value for state, value in last.items())
        last = now
    spans = [e for e in entries if isinstance(e, Span)] + [recording.open_span(account)]
    assert sum(s.ended_ns - s.began_ns for s in spans) == account.at_ns
    for before, after in pairwise(spans):
        assert before.ended_ns == after.began_ns
    stretches = [e for e in entries if isinstance(e, Stretch)] + [account.open_stretch()]
    active = sum(s.ended_ns - s.began_ns for s in stretches if s.state is State.ACTIVE)
    assert active == sum(s.active_ns for s in spans)
    exits = [
        e
        for e in entries
        if isinstance(e, Transition) and e.before is State.STANDBY and e.after.spinning
    ]
    cycles = [e for e in entries if isinstance(e, Cycle)]
    assert [e.at_ns for e in exits] == [e.at_ns for e in cycles]
    slept = [e.ended_ns for e in spans[:-1] if e.state == "standby"]
    left = [e.at_ns for e in entries if isinstance(e, Transition) and e.before is State.STANDBY]
    assert slept == left
