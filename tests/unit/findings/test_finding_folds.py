"""The folds that findings rest on: against brute force, and over a restart."""

from __future__ import annotations

import json
from collections.abc import Sequence
from math import ceil, exp, log

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from spinledger.facts import Repeated, Restless
from spinledger.findings.awake import SinceSleep
from spinledger.findings.conditions import EAGER_SHARE, EAGER_SLEEPS
from spinledger.findings.intervals import AGREEING, INTERVALS, Intervals
from spinledger.findings.lately import KEPT, LastDay, LastSleeps
from spinledger.ledger.folds import Fold, Folds
from spinledger.model import (
    DAY,
    HOUR,
    MINUTE,
    SECOND,
    Cycle,
    Entry,
    Explained,
    Gap,
    Policy,
    Reading,
    State,
    Stretch,
    Worn,
)

POLICY = Policy(declared_ns=20 * MINUTE, candidates_ns=(10 * MINUTE,))
NAMES = [name for name, _ in Folds().named()]

LENGTHS = st.sampled_from([5 * SECOND, MINUTE, 30 * MINUTE, 3 * HOUR]) | st.integers(1, 2 * DAY)
STRETCHES = st.lists(st.tuples(st.sampled_from(State), LENGTHS, st.booleans()), max_size=60)


def stretches(drawn: Sequence[tuple[State, int, bool]], at_ns: int = 7 * HOUR) -> list[Stretch]:
    """Stretches without a hole between them; active ones moved some sectors."""
    made = []
    for state, length, quiet in drawn:
        moved = 8 if state is State.ACTIVE else 0
        light = length // 2 if moved else 0
        made.append(Stretch("d", state, quiet, at_ns, at_ns + length, moved, 2 * moved, light))
        at_ns += length
    return made


