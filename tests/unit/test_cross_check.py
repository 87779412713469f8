"""The cross-check: when it is started, what becomes of its counters, and what it may not hinder.

Source: the rules are our own. That a program's commands count among the kernel's requests is Linux
6.12 drivers/scsi/scsi_lib.c (iorequest_cnt); that some drives restart a timer at a log read is its
Documentation/hwmon/drivetemp.rst.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise

import pytest

from spinledger.codec.reply import STATE_PROBES
from spinledger.ledger import dumps, recording
from spinledger.ledger.account import Account
from spinledger.model import (
    DAY,
    HOUR,
    MINUTE,
    SECOND,
    Answered,
    Cadence,
    Command,
    Disk,
    Policy,
    Probe,
    Reading,
)
from spinledger.model import Record as Reported
from spinledger.ports import TROUBLES, CrossChecked
from spinledger.sim.rack import SimulatedProber
from tests.fakes.cross_check import POLICY, FakeCrossChecker, Several
from tests.fakes.facts import DISK, WALL_NS, tick
from tests.fakes.series import samples
from tests.fakes.watching import kind

pytestmark = pytest.mark.slow  # simulated weeks

TIMER_S = 1200.0


def busy(until_s: float, every_s: int = 14_000, offset: int = 1000) -> list[float]:
    """Some wakes a day, with use for ten minutes after each."""
    return [
        float(start + beat)
        for start in range(offset, int(until_s) - 700, every_s)
        for beat in range(0, 600, 20)
    ]


def same(shelf: list[Several]) -> FakeCrossChecker:
    """A cross-check that reports what the drive itself counts."""

    def tell(disk: Disk, at_ns: int) -> dict[str, int]:
        own = shelf[0].rack.by_identity[disk.identity].drive.odometer
        return {"start_stops": own.starts, "power_cycles": own.power_cycles}

    return FakeCrossChecker(tell)


def watch(fake: FakeCrossChecker, until_s: float, policy: Policy = POLICY) -> Several:
    """One drive of the plain kind."""
    return Several([(kind("plain", TIMER_S), busy(until_s))], fake, policy).run(until_s)


def test_it_is_off_unless_asked_for() -> None:
    """Without a word in the configuration nothing is started, and no series is there."""
    fake = FakeCrossChecker(lambda disk, at_ns: "missing")
    watched = watch(fake, 100_000, Policy())
    assert fake.log == []
    assert watched.kept.snapshots[-1].exporter.cross_checks is None
    assert "cross_check" not in {name for (name,) in samples(watched.view(0))["probe_commands"]}


@pytest.mark.parametrize("name", ["plain", "restarts_on_log_read", "wakes_on_log_read", "sas"])
def test_once_a_day_and_only_while_others_move_sectors(name: str) -> None:
    """Over five days: at least a day between starts, each in the sample of somebody's sectors."""
    until_s = 5 * DAY / SECOND
    arrivals = [float(start + beat) for start in range(1000, 432_000, 14_000) for beat in (0, 20)]
    drive = kind(name, TIMER_S)
    fake = FakeCrossChecker(lambda disk, at_ns: {"loads": 5})
    watched = Several([(drive, arrivals)], fake).run(until_s)
    times = [at_ns for at_ns, _ in fake.log]
    assert 4 <= len(times) <= 5
    most_s = drive.spinup_ns / SECOND + 6  # the sample after the sectors have come
    assert all(later - sooner >= DAY for sooner, later in pairwise(times))
    for at_ns in times:
        assert any(0 <= at_ns / SECOND - arrival <= most_s for arrival in arrivals), at_ns
    shown = watched.kept.snapshots[-1].exporter.cross_checks
    assert shown == {"read": len(times), **dict.fromkeys(TROUBLES, 0)}
    assert samples(watched.view(0))["probe_commands"][("cross_check",)] == len(times)


def test_it_follows_our_own_reading() -> None:
    """Each start comes within a second after records of our own, to be compared with them."""
    fake = FakeCrossChecker(lambda disk, at_ns: {"loads": 5})
    watched = watch(fake, 3 * DAY / SECOND)
    tally = watched.rack.places[0].drive.settle(watched.clock.now())
    read = [sent.at_ns for sent in tally.sent if sent.what != "probe"]
    for at_ns, _ in fake.log:
        assert any(0 <= at_ns - own_ns <= SECOND for own_ns in read), at_ns


