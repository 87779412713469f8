"""The folds that findings rest on: against brute force, and over a restart."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from math import ceil, exp, log

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from spinledger.findings.ageing import Parking, Waits
from spinledger.findings.awake import Holding
from spinledger.findings.conditions import EAGER_NAPS, EAGER_SHARE
from spinledger.findings.intervals import AGREEING, BEATS, Beats
from spinledger.findings.lately import KEPT, Lately, Naps
from spinledger.model import (
    DAY,
    HOUR,
    MINUTE,
    SECOND,
    Entry,
    Explained,
    Gap,
    Reading,
    State,
    Stretch,
    Worn,
)
from spinledger.ports import Fold

MAKERS: dict[str, Callable[[], Fold]] = {
    "lately": Lately,
    "naps": lambda: Naps(20 * MINUTE),
    "holding": Holding,
    "beats": lambda: Beats(5 * SECOND),
    "waits": Waits,
    "parking": Parking,
}

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
        made.append(Explained(number, "d", began, "read", "", "", 9 * SECOND + number))
        worn = Worn("d", began, number, 5 * number, 9, None, None, None, None, "test")
        made.append(Reading("d", began, began + number * DAY // 2, worn, "accepted"))
    return made


def feed(fold: Fold, entries: Sequence[Entry]) -> None:
    """As the keeper does."""
    for entry in entries:
        if type(entry) in fold.eats:
            fold.step(entry)


@pytest.mark.parametrize("name", MAKERS)
@given(drawn=STRETCHES, cut=st.integers(0, 60), hours=st.integers(-100, 100))
def test_a_fold_goes_on_after_a_restart(
    name: str, drawn: list[tuple[State, int, bool]], cut: int, hours: int
) -> None:
    """Dumped as JSON, loaded and moved to another boot's clock it tells the same as one that was
    never stopped; `totals` changes nothing.
    """
    fold, entries = MAKERS[name](), stretches(drawn)
    ahead = [*entries[cut:], *others(entries[-1].ended_ns if entries else 0)]
    feed(fold, entries[:cut])
    twin = MAKERS[name]()
    twin.load(json.loads(json.dumps(fold.dump())))
    twin.rebase(hours * HOUR)
    twin.rebase(-hours * HOUR)
    fold.totals(entries[-1:])
    feed(fold, ahead)
    feed(twin, ahead)
    open_one = Stretch("d", State.IDLE, False, 10**18, 10**18 + 9 * SECOND)
    assert twin.totals((open_one,)) == fold.totals((open_one,))
    assert twin.dump() == fold.dump()
    assert fold.name == name
    assert set(fold.totals(())) == set(fold.gauges)


@given(STRETCHES)
def test_the_last_day_is_a_plain_sum(drawn: list[tuple[State, int, bool]]) -> None:
    """Seconds by state since the beginning of the 23rd boot hour before this one, added up by
    overlap; the open stretch counts as a booked one does.
    """
    fold, entries = Lately(), stretches(drawn)
    feed(fold, entries[:-1])
    result = fold.totals(entries[-1:])["day_state_seconds"]
    now = entries[-1].ended_ns if entries else 0
    first = (now // HOUR - 23) * HOUR
    for state in State:
        overlaps = (e.ended_ns - max(e.began_ns, first) for e in entries if e.state is state)
        assert result[(state.value,)] == sum(max(0, one) for one in overlaps) / SECOND


@given(STRETCHES)
def test_the_longest_idle_run_is_found(drawn: list[tuple[State, int, bool]]) -> None:
    """Against a walk over all stretches since the last standby."""
    fold, entries = Holding(), stretches(drawn)
    feed(fold, entries)
    last = max((n for n, e in enumerate(entries) if e.state is State.STANDBY), default=-1)
    longest = run = 0
    for entry in entries[last + 1 :]:
        run = run + entry.ended_ns - entry.began_ns if entry.state is State.IDLE else 0
        longest = max(longest, run)
    result = fold.totals(entries[-1:] and [replace_open(entries[-1])])["awake"]
    if entries:
        assert result[("longest_idle_seconds",)] == longest / SECOND
        assert result[("slept",)] == int(last >= 0)


def replace_open(stretch: Stretch) -> Stretch:
    """The stretch that has just begun where that one ended."""
    return Stretch("d", State.UNKNOWN, False, stretch.ended_ns, stretch.ended_ns)


def test_naps_are_bounded() -> None:
    """Of a thousand sleeps the last 64 are kept, and in a week without any all are forgotten."""
    fold = Naps(20 * MINUTE)
    drawn = [(State.STANDBY, MINUTE, False), (State.ACTIVE, MINUTE, False)] * 1000
    entries = stretches(drawn)
    feed(fold, entries)
    now = entries[-1].ended_ns
    result = fold.totals([Stretch("d", State.IDLE, False, now, now)])["naps"]
    assert result[("count",)] == result[("daytime_short",)] == KEPT
    assert result[("span_seconds",)] == KEPT * 120
    later = Stretch("d", State.IDLE, False, now, now + 8 * DAY)
    assert fold.totals([later]) == {"naps": {}}


def test_a_sleep_nobody_saw_whole_counts_what_was_seen() -> None:
    """Standby, an hour unobserved, standby, awake: one sleep of the two seen parts."""
    fold = Naps()
    drawn = [
        (State.STANDBY, MINUTE, True),
        (State.UNOBSERVED, HOUR, True),
        (State.STANDBY, MINUTE, True),
        (State.ACTIVE, 5 * SECOND, True),
    ]
    feed(fold, stretches(drawn))
    result = fold.totals(())["naps"]
    assert (result[("count",)], result[("daytime",)], result[("asleep_seconds",)]) == (1, 0, 120)


def test_chance_makes_no_beat() -> None:
    """The claim of `beats`: 18 of 24 exponential gaps of median 3 q within q of it, about 1e-7
    (binomial tail by scipy).
    """
    mean = 3 / log(2)
    within = exp(-2 / mean) - exp(-4 / mean)
    assert binom.sf(AGREEING - 1, BEATS, within) == pytest.approx(1e-7, rel=0.5)


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
def test_which_intervals_are_a_beat(period_s: int, wobble_s: int, held: bool) -> None:
    """From three samples to an hour, and within one sample of the median."""
    fold, at = Beats(5 * SECOND), 0
    for number in range(BEATS + 1):
        at += (period_s + (0, wobble_s, -wobble_s)[number % 3]) * SECOND
        fold.step(Gap("d", at - 10 * SECOND, at, at, False))
    now = Stretch("d", State.ACTIVE, False, at, at)
    result = fold.totals([now])["beat"]
    assert result == ({("seconds",): period_s, ("agreeing",): BEATS} if held else {})


def test_a_still_sample_pair_ends_restlessness() -> None:
    """One still sample is jitter, two are rest; the sums begin anew."""
    fold = Beats(5 * SECOND)
    busy = [(State.ACTIVE, 30 * MINUTE, False), (State.IDLE, 5 * SECOND, False)] * 3
    entries = stretches(busy)
    feed(fold, entries)
    now = entries[-1].ended_ns
    result = fold.totals([Stretch("d", State.ACTIVE, False, now, now)])["restless"]
    assert result == {
        ("seconds",): 5415,
        ("sectors_read",): 24,
        ("sectors_written",): 48,
        ("light_seconds",): 2700,
    }
    rested = Stretch("d", State.IDLE, False, now, now + 10 * SECOND)
    assert fold.totals([rested])["restless"] == {}


def test_chance_makes_no_eager_sleeper() -> None:
    """The claim of `evidence`: mean gap of twice the timer, 17 of 24 sleeps short, once in 500
    (exponential gaps, binomial tail by scipy).
    """
    short = 1 - exp(-0.5)
    assert 1 / 600 < binom.sf(ceil(EAGER_NAPS * EAGER_SHARE) - 1, EAGER_NAPS, short) < 1 / 500
