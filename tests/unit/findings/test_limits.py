"""Findings that compare a disk with its limits, or say that it is not watched.

That each begins at its limit and ends is in tests/packs/test_agreement.py, against the alerts.
These tests are about what the folds keep, what the evidence says, and the loop's absent disks.
"""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from random import Random

import pytest

from spinledger.app.publishers import Latest
from spinledger.facts import CycleWindow
from spinledger.findings.ageing import Gained, Missed
from spinledger.findings.awake import LastUse
from spinledger.findings.judge import findings
from spinledger.findings.limits import over_cycle_limit
from spinledger.ledger import dumps, recording
from spinledger.model import (
    DAY,
    HOUR,
    MINUTE,
    SECOND,
    Cycle,
    Policy,
    Reading,
    Severity,
    State,
    Stretch,
    Tick,
    Worn,
)
from spinledger.sim.shelf import Plug
from spinledger.wear.budget import HOLD_NS, RecentCycles
from tests.fakes.facts import WALL_NS
from tests.fakes.found import HOUR_S, MINUTE_S, by_hand, codes, only, watch
from tests.fakes.watching import kind

POLICY = Policy()
EVERY_MIN = 3  # a judgement


def test_the_worst_window_is_named_and_not_the_longest() -> None:
    """12 of 9 in an hour is further over than 60 of 54 in a day."""
    plain = by_hand().facts
    now = plain.sampled_wall_ns
    windows = {
        **plain.windows,
        "1h": CycleWindow(12, 9, now - 5 * MINUTE, now - HOUR),
        "1d": CycleWindow(60, 54, now, now - 2 * HOUR),
    }
    seen = by_hand(facts={"windows": windows})
    found = only(seen, "over_cycle_limit")
    assert found.evidence == (
        "12 spin-ups in the last 1 h, limit 9, last reached 5 min ago; the budget is 24 a day "
        "(default)"
    )
    assert found.since_wall_ns == now - 2 * HOUR
    assert found.severity is Severity.PAGE


def test_since_when_a_limit_holds() -> None:
    """The beginning of the last run of spin-ups at the limit that pauses for less than it holds."""
    fold = RecentCycles()
    at = [*range(0, 100, 5), *range(460, 560, 5), *range(800, 900, 5)]
    for number, minute in enumerate(at):
        fold.step(Cycle(number, "d", minute * MINUTE, WALL_NS, True), POLICY)
    window = fold.totals(900 * MINUTE, WALL_NS, POLICY)["1h"]
    limit = window.limit
    assert window.reached_wall_ns == WALL_NS + 895 * MINUTE
    # The second run reached the limit more than six hours after the first, the third did not.
    assert window.since_wall_ns == WALL_NS + (460 + 5 * (limit - 1)) * MINUTE
    assert HOLD_NS == 6 * HOUR


@pytest.mark.parametrize("jitter_s", [0, 60])
def test_a_count_that_stands_at_its_limit_begins_one_finding(jitter_s: int) -> None:
    """A waker every 1,578 s on the default budget: 54 and 55 spin-ups a day in turn, the limit is
    55. The count crosses it hundreds of times in 20 days; the finding begins once, and ends within
    six hours of the last such spin-up."""
    fold, plain, random = RecentCycles(), by_hand().facts, Random(1)
    held: list[bool] = []
    over: list[bool] = []
    number = at = 0
    for minute in range(0, 21 * 1440, EVERY_MIN):
        now = minute * MINUTE
        while at <= now and at < 20 * DAY:
            fold.step(Cycle(number, "d", at, at, True), POLICY)
            number += 1
            at = number * 1578 * SECOND + random.randint(-jitter_s, jitter_s) * SECOND
        windows = fold.totals(now, 0, POLICY)
        over.append(windows["1d"].count >= windows["1d"].limit)
        held.append(bool(over_cycle_limit(replace(plain, sampled_wall_ns=now, windows=windows))))
    onsets = [sum(b and not a for a, b in pairwise(one)) for one in (held, over)]
    assert onsets[0] == 1
    assert onsets[1] > 400
    assert not held[-1]
    ended = max(minute for minute, one in enumerate(held) if one)
    assert ended * EVERY_MIN - 20 * 1440 < 360


@pytest.mark.parametrize(
    ("sectors", "every_s", "used"),
    [
        (64, 240, False),  # a watcher: 32 KiB every four minutes
        (16, 5, False),  # a journal's commits
        (1200, 1, True),  # a film of 5 Mbit/s
        (40_000, 2, True),  # a scrub
    ],
)
def test_what_counts_as_use(sectors: int, every_s: int, used: bool) -> None:
    """16 MiB within ten minutes, however the requests come."""
    fold = LastUse()
    for second in range(0, 3600, every_s):
        began = second * SECOND
        fold.step(
            Stretch("d", State.ACTIVE, True, began, began + SECOND, sectors, 0, 0, WALL_NS), POLICY
        )
    last = fold.totals(Stretch("d", State.IDLE, True, HOUR, HOUR, 0, 0, 0, WALL_NS))
    assert (last is not None) == used
    if last is not None:
        assert WALL_NS + HOUR - last <= 2 * every_s * SECOND


