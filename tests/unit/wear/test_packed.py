"""Which reading of a packed count holds, and what is shown until that is known.

Source of the packings: smartmontools drivedb.h, formats raw48 and raw16(raw16): one value of 48
bits, or three of 16. The reference is the true count of a drive of each sort, kept beside it.
"""

from __future__ import annotations

import pytest

from spinledger.ledger.dumps import dump, load
from spinledger.ledger.recording import open_account, record_cross_check, record_reading
from spinledger.ledger.summary import summary
from spinledger.model import HOUR, SECOND, Command, Policy, Record
from spinledger.ports import CrossChecked
from tests.fakes.facts import DISK, tick

AGE_H = 20_000


class Drive:
    """A drive with the standard's hours, whose attribute holds `count` below `upper` << 16."""

    def __init__(self, name: str, count: int, upper: int = 0) -> None:
        self.name, self.count, self.upper = name, count, upper
        self.hours = 0
        self.account = open_account(DISK, Policy(), tick(0))

    @property
    def records(self) -> list[Record]:
        """As the codec gives them."""
        raw = self.count | self.upper << 16 if self.upper else self.count
        name = self.name if raw < 65_536 else f"{self.name}_raw"
        age_s = (AGE_H + self.hours) * 3600
        return [
            Record(Command.DEVICE_STATISTICS_GENERAL, {"power_on_s": age_s}),
            Record(Command.SMART_READ_DATA, {name: raw}),
        ]

    def read(self, hours: int = 1, more: int = 0) -> int | None:
        """What we show after so many hours with so many more counts; None: doubtful."""
        self.account = load(dump(self.account))
        self.hours, self.count = self.hours + hours, self.count + more
        at_ns = self.hours * HOUR
        self.account.at_ns = at_ns
        record_reading(self.account, self.records, at_ns)
        return self.shown

    @property
    def shown(self) -> int | None:
        """Our count."""
        facts = summary(self.account)
        assert facts.counters is not None
        count: int | None = getattr(facts.counters, self.name)
        assert (self.name in facts.doubtful) == (count is None)
        return count


@pytest.mark.parametrize(
    ("name", "count", "upper"),
    [("start_stops", 1234, 7), ("loads", 4000, 3), ("loads", 200_608, 0)],
)
def test_a_value_that_stands_alone_is_doubtful(name: str, count: int, upper: int) -> None:
    """459,986 starts, or 1,234; 200,608 loads, or 4,000: both are shown, none is exported."""
    drive = Drive(name, count, upper)
    assert drive.read() is None
    assert drive.read() is None
    whole = count | upper << 16 if upper else count
    assert summary(drive.account).doubtful == {name: (whole, whole & 65_535)}


def test_a_count_of_the_standards_log_leaves_no_doubt() -> None:
    """Rotating Media Statistics (ACS-3, 9.5) has the head loads, whatever the attribute."""
    drive = Drive("loads", 4000, 3)
    log = Record(Command.DEVICE_STATISTICS_ROTATING, {"loads": 200_608})
    record_reading(drive.account, [*drive.records, log], HOUR)
    assert drive.shown == 200_608


def test_a_count_that_no_drive_can_reach_is_packed() -> None:
    """58,982,450 retracts in 20,000 h would be one in 1.2 s (division): it is 50."""
    drive = Drive("retracts", 50, 900)
    drive.read()  # the age is known from this reading on
    assert drive.read() == 50


def test_a_count_that_we_watched_grow_is_whole() -> None:
    """From 65,530 past 65,535."""
    drive = Drive("loads", 65_530)
    assert drive.read() == 65_530
    assert [drive.read(more=4) for _ in range(4)] == [65_534, 65_538, 65_542, 65_546]


def test_an_upper_half_that_comes_later_is_no_count() -> None:
    """The low half goes on where the whole value would jump by 65,536."""
    drive = Drive("start_stops", 1234)
    assert drive.read() == 1234
    drive.upper = 1
    assert drive.read(more=2) == 1236


@pytest.mark.parametrize(("count", "upper"), [(131_070, 0), (5_000, 2)])
def test_a_carry_shows_it(count: int, upper: int) -> None:
    """The low half falls as the next bit rises: one count. The upper half alone moves: packed."""
    drive = Drive("loads", count, upper)
    assert drive.read() is None
    if upper:
        drive.upper += 1
    assert drive.read(more=3) == count + 3


@pytest.mark.parametrize(
    ("count", "upper", "a_day"), [(200_608, 0, 240), (4_000, 3, 5)], ids=["whole", "packed"]
)
def test_the_pace_shows_it(count: int, upper: int, a_day: int) -> None:
    """200,608 in 20,000 h are 240 a day, 4,000 are 5: the pace of some days is one of the two."""
    drive, shown = Drive("loads", count, upper), None
    for _ in range(12):
        shown = drive.read(24, a_day)
    assert shown == drive.count


@pytest.mark.parametrize("upper", [0, 7])
def test_the_cross_check_shows_it(upper: int) -> None:
    """What smartctl gives is one of the two readings."""
    drive = Drive("start_stops", 1234 if upper else 70_000, upper)
    assert drive.read() is None
    given = CrossChecked(DISK.identity, drive.account.at_ns + SECOND, {"start_stops": drive.count})
    record_cross_check(drive.account, drive.records, given)
    assert drive.shown == drive.count
    assert drive.read(more=1) == drive.count


@pytest.mark.parametrize(
    ("unit_s", "packing"), [(60, "minutes"), (30, "half_minutes"), (1, "seconds")]
)
def test_power_on_time_is_no_presumption(unit_s: int, packing: str) -> None:
    """Read each half hour, attribute 9 is unknown for ten hours, then in its own unit."""
    account = open_account(DISK, Policy(), tick(0))
    known = []
    for half in range(1, 30):
        at_s = half * 1800
        account.at_ns = at_s * SECOND
        raw = (1_000_000 + at_s) // unit_s
        record = Record(Command.SMART_READ_DATA, {"power_on_raw": raw})
        record_reading(account, [record], account.at_ns)
        assert account.reading is not None
        known.append((account.reading.power_on_s, account.reading.packing))
    assert known[:19] == [(None, "")] * 19
    assert known[-1][1] == packing
    assert known[-1][0] == pytest.approx(1_000_000 + 29 * 1800, abs=unit_s)
