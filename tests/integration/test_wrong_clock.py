"""A host that boots with a clock years off: nothing false is recorded, nothing is lost.

Reference: the simulated disks' own time. Every second between the first record and the last belongs
to one state, the time that the host was off and the time of the wrong clock to `unobserved`.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest

from spinledger.config.current import CurrentConfig
from spinledger.config.load import load
from spinledger.ledger.summary import summary
from spinledger.loop import Loop, Ports
from spinledger.loop.keeping import Keeping
from spinledger.loop.settings import settings
from spinledger.loop.walltime import AHEAD_NS, RELEASED_WALL_NS, Ticks
from spinledger.model import DAY, HOUR, SECOND, State
from spinledger.sim.clocks import SteppedClock
from spinledger.sim.rehearse import START_WALL_NS, PromptStore
from spinledger.sim.shelf import EPOCH_WALL_NS, SimulatedShelf
from tests.fakes.watching import Kept

SET = "the clock of this host is set; recording begins"
BEGAN_NS = START_WALL_NS - EPOCH_WALL_NS
TO_2099 = int(datetime(2099, 3, 1, tzinfo=UTC).timestamp()) * SECOND - START_WALL_NS


class Wrong(SteppedClock):
    """A clock that shows another time for some hours of boot time."""

    def __init__(self, hours: tuple[float, float], shift_ns: int, at_ns: int, name: str) -> None:
        super().__init__(at_ns, at_ns + EPOCH_WALL_NS, name)
        self.began_ns, self.ended_ns = (BEGAN_NS + round(hour * HOUR) for hour in hours)
        self.shift_ns = shift_ns

    def wall(self) -> int:
        """Nanoseconds since the Unix epoch."""
        wrong = self.began_ns <= self.now() < self.ended_ns
        return super().wall() + wrong * self.shift_ns


@dataclass
class Host:
    """Simulated disks on one ledger. Boot time does not begin anew, so that the disks go on."""

    folder: Path
    said: list[str] = field(default_factory=list)
    known: bool = False  # a time server has set the clock

    def __post_init__(self) -> None:
        self.ledger = self.folder / "ledger.db"
        (self.folder / "config.yml").write_text("{}", encoding="utf-8")
        self.shelf = SimulatedShelf(1, BEGAN_NS, START_WALL_NS, 3)

    def boot(
        self, at_h: float, name: str, wrong: tuple[float, float] = (0, 0), shift_ns: int = TO_2099
    ) -> Loop:
        """A boot at that hour; between the hours `wrong` the clock is off by `shift_ns`."""
        self.clock = Wrong(wrong, shift_ns, BEGAN_NS + round(at_h * HOUR), name)
        shelf, config = self.shelf, self.folder / "config.yml"
        self.store = PromptStore(self.ledger, boot_id=name, live=None, simulated=True)
        loop = Loop(
            Ports(
                self.clock,
                shelf.discoverer,
                shelf.counters,
                shelf.prober,
                [Kept()],
                synchronised=lambda: self.known,
            ),
            settings(CurrentConfig(config, load(config), 0.0)),
            Keeping(self.store, self.store.restore(), HOUR, at_turns=False, live=False),
        )
        loop.settings.say = self.said.append
        return loop

    def run(self, loop: Loop, until_h: float) -> None:
        """Go on until that hour, then stop in order."""
        loop.run(BEGAN_NS + round(until_h * HOUR))
        self.store.close()

    def years(self) -> set[int]:
        """Of all days and spans in the file."""
        with closing(sqlite3.connect(self.ledger)) as file:
            days = [day for (day,) in file.execute("SELECT day FROM days")]
        return {datetime.fromtimestamp(day * DAY // SECOND, UTC).year for day in days}

    def holes(self) -> list[tuple[int, int]]:
        """Where a span of a disk does not begin where the one before it ended."""
        with closing(sqlite3.connect(self.ledger)) as file:
            rows = list(file.execute("SELECT disk, began_ms, ended_ms FROM spans ORDER BY 1, 2"))
        return [
            (ended, began)
            for (disk, _, ended), (same, began, _) in pairwise(rows)
            if disk == same and began != ended
        ]


def seconds(loop: Loop) -> list[tuple[float, float]]:
    """Of each disk: all seconds recorded, and those unobserved."""
    found = []
    for account in loop.accounts.values():
        states = summary(account).totals.state_ns
        found.append((sum(states.values()) / SECOND, states[State.UNOBSERVED] / SECOND))
    return found


@pytest.mark.parametrize("stopped", [True, False])
def test_a_boot_in_2099_records_nothing_until_the_clock_is_set(
    tmp_path: Path, stopped: bool
) -> None:
    """Two hours watched, one off, one with the wrong clock, one more watched: five in all."""
    host = Host(tmp_path)
    host.run(host.boot(0, "a"), 2)
    loop = host.boot(3, "b", wrong=(3, 4))
    if stopped:
        host.run(loop, 3.9)
        assert loop.accounts == {}
        loop = host.boot(4, "c")
    host.run(loop, 5)
    assert host.holes() == []
    assert host.said[0].startswith(
        "the clock of this host shows 2099-03-01, and by the last record"
    )
    assert host.said[1:] == ([] if stopped else [SET])
    assert [round(every) for every, _ in seconds(loop)] == [5 * 3600] * 3
    assert all(2 * 3600 <= unobserved < 2 * 3600 + 60 for _, unobserved in seconds(loop))
    assert host.years() == {2026}


def test_a_clock_that_jumps_to_2099_moves_no_row_there(tmp_path: Path) -> None:
    """Time goes on with the boot clock; when the clock is right again, nothing has happened."""
    host = Host(tmp_path)
    loop = host.boot(0, "a", wrong=(1, 2))
    host.run(loop, 3)
    assert [round(every) for every, _ in seconds(loop)] == [3 * 3600] * 3
    assert host.years() == {2026}
    assert len(host.said) == 1


def test_a_clock_that_a_time_server_set_is_believed(tmp_path: Path) -> None:
    """A host that was off for three years has three unobserved years."""
    host = Host(tmp_path, known=True)
    host.run(host.boot(0, "a"), 1)
    loop = host.boot(1, "b", wrong=(1, 9), shift_ns=1095 * DAY)
    host.run(loop, 2)
    assert host.said == []
    assert all(round(unobserved) // 86_400 == 1095 for _, unobserved in seconds(loop))


@pytest.mark.parametrize(
    ("wall_ns", "doubted"),
    [
        (0, True),  # 1970
        (RELEASED_WALL_NS - 1, True),
        (RELEASED_WALL_NS, False),
        (RELEASED_WALL_NS + AHEAD_NS, False),
        (RELEASED_WALL_NS + AHEAD_NS + 1, True),
        (10**9 * DAY, True),  # beyond what a date can show
    ],
)
def test_which_clock_is_believed(wall_ns: int, doubted: bool) -> None:
    """From the release on, to the stated distance from the last record; without a ledger, too."""
    clock = SteppedClock(0, wall_ns)
    ticks = Ticks(clock, lambda: False)
    ticks.begin(0, 0)
    assert bool(ticks.doubt(0, wall_ns)) is doubted
    assert ticks.at(0).wall_ns == (RELEASED_WALL_NS if doubted else wall_ns)
