"""The whole simulated shelf: deterministic, the same from any start, and lively."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from spinledger.errors import BadInput, Misuse
from spinledger.model import DAY, HOUR, MINUTE, SECOND, Counted, Gone, Policy, Seen
from spinledger.ports import Counters, Discoverer, Prober
from spinledger.sim.answers import start_stops
from spinledger.sim.rack import Rack, Truth, node
from spinledger.sim.shelf import EPOCH_WALL_NS, SimulatedShelf, era_wall_ns

ZONE = "Europe/Prague"


def evening(year: int, month: int, day: int, hour: int = 21) -> int:
    """A local hour as wall time, nanoseconds."""
    return int(datetime(year, month, day, hour, tzinfo=ZoneInfo(ZONE)).timestamp()) * SECOND


def shelf(start_wall_ns: int, seed: int = 1, faults: tuple[str, ...] = ()) -> SimulatedShelf:
    """The attic whose host booted at the epoch of the first era; few days of history."""
    return SimulatedShelf(
        seed, start_wall_ns - EPOCH_WALL_NS, start_wall_ns, faults=faults, zone=ZONE
    )


START = evening(2026, 1, 9)  # a Friday


def boot(wall_ns: int) -> int:
    """The boot time of a wall time."""
    return wall_ns - EPOCH_WALL_NS


def watch(one: Rack, from_ns: int, to_ns: int, every_ns: int = 5 * SECOND) -> list[Counted]:
    """Read all counters every so often; the last readings."""
    last: list[Counted] = []
    for at_ns in range(from_ns, to_ns + 1, every_ns):
        last = [
            found
            for place in one.places
            if (found := one.counters.read(place.disk, at_ns)) is not None
        ]
    return last


def test_the_ports_are_the_ports() -> None:
    """The shelf's parts have every method of the Protocols that the loop uses."""
    one = shelf(START)
    parts: list[tuple[type, object]] = [
        (Discoverer, one.discoverer),
        (Counters, one.counters),
        (Prober, one.prober),
    ]
    for port, part in parts:
        needed = {name for name in vars(port) if not name.startswith("_")}
        assert needed <= {name for name in dir(part) if not name.startswith("_")}


def test_same_seed_same_shelf() -> None:
    """Two runs of a seed agree in every counter and every event; another seed does not."""
    begin, end = boot(START), boot(START) + 6 * HOUR
    first, again, other = shelf(START), shelf(START), shelf(START, seed=2)
    assert watch(first, begin, end, MINUTE) == watch(again, begin, end, MINUTE)
    assert first.truth(end) == again.truth(end)
    assert first.truth(end) != other.truth(end)


def test_a_shelf_that_starts_later_finds_the_same_drives() -> None:
    """Killed and resumed: kernel counters and the drive's own agree with a run never killed."""
    late = START + 2 * DAY + 1234 * SECOND
    through, resumed = shelf(START), shelf(late)
    watch(through, boot(START), boot(late), 97 * SECOND)
    at = boot(late) + 3 * HOUR
    for old, new in zip(through.places, resumed.places, strict=True):
        assert old.disk == new.disk
        assert through.counters.read(old.disk, at) == resumed.counters.read(new.disk, at)
        old.drive.settle(at)
        new.drive.settle(at)
        assert old.drive.odometer == new.drive.odometer


def test_truth_counts_from_the_start_and_adds_up() -> None:
    """Mode seconds sum to the time watched, and starts to cycles, for every disk."""
    one = shelf(START)
    begin, end = boot(START), boot(START) + DAY
    before = {p.disk.identity: start_stops(p.drive) for p in one.places}
    watch(one, begin, end, HOUR)
    for identity, truth in one.truth(end).items():
        drive = one.by_identity[identity].drive
        assert sum(truth.mode_ns.values()) == end - begin
        assert sum(truth.wakes.values()) == truth.cycles
        slack = 1 if drive.kind.name == "sas" else 0  # counts complete cycles
        assert abs(start_stops(drive) - before[identity] - truth.cycles) <= slack
        starts = [event for event in truth.events if event.what == "start"]
        assert len(starts) == truth.cycles
        assert sum(event.wait_ns for event in starts) == truth.wait_ns


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("day", [(2026, 1, 9), (2026, 1, 11), (2026, 1, 14)])
def test_an_evening_is_lively(seed: int, day: tuple[int, int, int]) -> None:
    """From 21:00: several disks cycle within three hours, some sleep on, one wakes all the
    time, one never sleeps; whatever the seed and the weekday (the story of the scenario).
    """
    start = evening(*day)
    one = shelf(start, seed)
    early = one.truth(boot(start) + 3 * HOUR)
    assert sum(truth.cycles > 0 for truth in early.values()) >= 5
    midnight = {key: truth.cycles for key, truth in early.items()}
    late = one.truth(boot(start) + 10 * HOUR)
    frames = [key for key in late if "frames" in key]
    assert all(late[key].cycles == midnight[key] for key in frames), "the archive sleeps all night"
    assert late["sim-attic-flats-1"].cycles >= 15
    assert late["sim-attic-darks-1"].stopped_ns == 0


def totals(one: Rack, days: int) -> Mapping[str, Truth]:
    """What happened in some days."""
    return one.truth(boot(START) + days * DAY)


def test_a_healthy_shelf_keeps_its_budgets() -> None:
    """Over four weeks no disk has more cycles a day than its budget."""
    one = shelf(START)
    policies = one.policies()
    for identity, truth in totals(one, 28).items():
        assert truth.cycles / 28 < policies[identity].budget_per_day