def test_two_readers_that_agree() -> None:
    """The drive's own figures by another way: read, nothing refused, no finding."""
    shelf: list[Several] = []
    fake = same(shelf)
    shelf.append(Several([(kind("plain", TIMER_S), busy(300_000))], fake))
    seen = shelf[0].run(300_000).view(0)
    assert len(fake.log) == 4
    assert set(samples(seen)["wear_rejected"].values()) == {0}
    assert "wear_readings_disagree" not in {finding.code for finding in seen.findings}


def test_two_readers_that_disagree_are_counted_and_told() -> None:
    """A figure far from ours is counted by reason, ours is kept, and a sentence has both; once the
    two agree again the sentence is gone and the count stays."""
    shelf: list[Several] = []
    fake = same(shelf)
    right = fake.result
    fake.result = lambda disk, at_ns: {"start_stops": 999_999}
    shelf.append(Several([(kind("plain", TIMER_S), busy(200_000))], fake))
    seen = shelf[0].run(80_000).view(0)
    own = shelf[0].rack.places[0].drive.odometer.starts
    assert samples(seen)["wear_rejected"][("disagrees",)] == 1
    assert samples(seen)["start_stop_cycles"] == {(): own}
    (found,) = [one for one in seen.findings if one.code == "wear_readings_disagree"]
    assert "by our commands, 999999 by smartctl" in found.evidence
    assert [e.verdict for e in shelf[0].entries if isinstance(e, Reading)].count("disagrees") == 1
    fake.result = right
    seen = shelf[0].run(200_000).view(0)
    assert len(fake.log) == 3
    assert samples(seen)["wear_rejected"][("disagrees",)] == 1
    assert "wear_readings_disagree" not in {finding.code for finding in seen.findings}


@pytest.fixture(scope="module")
def without() -> Several:
    """The same drive without a cross-check."""
    return watch(FakeCrossChecker(lambda disk, at_ns: ""), 100_000, Policy())


@pytest.mark.parametrize("trouble", TROUBLES)
def test_a_trouble_is_counted_and_said_once(trouble: str, without: Several) -> None:
    """Each day's trouble counts under its reason; the operator reads of it once; nothing else
    changes."""
    fake = FakeCrossChecker(lambda disk, at_ns: trouble)
    watched = watch(fake, 100_000)
    checks = watched.kept.snapshots[-1].exporter.cross_checks
    assert checks is not None
    assert checks[trouble] == len(fake.log) == 2
    said = f"sim-n0 (sda): cross-check: {trouble}: as the test says"
    assert watched.said == [said]
    seen, alone = samples(watched.view(0)), samples(without.view(0))
    assert seen["state_seconds"] == alone["state_seconds"]
    assert seen["cycles"] == alone["cycles"]


def test_it_reads_what_we_cannot() -> None:
    """Where our own records are not read, its counters are shown, judged against each other: one
    that fell, and one that rose faster than it can, are refused."""
    policy = replace(POLICY, cadence=Cadence(cross_check_ns=DAY, wear_ns=0))
    given = iter(
        [
            {"start_stops": 50, "loads": 5000, "power_on_s": 72_000_000, "retracts": 7},
            {"start_stops": 51, "loads": 5900, "power_on_s": 72_086_400, "retracts": 7},
            {"start_stops": 20, "loads": 900_000, "power_on_s": 72_172_800, "retracts": 7},
        ]
    )
    fake = FakeCrossChecker(lambda disk, at_ns: next(given))
    arrivals = busy(280_000)
    watched = Several([(kind("plain", TIMER_S), arrivals)], fake, policy).run(90_000)
    shown = samples(watched.view(0))
    assert shown["load_cycles"] == {(): 5000}
    watched = watched.run(180_000)
    shown = samples(watched.view(0))
    assert (shown["start_stop_cycles"], shown["load_cycles"]) == ({(): 51}, {(): 5900})
    assert set(shown["wear_rejected"].values()) == {0}
    shown = samples(watched.run(280_000).view(0))
    assert len(fake.log) == 3
    assert (shown["start_stop_cycles"], shown["load_cycles"]) == ({(): 51}, {(): 5900})
    assert shown["emergency_retracts"] == {(): 7}
    assert shown["power_on_seconds"] == {(): 72_172_800}
    assert shown["wear_rejected"][("fell",)] == 1
    assert shown["wear_rejected"][("too_fast",)] == 1


