"""Arrivals of the scenario: a function of seed, disk and hour; laws, local time and faults."""

from __future__ import annotations

from datetime import UTC, date, datetime
from itertools import pairwise, takewhile
from math import sqrt
from zoneinfo import ZoneInfo

import pytest

from spinledger.errors import BadInput
from spinledger.model import DAY, HOUR, MINUTE, SECOND
from spinledger.sim.arrivals import Scenario, falls_on
from spinledger.sim.drive import Burst, Op
from spinledger.sim.faults import FAULTS, order
from spinledger.sim.shelf import SimulatedShelf
from spinledger.sim.workload import HOSTS, PROCESSES, Days, Law, Process, Reach

PRAGUE = ZoneInfo("Europe/Prague")


def wall(
    year: int, month: int, day: int, hour: int = 0, minute: int = 0, *, zone: ZoneInfo | None = None
) -> int:
    """A wall time in nanoseconds since the epoch."""
    moment = datetime(year, month, day, hour, minute, tzinfo=zone or UTC)
    return int(moment.timestamp()) * SECOND


def scenario(seed: int = 1, faults: tuple[str, ...] = (), disks: int = 8) -> Scenario:
    """The attic in Prague, with the boot clock equal to the wall clock."""
    return Scenario(seed, "attic", disks, PRAGUE, 0, order(faults, PRAGUE))


def window(one: Scenario, place: int, from_ns: int, to_ns: int) -> list[Burst]:
    """What begins in a window."""
    return list(takewhile(lambda burst: burst.began_ns < to_ns, one.feed(place, from_ns)))


@pytest.mark.parametrize("place", range(8))
def test_a_window_is_the_same_from_wherever_one_starts(place: int) -> None:
    """Arrivals of one day are equal whether drawn with three days of history or without."""
    begins, ends = wall(2026, 4, 4, 13, 20), wall(2026, 4, 5, 13, 20)
    fresh = window(scenario(), place, begins, ends)
    long = window(scenario(), place, begins - 3 * DAY, ends)
    assert [burst for burst in long if burst.began_ns >= begins] == fresh
    assert fresh == sorted(fresh)
    assert fresh


def test_a_feed_ends_where_nothing_more_arrives(monkeypatch: pytest.MonkeyPatch) -> None:
    """No process, only another member's, or one that ended: the feed ends, and a drive goes on."""
    first = Process("reader", "frames", Law.PERIODIC, 600.0, Op.READ, Reach.FIRST, 8)
    monkeypatch.setitem(PROCESSES, "attic", (first,))
    one = scenario(faults=("journal_every_5s@2026-04-04T12:00/2026-04-04T12:01",))
    begins = wall(2026, 4, 4, zone=PRAGUE)
    assert list(one.feed(7, begins)) == []
    assert list(one.feed(3, begins)) == []
    assert sum(burst.ticks for burst in one.feed(1, begins)) == 12
    assert next(one.feed(2, begins)).actor == "reader"
    shelf = SimulatedShelf(1, 0, begins, zone="Europe/Prague")
    asleep = shelf.truth(DAY)["sim-attic-darks-1"]
    assert (asleep.cycles, asleep.stopped_ns) == (0, DAY)


def test_seeds_differ_and_repeat() -> None:
    """The same seed gives the same arrivals, another seed others."""
    spans = (wall(2026, 4, 4), wall(2026, 4, 5))
    assert window(scenario(1), 6, *spans) == window(scenario(1), 6, *spans)
    assert window(scenario(1), 6, *spans) != window(scenario(2), 6, *spans)


def test_counts_of_a_poisson_process_are_poisson() -> None:
    """Hourly counts of the indexer have mean and variance of its rate (Poisson law)."""
    rate = next(p.rate for p in PROCESSES["attic"] if p.actor == "indexer")
    one, hours = scenario(), 3000
    first = wall(2026, 2, 1) // HOUR
    counts = [
        sum(burst.actor == "indexer" for burst in one.hour(first + hour)[6])
        for hour in range(hours)
    ]
    mean = sum(counts) / hours
    variance = sum((count - mean) ** 2 for count in counts) / (hours - 1)
    assert abs(mean - rate) < 4 * sqrt(rate / hours)
    # The variance of a sample variance of Poisson counts: (rate + 2 rate^2) / n.
    assert abs(variance - rate) < 4 * sqrt((rate + 2 * rate**2) / hours)


def test_a_mirror_write_reaches_both_members_and_a_small_read_one() -> None:
    """A read wakes one of two mirrors, a write both: seen with md on Linux 6.1."""
    one = scenario()
    spans = (wall(2026, 3, 2), wall(2026, 3, 9))
    left, right = window(one, 0, *spans), window(one, 1, *spans)

    def by(bursts: list[Burst], op: Op, actor: str) -> set[int]:
        return {b.began_ns for b in bursts if b.op is op and b.actor == actor}

    writes = by(left, Op.WRITE, "capture")
    assert writes
    assert writes == by(right, Op.WRITE, "capture")
    reads = by(left, Op.READ, "gallery"), by(right, Op.READ, "gallery")
    assert all(reads)
    assert not reads[0] & reads[1]


