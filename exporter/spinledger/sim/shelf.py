"""The simulated shelf (a set of simulated disks): the scenario's drives in a rack.

Rules: the shelf is a function of seed and virtual time. A shelf that begins at a later time finds
its drives as an earlier one would have left them, counters included: they are played from the
first day of an era (1 January 2026 UTC, and every 366 days after it), which is cheap, since a
drive acts only at arrivals and timers. So nothing is kept between runs, and a run that was killed
and resumes reads the drive's own counters where they would have been. Two things are not repeated:
what our own commands did to a drive whose timer or motor they affect, and the end of an era, which
a run crosses and a later run does not know. `since_wall_ns` fixes the first day instead.

One boot keeps `start_wall_ns - start_ns`: resume with the same distance, and arrivals and the
kernel's counters go on. `truth` counts from `start_ns`.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from spinledger.config.zones import time_zone
from spinledger.errors import BadInput, Misuse
from spinledger.model import DAY, HOUR, SECOND, Policy
from spinledger.sim.arrivals import Scenario
from spinledger.sim.drive import TOP, Burst, Drive, Odometer
from spinledger.sim.faults import Effect, Ordered, order
from spinledger.sim.kinds import KINDS, Kind, retimed
from spinledger.sim.rack import LOG, Action, Place, Rack, bursts, describe
from spinledger.sim.workload import HOSTS

EPOCH_WALL_NS = 1_767_225_600 * SECOND
"""2026-01-01T00:00:00Z, first day of the first era; nanoseconds since the Unix epoch."""

ERA_NS = 366 * DAY
_WORSE = (0.1, 0.3, 0.5, 0.7, 0.8, 0.9)  # how often a dying drive's spin-up fails, step by step


@dataclass(frozen=True, slots=True)
class Outage:
    """The exporter is down between these boot times; the rehearsal leaves them out."""

    began_ns: int
    ended_ns: int
    why: str  # exporter_down, or reboot (then another boot id, too)


@dataclass(frozen=True, slots=True)
class Plug:
    """A disk comes or goes at a boot time."""

    at_ns: int
    place: int  # from 0
    here: bool


@dataclass(frozen=True, slots=True)
class Bench:
    """One disk with arrivals given by hand: boot times (a read each) or bursts."""

    kind: Kind
    arrivals: Sequence[int | Burst] = ()
    pool: str = ""
    name: str = ""  # the identity after `sim-`


class SimulatedShelf(Rack):
    """The disks of `host` (attic or dome) with their load, behind the ports.

    `seed`, `host`, `disks` and `faults` (see `faults.order`) say what the shelf is; `start_ns`
    (boot clock) and `start_wall_ns` (Unix epoch) when it is first sampled; `zone` the time zone of
    its users. Ports: `discoverer`, `counters`, `prober`.
    """

    def __init__(
        self,
        seed: int,
        start_ns: int,
        start_wall_ns: int,
        disks: int = 8,
        host: str = "attic",
        faults: Sequence[str] = (),
        zone: str = "UTC",
        *,
        since_wall_ns: int | None = None,
    ) -> None:
        if host not in HOSTS:
            raise BadInput(f"host {host!r}", "no such host", f"use one of {', '.join(HOSTS)}")
        since = era_wall_ns(start_wall_ns) if since_wall_ns is None else since_wall_ns
        if since > start_wall_ns:
            raise Misuse("a shelf cannot be sampled before its first day")
        where = time_zone(zone, "--zone")
        self._apart_ns = start_wall_ns - start_ns
        self._seed = seed
        self._host = host
        self._orders = order(faults, where)
        self.scenario = Scenario(seed, host, disks, where, self._apart_ns, self._orders)
        first = since - self._apart_ns
        numbers = range(len(self.scenario.slots))
        super().__init__([self._place(n, first) for n in numbers], self._faulty(first))
        for day in range(first + DAY, start_ns, DAY):  # so that pools draw their hours once
            self.move(day)
            for place in self.places:
                place.drive.kernel(day)
        for place in self.places:
            place.drive.log = LOG
        self.begin(start_ns)

    @staticmethod
    def of(
        rows: Sequence[Bench],
        plugs: Sequence[Plug] = (),
        start_ns: int = 0,
        log: int = LOG,
        more: Sequence[Action] = (),
    ) -> Rack:
        """A rack of single drives with arrivals and plug events given by hand, no scenario.

        `more` are other things that happen to them from outside.
        """
        places = [
            Place(
                describe(row.name or f"bench-{number + 1}", row.pool, row.kind, number),
                Drive(row.kind, iter(bursts(row.arrivals)), start_ns, seed=number, log=log),
                _policy(row.kind),
            )
            for number, row in enumerate(rows)
        ]
        actions = [
            Action(one.at_ns, one.place, Rack.push if one.here else Rack.pull) for one in plugs
        ]
        rack = Rack(places, [*actions, *more])
        rack.begin(start_ns)
        return rack

    def outages(self, from_ns: int, to_ns: int) -> Sequence[Outage]:
        """When the exporter is down between two boot times, in order, by faults and reboots."""
        apart = self._apart_ns
        found = [
            Outage(one.began_wall_ns - apart, one.ended_wall_ns - apart, "exporter_down")
            for one in self._orders
            if one.fault.effect is Effect.BLIND
        ]
        found += [Outage(*times, "reboot") for times in self.scenario.reboots(from_ns, to_ns)]
        return sorted(
            (one for one in found if one.began_ns < to_ns and one.ended_ns > from_ns),
            key=lambda one: one.began_ns,
        )

    def _place(self, number: int, at_ns: int, generation: str = "") -> Place:
        slot, group = self.scenario.slots[number], self.scenario.groups[number]
        pool = f"{slot.pool}{group + 1}" if group else slot.pool
        kind = retimed(KINDS[slot.kind], slot.timer_ns)
        drive = Drive(
            kind,
            self.scenario.feed(number, at_ns),
            at_ns,
            odometer=None if generation else _worn_in(kind, self._seed, number),
            seed=self._seed * 1000 + number,
            log=LOG if generation else 0,  # what was before `start_ns` is forgotten
        )
        disk = describe(f"{self._host}-{pool}-{slot.member}{generation}", pool, kind, number)
        policy = _policy(kind, slot.budget_per_day)
        return Place(disk, drive, policy, slot.quiet_hours)

    def _faulty(self, first: int) -> Iterator[Action]:
        """The actions that ordered faults bring."""
        for one in self._orders:
            began = max(first, one.began_wall_ns - self._apart_ns)
            ended = one.ended_wall_ns - self._apart_ns
            for number in self.scenario.places(one.fault.pool, one.fault.member):
                yield from self._happens(one, number, began, ended)

    def _happens(self, one: Ordered, number: int, began: int, ended: int) -> Iterator[Action]:
        match one.fault.effect:
            case Effect.LOSE_TIMER:
                yield Action(began, number, _timer(lost=True))
                yield Action(ended, number, _timer(lost=False))
            case Effect.DIE:
                for step, chance in enumerate(_WORSE):
                    yield Action(
                        began + (ended - began) * step // len(_WORSE), number, _weaken(chance)
                    )
                yield Action(ended, number, Rack.pull)
            case Effect.REPLACE:
                yield Action(
                    began,
                    number,
                    lambda rack, n, at_ns: rack.exchange(n, self._place(n, at_ns, "b"), at_ns),
                )
            case _:
                pass


def era_wall_ns(wall_ns: int) -> int:
    """The first day of the era of a wall time, at least one day before it."""
    return EPOCH_WALL_NS + (wall_ns - DAY - EPOCH_WALL_NS) // ERA_NS * ERA_NS


def _policy(kind: Kind, budget_per_day: float | None = None) -> Policy:
    stop = next((level.after_ns for level in kind.ladder if level.stopped), 0)
    policy = Policy(
        declared_ns=stop, rated_load=kind.rated_load, rated_start_stop=kind.rated_start_stop
    )
    if budget_per_day is None:
        return policy
    return replace(policy, budget_per_day=budget_per_day, budget_source="configured")


def _worn_in(kind: Kind, seed: int, number: int) -> Odometer:
    """Counters of a drive some years old; invented, and in proportion to each other."""
    draw = random.Random(f"odometer {seed} {number}")
    age = draw.randint(9_000, 40_000) * HOUR
    spinning = int(age * draw.uniform(0.4, 0.8))
    starts = draw.randint(800, 6_000)
    parks = draw.randint(60_000, 240_000) if any(r.name == "parked" for r in kind.ladder) else 0
    return Odometer(
        starts=starts,
        stops=starts - 1,
        entered={TOP: starts, **{level.name: starts - 1 for level in kind.ladder}},
        loads=starts + parks,
        power_cycles=draw.randint(15, 90),
        retracts=draw.randint(2, 15),
        powered_ns=age,
        spinning_ns=spinning,
        spinup_ns=kind.spinup_ns,
    )


def _timer(*, lost: bool) -> Callable[[Rack, int, int], None]:
    return lambda rack, number, at_ns: rack.places[number].drive.set_timer(at_ns, lost=lost)


def _weaken(chance: float) -> Callable[[Rack, int, int], None]:
    def act(rack: Rack, number: int, at_ns: int) -> None:
        drive = rack.places[number].drive
        drive.advance(at_ns)
        drive.spinup_failures = chance

    return act