def test_nothing_waits_for_it() -> None:
    """While it hangs to its deadline the disk is sampled on, no question is put, and none of its
    commands is taken for somebody else's or for harm of ours."""
    shelf: list[Several] = []

    def commands(disk: Disk, at_ns: int) -> None:
        probe = Probe(-1, disk.identity, Command.SMART_READ_DATA, at_ns, at_ns + SECOND)
        shelf[0].rack.prober.send(probe, disk)

    def late(disk: Disk, at_ns: int) -> str:
        commands(disk, at_ns)
        return "timeout"

    fake = FakeCrossChecker(late, takes_ns=33 * SECOND, started=commands)
    arrivals = [1000.0, 60_000.0]
    policy = replace(POLICY, cadence=Cadence(cross_check_ns=DAY, slow_ns=10 * SECOND))
    shelf.append(Several([(kind("plain", TIMER_S), arrivals)], fake, policy))
    watched = shelf[0].run(1100)
    assert watched.view(0).facts.bare_commands == 0
    watched.run(70_000)
    assert len(fake.log) == 1
    began_ns = fake.log[0][0]
    tally = watched.rack.places[0].drive.settle(watched.clock.now())
    asked = [sent.at_ns for sent in tally.sent if sent.what == "probe"]
    assert not [at_ns for at_ns in asked if began_ns <= at_ns < began_ns + 33 * SECOND]
    seen = watched.view(0)
    assert samples(seen)["state_seconds"][("unobserved",)] == 0
    assert set(samples(seen)["probe_disturbances"].values()) == {0}
    assert samples(seen)["cycles"][("yes",)] == 1


def test_one_disk_at_a_time() -> None:
    """Three busy disks have their turns one after the other, however long each takes."""
    until_s = 20_000
    fake = FakeCrossChecker(lambda disk, at_ns: "timeout", takes_ns=33 * SECOND)
    drives = [(kind("plain", TIMER_S), busy(until_s, 5000)) for _ in range(3)]
    Several(drives, fake).run(until_s)
    assert sorted(disk for _, disk in fake.log) == ["sim-n0", "sim-n1", "sim-n2"]
    times = [at_ns for at_ns, _ in fake.log]
    assert all(b - a >= 33 * SECOND for a, b in pairwise(times))


def test_its_own_files_wake_no_disk() -> None:
    """While the disk that holds the program rests, nothing is started; once both are in use in one
    sample, it is."""
    both_s = 30_000.0
    reads = [busy(50_000), [both_s, both_s + 20]]
    drives = [(kind("plain", TIMER_S), one) for one in reads]
    drives[0] = (drives[0][0], sorted([*reads[0], both_s, both_s + 20]))
    fake = FakeCrossChecker(lambda disk, at_ns: {"loads": 5})
    Several(drives, fake, bearers=lambda disks: frozenset({"sim-n1"})).run(50_000)
    assert {disk for _, disk in fake.log} <= {"sim-n0", "sim-n1"}
    assert fake.log
    assert all(both_s <= at_ns / SECOND <= both_s + 30 for at_ns, _ in fake.log)


def test_a_disk_that_goes_meanwhile() -> None:
    """Its result is counted and not recorded, and the cross-check is free for the next disk."""
    fake = FakeCrossChecker(lambda disk, at_ns: {"loads": 5}, takes_ns=30 * SECOND)
    drives = [(kind("plain", TIMER_S), [1000.0, 1020.0]), (kind("plain", TIMER_S), busy(9000))]
    watched = Several(drives, fake)
    fake.started = lambda disk, at_ns: watched.rack.pull(0, at_ns)
    watched.run(9000)
    assert [disk for _, disk in fake.log] == ["sim-n0", "sim-n1"]
    checks = watched.kept.snapshots[-1].exporter.cross_checks
    assert checks is not None
    assert checks["read"] == 2
    recorded = [one.disk for one in watched.entries if isinstance(one, Reading)]
    assert recorded.count("sim-n0") == 1  # our own, before


def test_units_of_one_spindle_are_read_once() -> None:
    """Two logical units of one device: the counters of the spindle are read and shown at one."""
    drives = [(kind("sas", TIMER_S), busy(50_000)) for _ in range(2)]
    watched = Several(drives, None, Policy(), device="spindle-7").run(50_000)
    given = [n for n in range(2) if "start_stop_cycles" in samples(watched.view(n))]
    assert given == [0]
    tally = watched.rack.places[1].drive.settle(watched.clock.now())
    assert {sent.what for sent in tally.sent} == {"probe"}
    apart = Several(drives, None, Policy()).run(50_000)
    assert all("start_stop_cycles" in samples(apart.view(n)) for n in range(2))


def test_a_hung_reading_holds_up_no_other_disk() -> None:
    """A drive that never answers a record costs the next disk's reading its deadline of 10 s."""
    drives = [(kind("plain", TIMER_S), busy(5000)) for _ in range(2)]
    watched = Several(drives, None, Policy())
    watched.loop.ports.prober = Losing(watched.rack.prober, "sim-n0")
    watched.run(1100)
    assert "start_stop_cycles" not in samples(watched.view(0))
    assert samples(watched.view(0))["probe_failures"][("timeout",)] == 1
    assert "start_stop_cycles" in samples(watched.view(1))