def test_one_long_stretch_counts_by_its_pace() -> None:
    """A scrub of a day is one stretch; a day of a few sectors is none."""
    for sectors, used in ((4_000_000_000, True), (3_000_000, False)):
        open_one = Stretch("d", State.ACTIVE, True, 0, DAY, sectors, 0, 0, WALL_NS)
        assert LastUse().totals(open_one) == (WALL_NS + DAY if used else None)


def test_missed_spin_ups_are_repeated_at_the_third_reading() -> None:
    """Of one reading all have its time; a lump after a stop is a single one."""
    fold, number = Missed(), 0
    for hours, missed in ((0, 40), (1, 1), (9, 2), (10, 1)):
        for _ in range(missed):
            number += 1
            fold.step(Cycle(number, "d", 0, hours * HOUR, False), POLICY)
        fold.step(Cycle(number, "d", 0, hours * HOUR + 1, True), POLICY)
        assert fold.totals() is None
    fold.step(Cycle(number + 1, "d", 0, 11 * HOUR, False), POLICY)
    assert fold.totals() == 11 * HOUR


def test_retracts_and_power_cycles_of_a_week() -> None:
    """Gained over the days that are kept; a drive that does not count both gives nothing."""
    fold = Gained("retracts", "power_cycles")
    for day in range(20):
        worn = Worn("d", 0, None, None, 40 + day, None, None, None, None, "", retracts=3 * day)
        fold.step(Reading("d", 0, day * DAY, worn, "accepted"), POLICY)
        silent = replace(worn, retracts=None)
        fold.step(Reading("d", 0, day * DAY + HOUR, silent, "accepted"), POLICY)
    assert fold.totals() == (21, 7, 7 * DAY)


def test_a_disk_that_goes_and_comes_back() -> None:
    """Gone it is a finding of its own after ten minutes, with what else is new; back, none."""
    out, back = 3 * HOUR, 5 * HOUR
    plugs = (Plug(out, 0, False), Plug(back, 0, True))
    watched = watch(kind("plain", 20 * MINUTE_S), [1], 2 * HOUR_S, plugs=plugs)

    def gone(until_s: float) -> list[tuple[str, int | None]]:
        newest = watched.run(until_s).kept.snapshots[-1]
        return [(one.code, one.since_wall_ns) for view in newest.absent for one in view.findings]

    assert gone(2 * HOUR_S) == []
    assert gone(3 * HOUR_S + 9 * MINUTE_S) == []
    ((code, since),) = gone(4 * HOUR_S)
    assert code == "absent"
    assert since is not None
    assert abs(since - WALL_NS - out) <= 5 * SECOND
    assert watched.kept.snapshots[-1].disks == ()
    assert gone(6 * HOUR_S) == []
    assert watched.kept.snapshots[-1].absent == ()


def test_a_stop_of_the_exporter_is_no_unknown_state() -> None:
    """After two hours without the exporter nothing is known yet: that is unobserved time."""
    watched = watch(kind("plain", 20 * MINUTE_S), [1], HOUR_S)
    account, at_ns = watched.account, watched.account.at_ns + 2 * HOUR
    recording.resume(account, Tick(at_ns, WALL_NS + at_ns, "boot", 0), True)
    recording.record_seen(account, account.disk, at_ns)
    assert account.state is State.UNOBSERVED
    assert "state_unknown" not in codes(watched.view)


def test_a_snapshot_that_grows_old_says_so() -> None:
    """A loop that hangs publishes nothing: five minutes later its disks are not sampled."""
    watched = watch(kind("plain", 20 * MINUTE_S), [1], HOUR_S)
    clock = [watched.kept.snapshots[-1].at_ns]
    latest = Latest(lambda: clock[0])
    latest.publish(watched.kept.snapshots[-1])
    for later, found in ((5 * MINUTE - 6 * SECOND, False), (5 * MINUTE + 6 * SECOND, True)):
        clock[0] = watched.kept.snapshots[-1].at_ns + later
        newest = latest.current()
        assert newest is not None
        codes = {one.code for one in newest.disks[0].findings}
        assert ("not_sampled" in codes) == found


def test_a_finding_keeps_its_beginning_over_a_restart() -> None:
    """Where its facts do not give one, it is when the finding was first published."""
    watched = watch(kind("restarts_on_probe", 20 * MINUTE_S), [1], 3 * HOUR_S)
    since = watched.account.found["probes_restart_timer"]
    later = watched.run(4 * HOUR_S)
    assert only(later.view, "probes_restart_timer").since_wall_ns == since
    again = dumps.load(json.loads(json.dumps(dumps.dump(watched.account))))
    assert again.found["probes_restart_timer"] == since


def test_the_worst_comes_first() -> None:
    """A page, then tickets, then notes; within these the order of the table."""
    plain = by_hand().facts
    now = plain.sampled_wall_ns
    over = {**plain.windows, "1d": CycleWindow(60, 54, now, now)}
    seen = by_hand(facts={"windows": over, "timer_restarted": True}, iostats=False)
    assert [one.code for one in findings(seen.facts)] == [
        "over_cycle_limit",
        "probes_restart_timer",
        "sectors_not_counted",
    ]
