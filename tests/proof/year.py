"""A simulated year of 24 drives of every kind: what watching did to them, by the drives' own logs.

    python -m tests.proof.year [DAYS]

prints a row for each drive: how often others spun it up, how often we did and how often we held it
awake, and when the last of these was. A drive is held awake by us where it stops later than its
timer after the last request of others, by more than one sample (the use itself is seen that late,
and a reading belongs to it) and what the drive takes to serve a request from a lower level. A drive
is settled once it is no longer probed, or once its timer is known where probes restart it. Drives
are those of spinledger.sim.kinds, used twice a day at random times for up to 50 minutes; nothing
about them is declared. Requires of every drive: nothing of ours after it was settled, and at most
FEW times before.
"""

from __future__ import annotations

import multiprocessing
import random
import sys
from collections.abc import Iterable, Sequence
from itertools import cycle, islice
from typing import NamedTuple

from spinledger.ledger.account import probing_ended
from spinledger.loop import Loop, Ports
from spinledger.loop.settings import Settings
from spinledger.model import DAY, HOUR, MILLISECOND, SECOND, Policy
from spinledger.sim.clocks import SteppedClock
from spinledger.sim.drive import Burst, Event, Op
from spinledger.sim.kinds import KINDS, Kind
from spinledger.sim.rack import Place, Truth
from spinledger.sim.shelf import Bench, SimulatedShelf
from tests.fakes.facts import WALL_NS
from tests.fakes.watching import Kept

DRIVES = 24
SHELVES = 2  # each in a process of its own
FEW = 5
LATE_NS = Policy().cadence.fast_ns + 50 * MILLISECOND  # a sample, and a reading of five records
LOG = 1 << 20


class Row(NamedTuple):
    """What happened to one drive; times in days from the beginning."""

    kind: str
    by_others: int
    woken: int
    held: int
    settled: float | None
    after: int  # of `woken` and `held`, those after it was settled
    last: float | None
    probes: int
    readings: int  # commands that read counters

    @property
    def wrong(self) -> str:
        """What must not be."""
        if self.after:
            return "disturbed after it was settled"
        return "disturbed too often" if self.woken + self.held > FEW else ""


def uses(seed: int, days: float) -> list[Burst]:
    """Two spells a day of up to a hundred requests, one in 30 s."""
    draw = random.Random(seed)
    began = sorted(draw.uniform(0, days * DAY) for _ in range(round(2 * days)))
    return [Burst(round(at), draw.randint(1, 100), 30 * SECOND, 8, Op.READ, "use") for at in began]


def watched(kinds: Sequence[Kind], days: float, seed: int) -> list[Row]:
    """One shelf, watched by the real loop in stepped time."""
    used = [uses(seed + number, days) for number in range(len(kinds))]
    rack = SimulatedShelf.of(
        [
            Bench(kind, feed, name=f"{number}-{kind.name}")
            for number, (kind, feed) in enumerate(zip(kinds, used, strict=True))
        ],
        log=LOG,
    )
    policy = Policy()
    loop = Loop(
        Ports(
            SteppedClock(0, WALL_NS), rack.discoverer, rack.counters, rack.prober, [Kept()], None
        ),
        Settings(
            policy=lambda disk: policy,
            calendar=lambda policy: None,
            say=lambda words: None,
            fast_ns=lambda: policy.cadence.fast_ns,
        ),
        on_entries=lambda entries: None,
    )
    settled: dict[str, int] = {}
    for hour in range(1, round(days * DAY / HOUR) + 1):
        loop.run(hour * HOUR)
        for disk, account in loop.accounts.items():
            timer_known = account.probing.restarter and account.probing.learned
            if probing_ended(account) or timer_known:
                settled.setdefault(disk, hour * HOUR)
    truth = rack.truth(round(days * DAY))
    return [
        _row(place, truth[place.disk.identity], feed, settled.get(place.disk.identity))
        for place, feed in zip(rack.places, used, strict=True)
    ]


def _row(place: Place, truth: Truth, feed: Iterable[Burst], settled_ns: int | None) -> Row:
    ours = [one.at_ns for one in truth.events if one.cause in ("probe", "log_read")]
    held = list(_held(place.drive.kind, truth.events, feed))
    disturbed = sorted(ours + held)
    return Row(
        place.drive.kind.name,
        sum(count for (cause, _), count in truth.wakes.items() if cause == "read"),
        len(ours),
        len(held),
        None if settled_ns is None else settled_ns / DAY,
        sum(settled_ns is not None and at > settled_ns for at in disturbed),
        disturbed[-1] / DAY if disturbed else None,
        truth.probes,
        truth.log_reads,
    )


def _held(kind: Kind, events: Iterable[Event], feed: Iterable[Burst]) -> Iterable[int]:
    """When it stopped later than others let it."""
    timer_ns = next((level.after_ns for level in kind.ladder if level.stopped), None)
    if timer_ns is None:
        return
    requests = [one.began_ns + number * one.step_ns for one in feed for number in range(one.ticks)]
    starts = [one.at_ns + one.wait_ns for one in events if one.what == "start"]
    stops = [(one.at_ns, "stop") for one in events if one.what == "stop"]
    late_ns = LATE_NS + max(level.recover_ns for level in kind.ladder)
    last = 0
    for at_ns, what in sorted([*((at, "served") for at in (*requests, *starts)), *stops]):
        if what != "stop":
            last = at_ns
        elif at_ns > last + timer_ns + late_ns:
            yield at_ns


def _watched(given: tuple[Sequence[str], float, int]) -> list[Row]:
    names, days, seed = given
    return watched([KINDS[name] for name in names], days, seed)


def year(names: Sequence[str], days: float) -> list[Row]:
    """These kinds on shelves of their own, each in a process; as many days."""
    shelves = [(names[first::SHELVES], days, 1000 * first) for first in range(SHELVES)]
    with multiprocessing.Pool(SHELVES) as pool:
        return [row for rows in pool.map(_watched, shelves) for row in rows]


def table(rows: Sequence[Row]) -> list[str]:
    """The rows as lines."""
    lines = [
        f"{'':22}{'spin-ups':>9}{'spin-ups':>9}{'held':>6}{'settled':>9}{'ours':>7}{'last of':>9}"
        f"{'':>8}{'':>9}",
        f"{'kind of drive':22}{'of others':>9}{'by us':>9}{'awake':>6}{'on day':>9}{'after':>7}"
        f"{'ours, day':>10}{'probes':>8}{'readings':>9}",
    ]
    for row in sorted(rows):
        settled = "" if row.settled is None else f"{row.settled:.1f}"
        last = "" if row.last is None else f"{row.last:.1f}"
        lines.append(
            f"{row.kind:22}{row.by_others:9}{row.woken:9}{row.held:6}{settled:>9}{row.after:7}"
            f"{last:>10}{row.probes:8}{row.readings:9}  {row.wrong}"
        )
    return lines


def main(days: float = 365) -> int:
    """Print the table; 1 if a drive was disturbed where it must not be."""
    rows = year(list(islice(cycle(KINDS), DRIVES)), days)
    print(f"{DRIVES} drives for {days:g} days, nothing declared")
    print("\n".join(table(rows)))
    return int(any(row.wrong for row in rows))


if __name__ == "__main__":
    sys.exit(main(*map(float, sys.argv[1:])))