class Losing:
    """A prober that loses every record asked of one disk."""

    def __init__(self, prober: SimulatedProber, disk: str) -> None:
        self._prober, self._disk = prober, disk

    def send(self, probe: Probe, disk: Disk) -> None:
        """Send it on, or not."""
        if disk.identity != self._disk or probe.command in STATE_PROBES:
            self._prober.send(probe, disk)

    def replies(self, at_ns: int) -> Iterable[Answered]:
        """Those of the others."""
        return self._prober.replies(at_ns)

    def forget(self, disk: Disk) -> None:
        """Nothing is held."""

    def fileno(self) -> int:
        """Nothing real to wait for."""
        return -1

    def due_ns(self) -> int | None:
        """When the next answer is due."""
        return self._prober.due_ns()


def reading(account: Account, at_s: int, **values: int) -> list[object]:
    """Book a SMART record at a time; the verdict and the cycles of it."""
    recording.coast(account, at_s * SECOND)
    records = [Reported(Command.SMART_READ_DATA, values)]
    return list(recording.record_reading(account, records, at_s * SECOND))


def test_a_reading_without_starts_leaves_none_to_be_invented() -> None:
    """Three observed cycles, one reading whose count of starts is refused in between: the next one
    reports no unobserved cycle."""
    account = recording.open_account(DISK, POLICY, tick(0))
    reading(account, 100, start_stops=50, power_cycles=4)
    account.observed_since_reading = 2
    assert len(reading(account, 4000, start_stops=3, power_cycles=4)) == 1
    account.observed_since_reading += 1
    assert len(reading(account, 8000, start_stops=53, power_cycles=4)) == 1
    assert len(reading(account, 12_000, start_stops=54, power_cycles=4)) == 2


def test_a_day_of_its_own_counters_is_no_leap() -> None:
    """900 head loads since its last word a day ago are believed, though ours came in between; the
    same 900 in a minute are not."""
    account = recording.open_account(DISK, POLICY, tick(0))
    verdicts = []
    for at_s, loads in ((100, 5000), (86_500, 5900), (86_560, 6800)):
        reading(account, at_s, power_cycles=4)
        fact = CrossChecked(DISK.identity, (at_s + 2) * SECOND, {"loads": loads})
        (entry,) = recording.record_cross_check(account, (), fact)
        assert isinstance(entry, Reading)
        verdicts.append(entry.verdict)
    assert verdicts == ["accepted", "accepted", "too_fast"]
    assert account.reading is not None
    assert account.reading.loads == 5900


def test_its_word_survives_a_restart() -> None:
    """What it said, when, and where the two differ come back from a dump; times move with the
    boot clock."""
    account = recording.open_account(DISK, POLICY, tick(0))
    reading(account, 100, loads=7)
    account.probing.cross_check_ns = 100 * SECOND
    recording.record_cross_check(
        account,
        [Reported(Command.SMART_READ_DATA, {"loads": 7})],
        CrossChecked(DISK.identity, 102 * SECOND, {"loads": 900, "retracts": 3}),
    )
    assert account.doubts == {"loads": [7, 900]}
    again = dumps.load(dumps.dump(account))
    assert again.doubts == account.doubts
    assert again.reading == account.reading
    assert again.reading is not None
    assert (again.reading.loads, again.reading.retracts) == (7, 3)
    dumps.rebase(again, HOUR)
    assert again.probing.cross_check_ns == HOUR + 100 * SECOND
    assert again.cross_checked_ns == HOUR + 102 * SECOND
    assert account.wall_offset_ns == WALL_NS
    assert not again.probing.cross_checking


def test_a_clock_that_no_packing_explains() -> None:
    """Attribute 9 in no packing that gives the cross-check's hours is a disagreement, too."""
    account = recording.open_account(DISK, POLICY, tick(0))
    records = [Reported(Command.SMART_READ_DATA, {"power_on_raw": 20_000})]
    recording.coast(account, MINUTE)
    recording.record_reading(account, records, MINUTE)
    (entry,) = recording.record_cross_check(
        account, records, CrossChecked(DISK.identity, MINUTE, {"power_on_s": 5_000 * 3600})
    )
    assert isinstance(entry, Reading)
    assert entry.verdict == "disagrees"
    assert account.doubts == {"power_on_s": [20_000 * 3600, 5_000 * 3600]}