def others(at_ns: int) -> list[Entry]:
    """Entries of the other kinds, one of each for every minute."""
    made: list[Entry] = []
    for number in range(60):
        began = at_ns + number * MINUTE
        made.append(Gap("d", began, began + 30 * SECOND, began, False))
        made.append(Cycle(number, "d", began, began, True))
        made.append(Explained(number, "d", began, "read", "", "", 9 * SECOND + number))
        worn = Worn("d", began, number, 5 * number, 9, None, None, None, None, "test")
        made.append(Reading("d", began, began + number * DAY // 2, worn, "accepted"))
    return made


def feed(fold: Fold, entries: Sequence[Entry]) -> None:
    """As the recording does."""
    for entry in entries:
        if type(entry) in fold.eats:
            fold.step(entry, POLICY)


@pytest.mark.parametrize("name", NAMES)
@given(drawn=STRETCHES, cut=st.integers(0, 60), hours=st.integers(-100, 100))
def test_a_fold_goes_on_after_a_restart(
    name: str, drawn: list[tuple[State, int, bool]], cut: int, hours: int
) -> None:
    """Dumped as JSON, loaded and moved to another boot's clock it ends in the same state as one
    that was never stopped.
    """
    fold, entries = dict(Folds().named())[name], stretches(drawn)
    ahead = [*entries[cut:], *others(entries[-1].ended_ns if entries else 0)]
    feed(fold, entries[:cut])
    twin = dict(Folds().named())[name]
    twin.load(json.loads(json.dumps(fold.dump())))
    twin.rebase(hours * HOUR)
    twin.rebase(-hours * HOUR)
    feed(fold, ahead)
    feed(twin, ahead)
    assert json.dumps(twin.dump()) == json.dumps(fold.dump())


@given(STRETCHES)
def test_the_last_day_is_a_plain_sum(drawn: list[tuple[State, int, bool]]) -> None:
    """Seconds by state since the beginning of the 23rd boot hour before this one, added up by
    overlap; the open stretch counts as a recorded one does.
    """
    fold, entries = LastDay(), stretches(drawn)
    feed(fold, entries[:-1])
    result = fold.totals(entries[-1] if entries else Stretch("d", State.IDLE, False, 0, 0))
    now = entries[-1].ended_ns if entries else 0
    first = (now // HOUR - 23) * HOUR
    for state in State:
        overlaps = (e.ended_ns - max(e.began_ns, first) for e in entries if e.state is state)
        assert result[state] == sum(max(0, one) for one in overlaps)


@given(STRETCHES)
def test_the_longest_idle_run_is_found(drawn: list[tuple[State, int, bool]]) -> None:
    """Against a walk over all stretches since the last standby."""
    fold, entries = SinceSleep(), stretches(drawn)
    feed(fold, entries)
    last = max((n for n, e in enumerate(entries) if e.state is State.STANDBY), default=-1)
    longest = run = 0
    for entry in entries[last + 1 :]:
        run = run + entry.ended_ns - entry.began_ns if entry.state is State.IDLE else 0
        longest = max(longest, run)
    if entries:
        awake = fold.totals(just_begun(entries[-1]))
        assert awake is not None
        assert awake.longest_idle_ns == longest
        assert awake.slept == (last >= 0)


def just_begun(stretch: Stretch) -> Stretch:
    """The stretch that has just begun where that one ended."""
    return Stretch("d", State.UNKNOWN, False, stretch.ended_ns, stretch.ended_ns)


def test_sleeps_are_bounded() -> None:
    """Of a thousand sleeps the last 64 are kept, and in a week without any all are forgotten."""
    fold = LastSleeps()
    drawn = [(State.STANDBY, MINUTE, False), (State.ACTIVE, MINUTE, False)] * 1000
    entries = stretches(drawn)
    feed(fold, entries)
    now = entries[-1].ended_ns
    sleeps = fold.totals(Stretch("d", State.IDLE, False, now, now), POLICY)
    assert sleeps is not None
    assert sleeps.count == sleeps.daytime_short == KEPT
    assert sleeps.span_ns == KEPT * 2 * MINUTE
    assert fold.totals(Stretch("d", State.IDLE, False, now, now + 8 * DAY), POLICY) is None


def test_a_sleep_observed_in_part_counts_what_was_observed() -> None:
    """Standby, an hour unobserved, standby, awake: one sleep of the two observed parts."""
    fold = LastSleeps()
    drawn = [
        (State.STANDBY, MINUTE, True),
        (State.UNOBSERVED, HOUR, True),
        (State.STANDBY, MINUTE, True),
        (State.ACTIVE, 5 * SECOND, True),
    ]
    entries = stretches(drawn)
    feed(fold, entries)
    sleeps = fold.totals(just_begun(entries[-1]), POLICY)
    assert sleeps is not None
    assert (sleeps.count, sleeps.daytime, sleeps.asleep_ns) == (1, 0, 2 * MINUTE)


def test_chance_makes_no_fixed_interval() -> None:
    """The claim of `intervals`: 18 of 24 exponential gaps of median 3 q within q of it, about 1e-7
    (binomial tail by scipy).
    """
    mean = 3 / log(2)
    within = exp(-2 / mean) - exp(-4 / mean)
    assert binom.sf(AGREEING - 1, INTERVALS, within) == pytest.approx(1e-7, rel=0.5)


@pytest.mark.parametrize(
    ("period_s", "wobble_s", "held"),
    [
        (15, 0, True),
        (30, 5, True),
        (30, 6, False),
        (10, 0, False),
        (3600, 0, True),
        (3605, 0, False),
    ],
)
def test_which_intervals_are_fixed(period_s: int, wobble_s: int, held: bool) -> None:
    """From three samples to an hour, and within one sample of the median."""
    fold, at = Intervals(), 0
    for number in range(INTERVALS + 1):
        at += (period_s + (0, wobble_s, -wobble_s)[number % 3]) * SECOND
        fold.step(Gap("d", at - 10 * SECOND, at, at, False), POLICY)
    found = fold.repeated(at, POLICY)
    assert found == (Repeated(period_s * SECOND, INTERVALS) if held else None)


def test_a_still_sample_pair_ends_restlessness() -> None:
    """One still sample is jitter, two are rest; the sums begin anew."""
    fold = Intervals()
    busy = [(State.ACTIVE, 30 * MINUTE, False), (State.IDLE, 5 * SECOND, False)] * 3
    entries = stretches(busy)
    feed(fold, entries)
    now = entries[-1].ended_ns
    found = fold.restless(Stretch("d", State.ACTIVE, False, now, now), POLICY)
    assert found == Restless(5415 * SECOND, 24, 48, 2700 * SECOND)
    rested = Stretch("d", State.IDLE, False, now, now + 10 * SECOND)
    assert fold.restless(rested, POLICY) is None


def test_chance_makes_no_eager_sleeper() -> None:
    """The claim of `conditions`: mean gap of twice the timer, 17 of 24 sleeps short, once in 500
    (exponential gaps, binomial tail by scipy).
    """
    short = 1 - exp(-0.5)
    assert 1 / 600 < binom.sf(ceil(EAGER_SLEEPS * EAGER_SHARE) - 1, EAGER_SLEEPS, short) < 1 / 500


def test_no_dump_holds_a_policy() -> None:
    """A fold's state does not change with the policy that its totals are asked under."""
    for name, fold in Folds().named():
        text = json.dumps(fold.dump())
        for word in ("watts", "budget", "rated_load", "declared", "quiet_asleep"):
            assert word not in text, name
