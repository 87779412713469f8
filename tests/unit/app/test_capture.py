"""The seconds of a capture on a stepped clock, and which disks it takes."""

from __future__ import annotations

import dataclasses
import signal
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from spinledger.app.capture import Read, device_numbers, held_signals, pick, readings
from spinledger.device.histogram import Histogram, Key, Sums
from spinledger.errors import BadInput
from spinledger.model import HOUR, MILLISECOND, SECOND
from spinledger.sim.clocks import SteppedClock
from spinledger.whatif.trace import BEGIN, END
from tests.fakes.facts import DISK, WALL_NS

BOOT_NS = 100 * SECOND
TWO_PATHS = dataclasses.replace(
    DISK, nodes=("sdb", "sdc"), identity="wwn-0x2", serial="S2", aliases=("old",)
)
OWNERS = {1: DISK.identity, 2: TWO_PATHS.identity, 3: TWO_PATHS.identity}

# At seconds from the start: device, program, rwbs, sectors.
Load = Sequence[tuple[float, int, bytes, bytes, int]]


class Kernel:
    """Sums up a load as a stepped clock passes it; a reading takes 4 ms."""

    def __init__(self, load: Load, places: int = 100, dropped: int = 0) -> None:
        self.clock = SteppedClock(BOOT_NS, WALL_NS)
        self.load = [*load]
        self.places = places
        self.dropped = dropped
        self.sums: dict[Key, Sums] = {}
        self.slow_ns = 4 * MILLISECOND
        self.signals = 10**9

    def look(self) -> tuple[Histogram, bool]:
        """As Instance.read."""
        passed_s = (self.clock.now() - BOOT_NS) / SECOND
        while self.load and self.load[0][0] <= passed_s:
            _, dev, comm, rwbs, sectors = self.load.pop(0)
            bios, before = self.sums.get(Key(dev, comm, rwbs), (0, 0))
            self.sums[Key(dev, comm, rwbs)] = Sums(bios + 1, before + sectors)
        given = Histogram(dict(self.sums), len(self.sums), self.dropped)
        full = len(self.sums) >= self.places
        if full:
            self.sums.clear()
        self.clock.wait(self.clock.now() + self.slow_ns, ())
        return given, full

    def wait(self, seconds: float) -> bool:
        """As the wait of held_signals; True from the given number of waits on."""
        self.clock.wait(self.clock.now() + round(seconds * SECOND), ())
        self.signals -= 1
        return self.signals <= 0

    def capture(self, seconds: float) -> list[Read]:
        """All readings, without the rows that bound them."""
        reads = self.bounded(seconds)
        rows = ([row for row in read.rows if row.op not in (BEGIN, END)] for read in reads)
        return [replace(read, rows=left) for read, left in zip(reads, rows, strict=True)][1:]

    def bounded(self, seconds: float) -> list[Read]:
        """All readings."""
        return list(readings(self.look, OWNERS, round(seconds * SECOND), self.wait, self.clock))


def given(reads: Sequence[Read]) -> list[tuple[float, str, str, str]]:
    """Rows as seconds from the start, disk, actor, operation."""
    return [
        (round((row.at_wall_ns - WALL_NS) / SECOND, 3), row.disk, row.actor, row.op)
        for read in reads
        for row in read.rows
    ]


