"""A counter that wraps or begins anew: how our count goes on, by hand.

Source of the reference: modular arithmetic for the wrap; the rule of five readings over a day is
our own.
"""

from __future__ import annotations

import random

import pytest

from spinledger.ledger.dumps import dump, load
from spinledger.ledger.recording import open_account, record_reading
from spinledger.model import HOUR, SECOND, Command, Policy, Reading, Record
from tests.fakes.facts import DISK, tick

EVERY_S = 6 * 3600


class Drive:
    """Readings of one counter through an account, six hours apart."""

    def __init__(self, name: str = "loads") -> None:
        self.name = name
        self.account = open_account(DISK, Policy(rated_load=600_000), tick(0))
        self.at_s = 0

    def read(self, value: int) -> str:
        """The verdict on the next value; the account goes through a dump each time."""
        self.account = load(dump(self.account))
        self.at_s += EVERY_S
        record = Record(Command.SMART_READ_DATA, {self.name: value})
        self.account.at_ns = self.at_s * SECOND
        entries = record_reading(self.account, [record], self.at_s * SECOND)
        (reading,) = (entry for entry in entries if isinstance(entry, Reading))
        return reading.verdict

    @property
    def count(self) -> int | None:
        """Ours."""
        worn = self.account.folds.drive_counters.worn
        return None if worn is None else getattr(worn, self.name)


def test_a_count_once_read_too_high_is_not_frozen() -> None:
    """131,151, then 1,234 and on: the fifth reading is accepted, with the share of life kept and
    what the drive counted since the first of the five."""
    drive = Drive()
    assert drive.read(131_151) == "accepted"
    verdicts = [drive.read(value) for value in (1234, 1236, 1240, 1241)]
    assert verdicts == ["fell"] * 4
    assert drive.count == 131_151
    assert drive.read(1250) == "restarted"
    assert drive.count == 131_151 + 16
    assert drive.read(1260) == "accepted"
    assert drive.count == 131_151 + 26
    counters = drive.account.folds.drive_counters
    assert counters.rejected == {
        "fell": 4, "too_fast": 0, "too_high": 0, "disagrees": 0, "restarted": 1
    }  # fmt: skip
    assert counters.rated(drive.account.policy)["load"].used_ratio == 131_177 / 600_000


def test_a_count_once_read_too_low_goes_on() -> None:
    """5, then 200,000 and on: too fast to be true, until five readings agree."""
    drive = Drive()
    drive.read(5)
    assert [drive.read(200_000 + n) for n in range(5)] == ["too_fast"] * 4 + ["restarted"]
    assert drive.count == 9


@pytest.mark.parametrize("name", ["loads", "start_stops", "retracts", "power_cycles"])
def test_a_wrap_of_16_bits_goes_on_at_once(name: str) -> None:
    """Equal to the count modulo 65,536, over three wraps (modular arithmetic)."""
    drive, true, chance = Drive(name), 65_000, random.Random(4)
    for _ in range(800):
        assert drive.read(true % 65_536) == "accepted"
        assert drive.count == true
        true += chance.randrange(400)
    assert true > 3 * 65_536


def test_a_fall_that_is_no_wrap_is_refused() -> None:
    """From the middle of the range, or with a rise of more than a sixteenth of it."""
    for before, after in ((30_000, 100), (65_000, 5_000), (131_151, 65_615)):
        drive = Drive()
        drive.read(before)
        assert drive.read(after) == "fell"
        assert drive.count == before


def test_values_that_jump_about_are_never_accepted() -> None:
    """Each breaks off the row of the readings before; and one good reading ends the wait."""
    drive = Drive()
    drive.read(50_000)
    for value in (900, 400, 800, 300, 700, 200, 600, 100, 500):
        assert drive.read(value) == "fell"
    assert drive.read(50_010) == "accepted"
    assert not drive.account.waiting
    assert [drive.read(500 + n) for n in range(4)] == ["fell"] * 4


def test_five_readings_within_an_hour_are_too_soon() -> None:
    """A fault may last from one power-on to the next: a day must pass."""
    drive = Drive()
    drive.read(50_000)
    for number in range(20):
        record = Record(Command.SMART_READ_DATA, {"loads": 100 + number})
        at_ns = drive.at_s * SECOND + (number + 1) * HOUR // 20
        record_reading(drive.account, [record], at_ns)
    assert drive.count == 50_000