def test_a_long_read_walks_from_member_to_member() -> None:
    """Stripes wake one after another, nine seconds apart (a walk of the table)."""
    one = scenario()
    spans = (wall(2026, 3, 2, 20), wall(2026, 3, 3, 12))
    begun = [
        [b.began_ns for b in window(one, place, *spans) if b.actor == "mira" and b.ticks > 60]
        for place in (2, 3, 4, 5)
    ]
    assert begun[0]
    late = [lane[0] - begun[0][0] for lane in begun]
    assert late == [0, 9 * SECOND, 18 * SECOND, 27 * SECOND]


def test_a_job_is_whole_although_it_is_cut_at_hours() -> None:
    """The scrub's pieces follow each other without a gap, and are as long as the table says."""
    one = scenario()
    scrub = [b for b in window(one, 2, wall(2026, 3, 1), wall(2026, 3, 2)) if b.actor == "scrub"]
    assert date(2026, 3, 1).weekday() == 6
    assert len(scrub) > 8
    for before, after in pairwise(scrub):
        assert after.began_ns - before.last_ns == 2 * SECOND
    assert 15_000 <= sum(burst.ticks for burst in scrub) <= 17_000


@pytest.mark.parametrize("due", [(23.4, 23, 24), (0.2, 0, 12)])
@pytest.mark.parametrize("zone", ["UTC", "Asia/Kolkata", "America/St_Johns"])
def test_a_job_around_midnight_is_whole_on_every_member(
    monkeypatch: pytest.MonkeyPatch, zone: str, due: tuple[float, int, int]
) -> None:
    """Requests 7 s apart around midnight, in zones off by half an hour too: none lost or twice."""
    rate, hour, minute = due
    late = Process("late", "frames", Law.JOB, rate, Op.READ, Reach.WALK, 8, (1500, 1500), 7.0)
    monkeypatch.setitem(PROCESSES, "attic", (late,))
    one = Scenario(1, "attic", 8, ZoneInfo(zone), 0)
    began = wall(2026, 4, 4, hour, minute, zone=ZoneInfo(zone))
    for number, place in enumerate((2, 3, 4, 5)):
        lane = window(one, place, began, began + 20 * HOUR)
        times = [b.began_ns + k * b.step_ns for b in lane for k in range(b.ticks)]
        first = began + number * 9 * SECOND
        assert times == [first + k * 7 * SECOND for k in range(1500)]


def test_everything_begins_in_its_own_hour(monkeypatch: pytest.MonkeyPatch) -> None:
    """Walks that start in the last seconds of an hour do not leave it, so a feed stays in order."""
    busy = Process("busy", "frames", Law.POISSON, 400.0, Op.READ, Reach.WALK, 8)
    monkeypatch.setitem(PROCESSES, "attic", (busy,))
    one = Scenario(1, "attic", 8, PRAGUE, 0)
    first = wall(2026, 4, 4) // HOUR
    for hour in range(first, first + 20):
        for lane in one.hour(hour):
            assert all(hour * HOUR <= burst.began_ns < (hour + 1) * HOUR for burst in lane)
    assert one.hour(first)[2]


@pytest.mark.parametrize(
    ("day", "local"),
    [
        ((2026, 3, 28), "02:30"),
        ((2026, 3, 29), "03:30"),  # 02:00-03:00 does not exist: one hour later (PEP 495)
        ((2026, 10, 25), "02:30"),  # 02:00-03:00 comes twice: the first
        ((2026, 10, 26), "02:30"),
    ],
)
def test_a_job_keeps_local_time_over_summer_time(day: tuple[int, int, int], local: str) -> None:
    """The nightly backup runs once a night at its local hour (Directive 2000/84/EC: the dates)."""
    one = scenario()
    begins = wall(*day, zone=PRAGUE)
    runs = [b for b in window(one, 6, begins, begins + 25 * HOUR) if b.actor == "backup"]
    began = datetime.fromtimestamp(runs[0].began_ns / SECOND, PRAGUE)
    assert began.date() == date(*day)
    due = datetime.fromisoformat(f"{began.date()}T{local}")
    late = began.replace(tzinfo=None) - due
    assert 0 <= late.total_seconds() <= 20 * 60
    if local == "02:30":
        assert began.fold == 0
    first_night = [b for b in runs if b.began_ns < begins + 12 * HOUR]
    assert 900 <= sum(burst.ticks for burst in first_night) <= 1800


def test_pictures_come_in_clear_nights_only() -> None:
    """Batches arrive between 21:00 and 05:00 local, and not in every night."""
    one = scenario()
    nights = set()
    for burst in window(one, 0, wall(2026, 5, 1), wall(2026, 5, 31)):
        if burst.actor == "capture":
            local = datetime.fromtimestamp(burst.began_ns / SECOND, PRAGUE)
            assert local.hour >= 21 or local.hour < 5
            if local.hour < 5:
                nights.add(local.date())
    assert 8 <= len(nights) <= 27