def test_one_row_an_actor_and_operation_each_second() -> None:
    """By hand: readings end 4 ms after 1, 2 and 3 s; a row stands midway between two of them."""
    kernel = Kernel(
        [
            (0.2, 1, b"indexer", b"R", 8),
            (0.3, 1, b"indexer", b"R", 8),
            (0.4, 1, b"indexer", b"W", 8),
            (2.1, 1, b"backup", b"WS", 64),
            (2.2, 1, b"backup", b"FWS", 0),
            (2.3, 7, b"stranger", b"R", 8),
        ]
    )
    reads = kernel.capture(3)
    assert given(reads) == [
        (0.504, DISK.identity, "indexer", "read"),  # half a second before the reading at 1.004
        (0.504, DISK.identity, "indexer", "write"),
        (2.504, DISK.identity, "backup", "write"),
    ]
    assert [read.elapsed_ns // MILLISECOND for read in reads] == [1004, 2004, 3004]
    assert (reads[0].rows[0].bios, reads[0].rows[0].sectors) == (2, 16)


def test_rows_bound_what_was_observed() -> None:
    """A row of each disk when it begins, before anything is read, and one at the last reading."""
    for kernel, ended in ((Kernel([]), 3.004), (Kernel([(0.1, 1, b"a", b"R", 8)]), 1.004)):
        kernel.signals = round(ended)
        rows = given(kernel.bounded(3))
        disks = sorted(set(OWNERS.values()))
        assert rows[: len(disks)] == [(0, disk, "", "begin") for disk in disks]
        assert rows[-len(disks) :] == [(ended, disk, "", "end") for disk in disks]


def test_paths_of_a_disk_are_one_disk() -> None:
    """The same program on both paths makes one row with both sums."""
    reads = Kernel([(0.1, 2, b"a", b"R", 8), (0.2, 3, b"a", b"RA", 24)]).capture(1)
    (row,) = reads[0].rows
    assert (row.disk, row.bios, row.sectors) == (TWO_PATHS.identity, 2, 32)


def test_every_time_is_within_half_an_interval_and_a_late_reading() -> None:
    """A row's time is at most half a second and half of what the reading was late from its I/O."""
    load: Load = [(0.37 * n, 1, b"p%d" % n, b"R", 8) for n in range(1, 40)]
    kernel = Kernel(load)
    kernel.slow_ns = 300 * MILLISECOND
    rows = given(kernel.capture(15))
    assert [row[2] for row in rows] != []
    for at, _, actor, _ in rows:
        assert abs(at - 0.37 * int(actor[1:])) <= 0.5 + 0.3
    assert [row[0] for row in rows] == sorted(row[0] for row in rows)


def test_a_host_that_slept_puts_its_io_at_the_waking() -> None:
    """After an hour of suspend the row stands half a second before the reading, not in the hour."""
    kernel = Kernel([(3600.2, 1, b"a", b"R", 8)])
    kernel.clock.suspend(HOUR)
    ((at, *_),) = given(kernel.capture(3601))
    assert at == pytest.approx(3600.5, abs=0.51)


def test_an_emptied_table_counts_anew() -> None:
    """After a clearing the same sums again are new I/O."""
    load: Load = [(0.5, 1, b"a", b"R", 8), (1.5, 1, b"a", b"R", 8)]
    assert len(given(Kernel(load, places=1).capture(2))) == 2


def test_a_signal_ends_it_with_a_last_reading() -> None:
    """What was done before the signal is reported; nothing is waited for after it."""
    kernel = Kernel([(0.5, 1, b"a", b"R", 8), (1.5, 1, b"a", b"R", 8), (2.5, 1, b"a", b"R", 8)])
    kernel.signals = 2
    assert len(given(kernel.capture(60))) == 2


def test_the_wait_takes_signals_instead_of_their_action() -> None:
    """SIGTERM within cuts a wait short and does not end the process (sigtimedwait(2))."""
    with held_signals() as wait:
        assert wait(0.0) is False
        signal.raise_signal(signal.SIGTERM)  # to this thread: a library may have made others
        assert wait(10.0) is True
    assert signal.SIGTERM not in signal.pthread_sigmask(signal.SIG_BLOCK, [])


def test_an_ignored_hangup_stays_ignored() -> None:
    """As under nohup(1): SIGHUP does not end the capture."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with held_signals() as wait:
            signal.raise_signal(signal.SIGHUP)
            assert wait(0.05) is False
    finally:
        signal.signal(signal.SIGHUP, before)


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        ([], [DISK, TWO_PATHS]),
        (["sdc"], [TWO_PATHS]),
        ([DISK.identity], [DISK]),
        (["old", "sdb"], [TWO_PATHS]),
        (["/dev/sdc", "/dev/disk/by-id/old"], [TWO_PATHS]),
        (["S2"], [TWO_PATHS]),
    ],
)
def test_disks_by_name(names: list[str], expected: list[object]) -> None:
    """By any path, serial number, identity or earlier one, each once; all where none is named."""
    assert pick([DISK, TWO_PATHS], names) == expected


def test_unknown_disk_is_one_line() -> None:
    """It names what can be chosen."""
    with pytest.raises(
        BadInput, match=r'^--disk: "sdz" is no disk here; choose from: sda \(wwn-0x5000000000000001'
    ):
        pick([DISK, TWO_PATHS], ["sdz"])


def test_numbers_of_all_paths(tmp_path: Path) -> None:
    """From `dev` files (Documentation/ABI/stable/sysfs-block): 8:16 is 8 << 20 | 16."""
    for node, text in (("sda", "8:0\n"), ("sdb", "8:16\n"), ("sdc", "65:0\n")):
        (tmp_path / "block" / node).mkdir(parents=True)
        (tmp_path / "block" / node / "dev").write_text(text)
    assert device_numbers([DISK, TWO_PATHS], str(tmp_path)) == {
        8 * 2**20: DISK.identity,
        8 * 2**20 + 16: TWO_PATHS.identity,
        65 * 2**20: TWO_PATHS.identity,
    }
