"""Arrivals of the scenario, drawn from its tables: a function of seed, disk and hour.

Rules: time is cut into hours of UTC. What arrives in an hour depends on the seed, the host, the
process and the hour, on nothing that came before; so any window can be drawn by itself, and a
shelf that starts later meets the same arrivals. A Poisson process allows that, since its counts in
disjoint intervals are independent. A burst belongs to the hour in which it begins, except that
jobs and periodic processes are cut at the hour. Members of a pool share one draw, so that a
write reaches all of them at the same time. Local hours are those at the beginning of the UTC
hour, which matters only in zones that are off by a fraction of an hour.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from hashlib import sha256

from spinledger.model import HOUR, MINUTE, SECOND
from spinledger.sim.drive import NEVER, Burst, Op
from spinledger.sim.faults import Effect, Ordered
from spinledger.sim.workload import (
    CLEAR_NIGHTS,
    HOSTS,
    PROCESSES,
    REBOOT,
    WALK_S,
    Days,
    Law,
    Process,
    Reach,
    Slot,
)

_KEPT_HOURS = 256  # drawn hours kept, so that the members of a pool draw once
_KEPT_RUNS = 4096
_NOON = 12


@dataclass(frozen=True, slots=True)
class Played:
    """A process on its disks: `places` are positions on the shelf, in the order of members."""

    process: Process
    places: tuple[int, ...]
    key: int  # of its random numbers
    began_wall_ns: int = -NEVER
    ended_wall_ns: int = NEVER

    def reaches(self, place: int) -> bool:
        """Whether anything of it ever arrives there."""
        return place in (self.places[:1] if self.process.reach is Reach.FIRST else self.places)


class Scenario:
    """The tables of one host, drawn for `disks` places; more than the host has: it is repeated.

    Times of bursts are nanoseconds of the boot clock, which lies `apart_ns` before the wall clock.
    """

    def __init__(
        self,
        seed: int,
        host: str,
        disks: int,
        zone: tzinfo,
        apart_ns: int,
        faults: Sequence[Ordered] = (),
    ) -> None:
        row = HOSTS[host]
        self.slots: tuple[Slot, ...] = tuple(row[i % len(row)] for i in range(disks))
        self.groups = tuple(i // len(row) for i in range(disks))
        self._zone = zone
        self._apart_ns = apart_ns
        self._identity = f"{seed} {host}"
        self._sky = self._key("sky")
        self._played = tuple(self._cast(PROCESSES[host], faults))
        self._guests = {
            place: (one.began_wall_ns, one.ended_wall_ns)
            for one in faults
            if one.fault.effect is Effect.HAND_OVER
            for place in self.places(one.fault.pool, one.fault.member)
        }
        self._random = random.Random()
        self._hours: dict[int, tuple[list[Burst], ...]] = {}
        self._runs: dict[tuple[int, int], tuple[int, int] | None] = {}

    def places(self, pool: str, member: int = 0, group: int = 0) -> tuple[int, ...]:
        """Where the members of a pool stand; 0: all of them."""
        return tuple(
            place
            for place, slot in enumerate(self.slots)
            if self.groups[place] == group
            and pool in (slot.pool, "*")
            and member in (slot.member, 0)
        )

    def _key(self, *words: object) -> int:
        text = " ".join([self._identity, *(str(word) for word in words)])
        return int.from_bytes(sha256(text.encode()).digest()[:8], "big") << 32

    def _cast(self, processes: Sequence[Process], faults: Sequence[Ordered]) -> Iterator[Played]:
        for group in range(max(self.groups, default=-1) + 1):
            for number, process in enumerate(processes):
                # Rows of one job share their draws: what is read here is written there.
                words = (process.actor, process.rate) if process.law is Law.JOB else (number,)
                places = self.places(process.pool, 0, group)
                if places:
                    yield Played(process, places, self._key(group, process.law, *words))
        for one in faults:
            for process in one.fault.processes:
                places = self.places(process.pool)
                if places:
                    key = self._key("fault", one.fault.name, process.actor)
                    yield Played(process, places, key, one.began_wall_ns, one.ended_wall_ns)

    def feed(self, place: int, from_ns: int) -> Iterator[Burst]:
        """What arrives at that place from a boot time on, in order.

        It ends with the last process that reaches the place; most processes never end.
        """
        hour = (from_ns + self._apart_ns) // HOUR
        ends = max((one.ended_wall_ns for one in self._played if one.reaches(place)), default=0)
        while hour * HOUR < ends:
            for burst in self.hour(hour)[place]:
                if burst.began_ns >= from_ns:
                    yield burst
            hour += 1

    def hour(self, hour: int) -> tuple[list[Burst], ...]:
        """What begins in one hour (number since the epoch, UTC), for each place, in order."""
        drawn = self._hours.get(hour)
        if drawn is None:
            if len(self._hours) >= _KEPT_HOURS:
                self._hours.clear()
            drawn = self._hours[hour] = self._draw(hour)
        return drawn

    def _draw(self, hour: int) -> tuple[list[Burst], ...]:
        lanes: tuple[list[Burst], ...] = tuple([] for _ in self.slots)
        local = datetime.fromtimestamp(hour * 3600, self._zone)
        for played in self._played:
            process = played.process
            if process.law is Law.JOB:
                self._job(played, local.date(), hour, lanes)
            elif falls_on(process.days, local.date()) and _within(process.hours, local.hour):
                if process.clear_sky and not self.clear(_night(local)):
                    continue
                if process.law is Law.POISSON:
                    self._poisson(played, hour, lanes)
                else:
                    _periodic(played, hour, self._apart_ns, lanes)
        for place, lane in enumerate(lanes):
            if place in self._guests:
                lane[:] = [self._handed_over(burst, *self._guests[place]) for burst in lane]
            lane.sort()
        return lanes

    def _poisson(self, played: Played, hour: int, lanes: Sequence[list[Burst]]) -> None:
        draw, process = self._random, played.process
        draw.seed(played.key + hour)
        began = hour * HOUR - self._apart_ns
        at_h = draw.expovariate(process.rate)
        while at_h < 1.0:
            ticks = draw.randint(*process.ticks)
            member = draw.randrange(len(played.places))
            _spread(played, began + int(at_h * HOUR), ticks, member, began + HOUR, lanes)
            at_h += draw.expovariate(process.rate)

    def _job(self, played: Played, today: date, hour: int, lanes: Sequence[list[Burst]]) -> None:
        process = played.process
        step = int(process.step_s * SECOND)
        walk = WALK_S * SECOND if process.reach is Reach.WALK else 0
        block = hour * HOUR
        for days in (-1, 0, 1):
            run = self._run(played, today.toordinal() + days)
            if run is None:
                continue
            began, ticks = run
            last = began + (ticks - 1) * step + walk * len(played.places)
            if began >= block + HOUR or last < block:
                continue
            for number, place in enumerate(played.places):
                late = began + number * walk
                _cut(process, late, step, ticks, block, self._apart_ns, lanes[place])

    def _run(self, played: Played, ordinal: int) -> tuple[int, int] | None:
        """A job's beginning (wall clock, nanoseconds) and its requests on that day, if any."""
        known = (played.key, ordinal)
        if known not in self._runs:
            if len(self._runs) > _KEPT_RUNS:
                self._runs.clear()
            self._runs[known] = self._plan_run(played, date.fromordinal(ordinal))
        return self._runs[known]

    def _plan_run(self, played: Played, day: date) -> tuple[int, int] | None:
        process = played.process
        if not falls_on(process.days, day) or (process.clear_sky and not self.clear(day)):
            return None
        draw = self._random
        draw.seed(played.key + day.toordinal())
        late_ns = int(draw.random() * process.spread_min * MINUTE)
        return job_wall_ns(process, day, self._zone) + late_ns, draw.randint(*process.ticks)

    def clear(self, night: date) -> bool:
        """Whether the sky is clear in the night that begins on that local date."""
        self._random.seed(self._sky + night.toordinal())
        return self._random.random() < CLEAR_NIGHTS

    def reboots(self, from_ns: int, to_ns: int) -> Iterator[tuple[int, int]]:
        """When the host is down for a restart, as boot times from and until."""
        day = datetime.fromtimestamp((from_ns + self._apart_ns) / SECOND, self._zone).date()
        day -= timedelta(days=1)
        while (began := job_wall_ns(REBOOT, day, self._zone) - self._apart_ns) < to_ns:
            ended = began + int(REBOOT.ticks[0] * REBOOT.step_s * SECOND)
            if falls_on(REBOOT.days, day) and ended > from_ns:
                yield began, ended
            day += timedelta(days=1)

    def _handed_over(self, burst: Burst, began_wall_ns: int, ended_wall_ns: int) -> Burst:
        inside = began_wall_ns <= burst.began_ns + self._apart_ns < ended_wall_ns
        return burst._replace(op=Op.PASS_THROUGH) if inside and burst.op is not Op.FLUSH else burst