def test_days_of_the_table() -> None:
    """Third Wednesday and first Sunday of March 2026 by the calendar."""
    march = [date(2026, 3, day) for day in range(1, 32)]
    assert [d.day for d in march if falls_on(Days.THIRD_WEDNESDAY, d)] == [18]
    assert [d.day for d in march if falls_on(Days.FIRST_SUNDAY, d)] == [1]
    assert sum(falls_on(Days.WORKDAYS, d) for d in march) == 22
    assert sum(falls_on(Days.WEEKEND, d) for d in march) == 9
    assert sum(falls_on(Days.WEDNESDAYS, d) for d in march) == 4
    assert all(falls_on(Days.DAILY, d) for d in march)


def test_more_disks_repeat_the_host_with_other_draws() -> None:
    """The second set of eight has the same slots and its own arrivals."""
    one = scenario(disks=16)
    spans = (wall(2026, 4, 4), wall(2026, 4, 5))
    assert one.slots[8:] == one.slots[:8]
    assert window(one, 6, *spans) != window(one, 14, *spans)
    assert window(one, 6, *spans) == window(scenario(), 6, *spans)


def test_journal_fault_writes_every_five_seconds() -> None:
    """Commits every 5 s on every member (Linux 6.12 include/linux/jbd2.h:48), from the ordered time
    on and until."""
    one = scenario(faults=("journal_every_5s@2026-04-04T12:00/2026-04-04T14:30",))
    for place in (0, 1):
        bursts = [
            b
            for b in window(one, place, wall(2026, 4, 4), wall(2026, 4, 5))
            if b.actor == "journal"
        ]
        ticks = sum(burst.ticks for burst in bursts)
        assert ticks == 2.5 * 3600 / 5
        assert {burst.step_ns for burst in bursts} == {5 * SECOND}
        assert bursts[0].began_ns >= wall(2026, 4, 4, 12, zone=PRAGUE)
        assert bursts[-1].last_ns < wall(2026, 4, 4, 14, 30, zone=PRAGUE)


def test_guest_fault_hides_the_requests_from_stat() -> None:
    """A disk in a guest's hands moves by pass-through, from the ordered time on."""
    one = scenario(faults=("guest_disk@2026-04-04T12:00",))
    noon = wall(2026, 4, 4, 12, zone=PRAGUE)
    before = {b.op for b in window(one, 7, noon - 6 * HOUR, noon)}
    after = {b.op for b in window(one, 7, noon, noon + 6 * HOUR)}
    assert Op.PASS_THROUGH not in before
    assert after == {Op.PASS_THROUGH}


def test_runaway_and_watcher_come_at_their_intervals() -> None:
    """One interval is just longer than a 20 min timer, the other far shorter, at night only."""
    one = scenario(faults=("runaway_waker", "sleepless_pool"))
    runaway = next(p for p in FAULTS["runaway_waker"].processes)
    assert 20 * MINUTE < runaway.rate * SECOND < 22 * MINUTE
    lane = window(one, 2, wall(2026, 4, 4), wall(2026, 4, 5))
    singles = sum(b.ticks for b in lane if b.actor == "thumbnailer")
    assert singles in (68, 69)
    watched = [
        b for b in window(one, 5, wall(2026, 4, 4), wall(2026, 4, 5)) if b.actor == "watcher"
    ]
    for burst in watched:
        hour = datetime.fromtimestamp(burst.began_ns / SECOND, PRAGUE).hour
        assert hour >= 21 or hour < 8
    assert sum(burst.ticks for burst in watched) == 11 * 15


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("flood", '--fault: there is no fault "flood"; choose from '),
        ("dying_drve", '--fault: there is no fault "dying_drve"; did you mean dying_drive'),
        ("dying_drive", "no date"),
        ("lost_timer@yesterday", "not a date"),
        ("lost_timer@2026-03-14T21:00/2026-03-14T20:00", "before it begins"),
    ],
)
def test_orders_that_cannot_be_taken(text: str, words: str) -> None:
    """One line with the text, what is wrong and the fix."""
    with pytest.raises(BadInput, match=words) as caught:
        order((text,), PRAGUE)
    assert text in str(caught.value)
    assert "\n" not in str(caught.value)


def test_orders_take_local_time_and_offsets() -> None:
    """A time is local to the shelf, unless it carries an offset (ISO 8601)."""
    local, offset = order(("lost_timer@2026-07-01T12:00", "lost_timer@2026-07-01T12:00Z"), PRAGUE)
    assert offset.began_wall_ns - local.began_wall_ns == 2 * HOUR
    assert local.fault is FAULTS["lost_timer"]


def test_the_tables_fit_each_other() -> None:
    """Every process names a pool of its host; every law has the numbers it needs."""
    for host, processes in PROCESSES.items():
        pools = {slot.pool for slot in HOSTS[host]} | {"*"}
        for process in processes:
            assert process.pool in pools
            assert 1 <= process.ticks[0] <= process.ticks[1]
            assert process.law is not Law.JOB or 0 <= process.rate < 24
            assert (process.sectors == 0) is (process.op is Op.FLUSH)
