"""Ten years of daily readings through the keeper and the ledger file, and the life they project.

Outside authority: numpy and scipy's Student's t on what the file gives back, and arithmetic. A
metrics server keeps 15 days by default (Prometheus, "Storage", --storage.tsdb.retention.time).
"""

from __future__ import annotations

import random
import select
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NamedTuple

import numpy as np
import pytest
from scipy import stats

from spinledger.facts import DiskView
from spinledger.ledger import recording
from spinledger.ledger.account import Account
from spinledger.loop.keeping import Keeping, reopen
from spinledger.model import DAY, HOUR, SECOND, Command, Disk, Policy, Record, Tick
from spinledger.store.history import read
from tests.fakes.facts import DISK
from tests.fakes.series import samples, view
from tests.integration.store.written import BOOT, WALL_NS, store

DAYS = 3653  # ten years, leap days included
BEGAN_LOADS = 1000
RATING = 2_000_000
SIM = replace(DISK, identity="sim-plates-1")


def loads_by_day() -> list[int]:
    """The drive's own count on each day: 300 a day for nine years, then some 100."""
    dice = random.Random(10)
    count, counts = BEGAN_LOADS, []
    for day in range(DAYS):
        counts.append(count)
        count += 300 if day < DAYS - 400 else dice.randrange(90, 111)
    return counts


class Written(NamedTuple):
    """The ledger, what went into it, and the view at its end."""

    ledger: Path
    counts: list[int]
    seen: DiskView
    before: DiskView  # 13 days after the owner gave a rating; it is of a new disk
    size: int


def tick(day: float) -> Tick:
    """A tick on a day."""
    at_ns = HOUR + round(day * DAY)
    return Tick(at_ns, WALL_NS + at_ns - HOUR, BOOT, 0)


class Run:
    """One run of the program over a ledger."""

    def __init__(self, ledger: Path, day: float, policy: Policy) -> None:
        self.store = store(ledger, None)
        self.keeping = Keeping(self.store, self.store.restore(), DAY // 2, live=False)
        now = tick(day)
        self.keeping.handed_ns = now.at_ns
        opened = reopen(self.keeping, now, lambda disk: policy, lambda policy: None)
        self.accounts = opened.accounts
        self.see(SIM, now, policy)

    def see(self, disk: Disk, now: Tick, policy: Policy) -> Account:
        """A disk is here."""
        if disk.identity not in self.accounts:
            account = recording.open_account(disk, policy, now)
            self.accounts[disk.identity] = account
        account = self.accounts[disk.identity]
        self.keeping.recorded(disk.identity, recording.record_seen(account, disk, now.at_ns))
        return account

    def read(self, identity: str, day: int, loads: int) -> None:
        """One reading that day."""
        now = tick(day + 0.5)
        account = self.accounts[identity]
        entries = recording.record_tick(account, now) + recording.coast(account, now.at_ns)
        values = {"loads": loads, "start_stops": 60 + 2 * day, "power_on_raw": 40 + 24 * day}
        record = Record(Command.SMART_READ_DATA, values)
        entries += recording.record_reading(account, [record], now.at_ns)
        self.keeping.recorded(identity, entries)
        self.keeping.note(self.accounts, now)
        self.keeping.commit_if_due(self.accounts, now)
        if self.keeping.in_flight:
            assert select.select([self.store], [], [], 60)[0]
            self.keeping.landed()

    def end(self, day: float) -> None:
        """An orderly stop."""
        self.keeping.finish(self.accounts, tick(day))
        self.store.close()


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    """In a memory file system: what is tried here is not the disk."""
    with TemporaryDirectory(dir="/dev/shm") as name:
        yield Path(name)


@pytest.fixture(scope="module")
def written(folder: Path) -> Written:
    """Ten years in runs of half a year; the owner gives a rating only at the start of the last."""
    ledger = folder / "ledger.db"
    counts = loads_by_day()
    for first in range(0, DAYS, 180):
        last = min(first + 180, DAYS)
        rated = last == DAYS
        run = Run(ledger, first, Policy(rated_load=RATING) if rated else Policy())
        for day in range(first, last):
            run.read(SIM.identity, day, counts[day])
        seen = view(run.accounts[SIM.identity])
        if rated:
            fresh = replace(DISK, identity="sim-plates-2", device="new")
            run.see(fresh, tick(last), Policy(rated_load=RATING))
            for day in range(last, last + 14):
                run.read(fresh.identity, day, counts[0] + 100 * (day - last))
            before = view(run.accounts[fresh.identity])
        run.end(last + (15 if rated else 0))
    return Written(ledger, counts, seen, before, ledger.stat().st_size)


def test_every_day_is_in_the_ledger(written: Written) -> None:
    """The first reading and each of the 3,653 days are there, years beyond what is kept of spans,
    in a file of a few megabytes."""
    given = [day for day in read(written.ledger).days(SIM.identity) if day.reading]
    assert [day.reading.worn.loads for day in given if day.reading] == written.counts
    assert given[-1].day - given[0].day == DAYS - 1
    assert written.size < 8 << 20


def test_the_projection_counts_the_ledgers_last_year(written: Written) -> None:
    """Share and dates are those of the ledger's last year, by numpy's means and scipy's Student's t
    over blocks of days: the present pace of some 100 a day decides, not the 300 of before."""
    days = [day for day in read(written.ledger).days(SIM.identity) if day.reading]
    last = days[-1].reading
    assert last is not None
    assert last.worn.loads is not None
    counts = [day.reading.worn.loads for day in days[-367:] if day.reading]
    rises = np.diff(np.array(counts, float))
    pace, a = rises.mean(), 0.0
    for size in (1, 7, 30):
        blocks = rises[len(rises) % size :].reshape(-1, size).sum(axis=1)
        t = stats.t.ppf(0.95, len(blocks) - 1)
        square = ((blocks - pace * size) ** 2).sum() / size / (len(blocks) - 1)
        a = max(a, t**2 * square)
    left = RATING - last.worn.loads
    late, early = np.roots([pace**2 - a / len(rises), -2 * left * pace - a, left**2])
    ends = samples(written.seen)["rated_life_end"]
    for bound, after in (("early", early), ("middle", left / pace), ("late", late)):
        expected_s = last.at_wall_ns / SECOND + after * 86_400
        assert ends[("load", bound)] == pytest.approx(expected_s, rel=1e-3, abs=86_400), bound
    years = (ends[("load", "middle")] - last.at_wall_ns / SECOND) / (365.25 * 86_400)
    assert years == pytest.approx(left / 100 / 365.25, rel=0.02)
    share = samples(written.seen)["rated_life_used_ratio"][("load",)]
    assert share == pytest.approx(last.worn.loads / RATING)
    assert set(samples(written.seen)["wear_rejected"].values()) == {0}


def test_a_new_disk_has_a_share_and_no_date(written: Written) -> None:
    """Fourteen readings on thirteen days' span are too few for a date (own rule); the share of the
    rating is there from the first."""
    assert samples(written.before)["rated_life_used_ratio"][("load",)] == 2300 / RATING
    assert not samples(written.before).get("rated_life_end")