def test_runaway_fault() -> None:
    """The thumbnailer cycles its disk some 60 times a day, far over the budget."""
    truth = totals(shelf(START, faults=("runaway_waker@2026-01-10T00:00",)), 5)
    assert truth["sim-attic-frames-1"].wakes["read", "thumbnailer"] > 150
    assert ("read", "thumbnailer") not in truth["sim-attic-frames-2"].wakes


def test_sleepless_and_journal_faults() -> None:
    """A pool touched every four minutes of the night, or every 5 s, does not sleep then."""
    one = shelf(START, faults=("sleepless_pool", "journal_every_5s"))
    truth = one.truth(boot(START) + 10 * HOUR)
    for name in ("frames-1", "frames-4", "plates-1", "plates-2"):
        assert truth[f"sim-attic-{name}"].stopped_ns == 0


def test_lost_timer_fault() -> None:
    """From its date the drive stops no more; its twin does."""
    truth = totals(shelf(START, faults=("lost_timer@2026-01-10T00:00",)), 4)
    stops = {
        key: [e.at_ns for e in truth[f"sim-attic-plates-{key}"].events if e.what == "stop"]
        for key in (1, 2)
    }
    lost = boot(evening(2026, 1, 10, 0))
    assert not [at for at in stops[2] if at > lost]
    assert [at for at in stops[1] if at > lost]


def test_dying_drive_fault() -> None:
    """Spin-ups fail more and more, then the disk is gone for good."""
    one = shelf(START, faults=("dying_drive@2026-01-10T12:00",))
    dead = boot(evening(2026, 1, 13, 12))
    disk = one.by_identity["sim-attic-frames-3"].disk
    assert one.counters.read(disk, dead - SECOND) is not None
    assert one.counters.read(disk, dead) is None
    assert list(one.discoverer.changes(dead)) == [Gone(disk.identity, dead)]
    failed = [event for event in one.truth()[disk.identity].events if event.what == "failed_start"]
    assert len(failed) >= 3
    assert one.truth(dead + DAY)[disk.identity].mode_ns["off"] == DAY


def test_replaced_disk_fault() -> None:
    """Another serial takes the place, young, and is written for hours; what happened to the old
    disk is kept."""
    one = shelf(START, faults=("disk_replaced@2026-01-10T12:00",))
    noon = boot(evening(2026, 1, 10, 12))
    old = one.by_identity["sim-attic-frames-4"].disk
    gone, seen = one.discoverer.changes(noon)
    assert gone == Gone(old.identity, noon)
    assert isinstance(seen, Seen)
    assert seen.disk.identity == "sim-attic-frames-4b"
    assert seen.disk.serial != old.serial
    counted = one.counters.read(seen.disk, noon + 10 * HOUR)
    assert counted is not None
    assert counted.sectors_written == pytest.approx(10 * 3600 / 2 * 40_000, rel=0.01)
    truth = one.truth()
    assert truth[old.identity].at_ns == noon
    drive = one.by_identity[seen.disk.identity].drive
    assert drive.odometer.powered_ns == 10 * HOUR


def test_outages_come_in_order() -> None:
    """A day without exporter as ordered, and the reboot of the third Wednesday."""
    one = shelf(START, faults=("exporter_down_day@2026-01-20T00:00",))
    found = one.outages(boot(START), boot(START) + 28 * DAY)
    assert [outage.why for outage in found] == ["exporter_down", "reboot"]
    assert found[0].ended_ns - found[0].began_ns == DAY
    down = datetime.fromtimestamp((found[1].began_ns + EPOCH_WALL_NS) / SECOND, ZoneInfo(ZONE))
    assert (down.day, down.weekday(), down.hour) == (21, 2, 4)
    assert one.outages(boot(START), boot(START) + DAY) == []


def test_policies_carry_the_declared_timers() -> None:
    """Timer, budget and ratings of the slot; quiet hours only where sleep is expected."""
    one = shelf(START)
    policies = one.policies(Policy(actor_limit=3), quiet="nights")
    flats, darks = policies["sim-attic-flats-1"], policies["sim-attic-darks-1"]
    assert flats.declared_ns == 5 * MINUTE
    assert (flats.rated_load, flats.actor_limit, flats.quiet) == (600_000, 3, "nights")
    assert darks.quiet is None
    assert set(policies) == {place.disk.identity for place in one.places}


def test_another_host_and_other_sizes() -> None:
    """The dome has its own disks; 24 disks have 24 identities and kernel names."""
    dome = SimulatedShelf(1, 0, EPOCH_WALL_NS + 2 * DAY, disks=4, host="dome")
    assert [place.disk.pool for place in dome.places] == ["raw", "raw", "calibration", "spare"]
    many = SimulatedShelf(1, 0, EPOCH_WALL_NS + 2 * DAY, disks=24)
    assert len(many.by_identity) == len({place.disk.nodes for place in many.places}) == 24
    assert [node(n) for n in (0, 25, 26, 701, 702)] == ["sda", "sdz", "sdaa", "sdzz", "sdaaa"]


def test_what_cannot_be_built_is_refused() -> None:
    """An unknown host is the user's mistake, a start before the first day ours."""
    with pytest.raises(BadInput, match="attic, dome"):
        SimulatedShelf(1, 0, EPOCH_WALL_NS, host="attics")
    with pytest.raises(Misuse):
        SimulatedShelf(1, 0, EPOCH_WALL_NS, since_wall_ns=EPOCH_WALL_NS + 1)


def test_eras_begin_at_least_a_day_before() -> None:
    """The first day is at most 367 and at least one day back, also before 2026."""
    for days in (-900, -1, 0, 0.5, 1, 1.5, 366, 367, 1000):
        now = EPOCH_WALL_NS + int(days * DAY)
        assert DAY <= now - era_wall_ns(now) < 367 * DAY
    assert era_wall_ns(EPOCH_WALL_NS + DAY) == EPOCH_WALL_NS