def falls_on(days: Days, day: date) -> bool:
    """Whether a local date is one of these days."""
    weekday, week = day.weekday(), (day.day - 1) // 7
    match days:
        case Days.DAILY:
            return True
        case Days.WORKDAYS:
            return weekday < 5
        case Days.WEEKEND:
            return weekday >= 5
        case Days.FIRST_SUNDAY:
            return weekday == 6 and week == 0
        case Days.WEDNESDAYS:
            return weekday == 2
        case Days.THIRD_WEDNESDAY:
            return weekday == 2 and week == 2


def job_wall_ns(process: Process, day: date, zone: tzinfo) -> int:
    """When a job is due on a local date, nanoseconds since the epoch."""
    minutes = round(process.rate * 60)
    due = datetime(day.year, day.month, day.day, minutes // 60, minutes % 60, tzinfo=zone)
    return int(due.timestamp()) * SECOND


def _within(hours: tuple[int, int], hour: int) -> bool:
    first, last = hours
    return first <= hour < last if first <= last else hour >= first or hour < last


def _night(local: datetime) -> date:
    """The date on which the night of this local time began."""
    return local.date() if local.hour >= _NOON else local.date() - timedelta(days=1)


def _spread(
    played: Played, at_ns: int, ticks: int, member: int, end_ns: int, lanes: Sequence[list[Burst]]
) -> None:
    """One burst to the members it reaches; a walk does not leave the hour."""
    process, places = played.process, played.places
    step = int(process.step_s * SECOND) if ticks > 1 else 0
    if process.reach is Reach.ONE:
        places = places[member : member + 1]
    elif process.reach is Reach.FIRST:
        places = places[:1]
    for number, place in enumerate(places):
        late = number * WALK_S * SECOND if process.reach is Reach.WALK else 0
        began = min(at_ns + late, end_ns - 1)
        lanes[place].append(
            Burst(began, ticks, step, process.sectors, process.op, process.actor, process.flushes)
        )


def _periodic(played: Played, hour: int, apart_ns: int, lanes: Sequence[list[Burst]]) -> None:
    step = int(played.process.rate * SECOND)
    phase = (played.key >> 32) % step
    began = max(hour * HOUR, played.began_wall_ns)
    first = began + (phase - began) % step
    last = min((hour + 1) * HOUR, played.ended_wall_ns)
    ticks = -(-(last - first) // step)
    if ticks <= 0:
        return
    process = played.process
    places = played.places[:1] if process.reach is Reach.FIRST else played.places
    for place in places:
        lanes[place].append(
            Burst(
                first - apart_ns,
                ticks,
                step if ticks > 1 else 0,
                process.sectors,
                process.op,
                process.actor,
                process.flushes,
            )
        )


def _cut(
    process: Process,
    began: int,
    step: int,
    ticks: int,
    block: int,
    apart_ns: int,
    lane: list[Burst],
) -> None:
    """The part of a job that lies in one hour."""
    first = max(0, -(-(block - began) // step))
    last = min(ticks, -(-(block + HOUR - began) // step))
    if first >= last:
        return
    many = last - first
    lane.append(
        Burst(
            began + first * step - apart_ns,
            many,
            step if many > 1 else 0,
            process.sectors,
            process.op,
            process.actor,
            process.flushes,
        )
    )
