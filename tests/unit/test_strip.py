"""The strip's counts: bins, shares, and hours. Reference: sums worked out by hand."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spinledger import strip
from spinledger.model import DAY, HOUR, MINUTE, SECOND
from spinledger.strip import STATES, DiskHistory, Period, Range, SpinUp

NOW = 1_790_000_000 * SECOND  # Monday 2026-09-21 14:13:20 UTC (date -u -d @1790000000)
RANGES = (Range("d", "", DAY, 2 * MINUTE), Range("w", "", 7 * DAY, HOUR))
LENGTHS = st.lists(
    st.tuples(st.sampled_from(STATES), st.integers(1, 40 * 3600), st.integers(0, 100)),
    min_size=1,
    max_size=40,
)


def periods_of(lengths: list[tuple[str, int, int]]) -> list[Period]:
    """Periods that end now, of a state, seconds, and percent active."""
    at = NOW - sum(seconds for _, seconds, _ in lengths) * SECOND
    made = []
    for state, seconds, part in lengths:
        ended = at + seconds * SECOND
        active = (ended - at) * part // 100 if state == "spinning" else 0
        made.append(Period(at, ended, state, active))
        at = ended
    return made


@given(LENGTHS, st.sampled_from(RANGES))
def test_bins_hold_exactly_the_recorded_time(
    lengths: list[tuple[str, int, int]], shown: Range
) -> None:
    """Over all bins each state has the nanoseconds that its periods share with the range."""
    periods = periods_of(lengths)
    counted = strip.strip(DiskHistory(tuple(periods)), shown, NOW)
    start = NOW - shown.span_ns
    for state in STATES:
        recorded = sum(
            max(0, period.ended - max(period.began, start))
            for period in periods
            if period.state == state
        )
        assert sum(counted.states[state]) == recorded
    sums = [sum(row) for row in zip(*counted.states.values(), strict=True)]
    assert max(sums) <= shown.bin_ns
    assert all(
        active <= spinning
        for active, spinning in zip(counted.active, counted.states["spinning"], strict=True)
    )


def test_the_share_asleep_is_of_the_known_time() -> None:
    """6 h asleep and 2 h spinning are 75 %, whatever was unknown beside them."""
    periods = (
        Period(NOW - 20 * HOUR, NOW - 8 * HOUR, "unobserved", 0),
        Period(NOW - 8 * HOUR, NOW - 2 * HOUR, "standby", 0),
        Period(NOW - 2 * HOUR, NOW, "spinning", 0),
    )
    counted = strip.strip(DiskHistory(periods), RANGES[0], NOW)
    assert counted.asleep_ratio == 0.75
    assert strip.strip(DiskHistory(periods[:1]), RANGES[0], NOW).asleep_ratio is None
    assert strip.slept(DiskHistory(periods), NOW - 4 * HOUR, NOW).ratio == 0.5
    assert strip.observed_ns(DiskHistory(periods), NOW - 10 * HOUR, NOW) == 8 * HOUR


@pytest.mark.parametrize(
    ("asleep_h", "unknown_h", "enough"),
    [(6, 0, True), (5, 0, True), (4, 0, False), (4, 2, None), (2, 2, False), (0, 10, None)],
)
def test_time_that_is_not_known_decides_nothing(
    asleep_h: int, unknown_h: int, enough: bool | None
) -> None:
    """Of ten hours at least half: too little only if the unknown time could not make up for it."""
    began = NOW - 10 * HOUR
    woke, lost = began + asleep_h * HOUR, began + (asleep_h + unknown_h) * HOUR
    periods = (
        Period(began - HOUR, woke, "standby", 0),
        Period(woke, lost, "unknown", 0),
        Period(lost, NOW + HOUR, "spinning", 0),
    )
    assert strip.slept(DiskHistory(periods), began, NOW).at_least(0.5) is enough


def test_active_time_is_shared_by_length() -> None:
    """Half of a period that was active for an hour counts for half an hour."""
    history = DiskHistory((Period(NOW - 4 * HOUR, NOW, "spinning", HOUR),))
    assert strip.slept(history, NOW - 2 * HOUR, NOW) == (0, 2 * HOUR, HOUR // 2, 2 * HOUR)


def test_what_is_older_is_not_counted() -> None:
    """A period and a spin-up of last week are not in the last day; a spin-up at its start is."""
    week_ago = Period(NOW - 8 * DAY, NOW - 7 * DAY, "standby", 0)
    spin_ups = (SpinUp(NOW - 7 * DAY, True), SpinUp(NOW - DAY, True))
    counted = strip.strip(DiskHistory((week_ago,), spin_ups), RANGES[0], NOW)
    assert sum(map(sum, counted.states.values())) == 0
    assert list(counted.spin_ups) == [1] + [0] * (RANGES[0].bins - 1)


def test_spin_ups_by_local_hour() -> None:
    """13:13 UTC is 15:13 in Prague's summer; older ones are left out."""
    ups = tuple(SpinUp(NOW - HOUR - day * DAY, True) for day in reversed(range(9)))
    week = strip.spin_ups(DiskHistory(spin_ups=ups), NOW - 7 * DAY, NOW)
    counts = strip.by_hour(week, ZoneInfo("Europe/Prague"))
    assert counts == [7 if hour == 15 else 0 for hour in range(24)]
