"""Shelves of which it is known what the rules should say.

Rules: a shelf is rehearsed by the package's own code; its tables are the ones below. A healthy
disk stays below its budget, no gap of its use is shorter than its timer (what would come sooner is
left out), and in its quiet hours nobody comes but jobs. Everything that befalls healthy shelves
befalls these: a monthly scrub, a nightly and a weekly backup, updates, a restart of the host, a
change of clocks, restarts of the exporter, a disk that a guest drives by itself, a disk replaced.
A faulty shelf is the same with the faults of `sim.faults`, one after another. An event says which
alerts must fire for it and which may.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from spinledger.model import HOUR, MINUTE, SECOND
from spinledger.sim.arrivals import Scenario
from spinledger.sim.drive import Burst, Op
from spinledger.sim.faults import FAULTS, Fault
from spinledger.sim.rehearse import START_WALL_NS
from spinledger.sim.workload import HOSTS, PROCESSES, Days, Law, Process, Reach, Slot

ZONE = ZoneInfo("Europe/Prague")
MONTH_DAYS = 30
STARTS_NS = (
    START_WALL_NS,  # with the beginning of summer time, 2026-03-29
    int(datetime(2026, 10, 1, 20, tzinfo=UTC).timestamp()) * SECOND,  # and its end, 2026-10-25
    int(datetime(2026, 6, 1, 20, tzinfo=UTC).timestamp()) * SECOND,
)
QUIET_BEGINS_H, QUIET_ENDS_H = 22, 7  # local: the schedule that rehearsed shelves keep
HALF_A_NIGHT = timedelta(hours=(24 - QUIET_BEGINS_H + QUIET_ENDS_H) / 2)
INSTANCE = "localhost:9786"

RUNAWAY, BURNING, DOWN = "DiskCyclesRunaway", "DiskCycleBudgetBurning", "SpinledgerDown"
SLEPT, AWAKE = "DiskSleptTooLittleInQuietHours", "DiskAwakeInQuietHours"
TIMER, VANISHED = "DiskTimerNotHolding", "DiskVanished"
PLATES = ("sim-attic-plates-1", "sim-attic-plates-2")
FRAMES = tuple(f"sim-attic-frames-{member}" for member in (1, 2, 3, 4))

Alert = tuple[str, str]
"""An alert's name and whose it is: a disk, a wake group or an instance."""


@dataclass(frozen=True, slots=True)
class Event:
    """What befalls a shelf from `hour` (local) of its day `day` on, and what may come of it."""

    fault: str
    day: int
    hour: float
    lasts_h: float | None = None  # None: as long as the fault says
    must: tuple[Alert, ...] = ()
    may: tuple[Alert, ...] = ()
    shows_h: float = 0.0  # hours from its beginning until there is something to see

    def began(self, first: datetime) -> datetime:
        """Its beginning; `first` is the shelf's."""
        midnight = first.astimezone(ZONE).replace(hour=0, minute=0, second=0, microsecond=0)
        return midnight + timedelta(days=self.day, hours=self.hour)

    def order(self, first: datetime) -> str:
        """The text that orders it."""
        began = self.began(first)
        text = f"{self.fault}@{began:%Y-%m-%dT%H:%M:%S}"
        if self.lasts_h is None:
            return text
        return f"{text}/{began + timedelta(hours=self.lasts_h):%Y-%m-%dT%H:%M:%S}"

    def visible(self, alert: str, first: datetime, turns: datetime) -> datetime:
        """When that alert could know of it at the earliest; not before the disk `turns`, and it
        turns from then on: a fault of a sleeping disk shows nowhere."""
        began = self.began(first) + timedelta(hours=self.shows_h)
        began = max(began, turns.astimezone(ZONE))
        if alert == SLEPT:  # the end of quiet hours of which it missed more than half
            ends = _next(began, QUIET_ENDS_H)
            return ends if ends - began > HALF_A_NIGHT else ends + timedelta(days=1)
        if alert == AWAKE and QUIET_ENDS_H <= began.hour < QUIET_BEGINS_H:
            return _next(began, QUIET_BEGINS_H)
        return began


@dataclass(frozen=True, slots=True)
class Shelf:
    """Some days of one shelf: which of TABLES it is made by, and what befalls it."""

    name: str
    seed: int
    disks: int
    events: tuple[Event, ...]
    tables: str
    days: float = MONTH_DAYS
    start_wall_ns: int = START_WALL_NS
    fast_s: int = 5  # how often the kernel's counters are read


def _next(moment: datetime, hour: int) -> datetime:
    due = moment.replace(hour=hour, minute=0, second=0, microsecond=0)
    return due if due >= moment else due + timedelta(days=1)


def _each(alert: str, whose: Sequence[str]) -> tuple[Alert, ...]:
    return tuple((alert, one) for one in whose)


_UPGRADES = tuple(Event("exporter_down_day", day, 13.7, 2 / 60) for day in (2, 9, 16, 23))
_VANISHES_H = 600 / 3600  # after that time a disk counts as vanished

HEALTHY = (
    *_UPGRADES,
    Event("guest_disk", 0, 23, 24 * MONTH_DAYS),
    # The old disk is gone, and only its owner knows that this was meant.
    Event("disk_replaced", 18, 10, must=((VANISHED, FRAMES[3]),), shows_h=_VANISHES_H),
)

FAULTY = (
    Event("runaway_waker", 2, 22.75, 48, must=((RUNAWAY, "frames"),),
          may=((BURNING, "frames"), (SLEPT, FRAMES[0]), (AWAKE, FRAMES[0]))),
    Event("sleepless_pool", 6, 21, 59, must=(*_each(AWAKE, FRAMES), *_each(SLEPT, FRAMES))),
    # Fixed while the exporter happens to ask nothing, the drive falls asleep in that silence, like
    # one whose timer is restarted by probes. Nothing distinguishes the two so far.
    Event("lost_timer", 11, 12, 48,
          must=((TIMER, PLATES[1]), (AWAKE, PLATES[1]), (SLEPT, PLATES[1])),
          may=(("DiskDisturbedByProbes", PLATES[1]),)),
    Event("journal_every_5s", 15, 12, 48, must=_each(SLEPT, PLATES), may=_each(AWAKE, PLATES)),
    Event("exporter_down_day", 19, 12, must=((DOWN, INSTANCE),)),
    Event("dying_drive", 22, 12, must=((VANISHED, FRAMES[2]),), shows_h=72 + _VANISHES_H),
    Event("disk_replaced", 26, 10, must=((VANISHED, FRAMES[3]),), shows_h=_VANISHES_H),
    Event("guest_disk", 0, 23, 24 * MONTH_DAYS),
)  # fmt: skip

_SLOTS = (
    Slot("plates", 1, "plain", 20 * MINUTE, 12.0),
    Slot("plates", 2, "plain", 20 * MINUTE, 12.0),
    Slot("frames", 1, "plain", 20 * MINUTE, 10.0),
    Slot("frames", 2, "plain", 20 * MINUTE, 10.0),
    Slot("frames", 3, "epc", 20 * MINUTE, 10.0),
    Slot("frames", 4, "sas", 20 * MINUTE, 10.0),
    Slot("flats", 1, "parking", 5 * MINUTE, 16.0),
    Slot("prints", 1, "small", 10 * MINUTE, 12.0),
    Slot("vault", 1, "plain", 60 * MINUTE, 3.0),
    Slot("darks", 1, "small", 20 * MINUTE, 4.0, quiet_hours=False),  # the guest's
)
_P, _S, _J, _R, _W = Law.POISSON, Law.PERIODIC, Law.JOB, Op.READ, Op.WRITE
_ALL, _ONE, _WALK = Reach.ALL, Reach.ONE, Reach.WALK
_BIG, _SMALL = 40_000, 64
_USES = (
    Process("capture", "plates", _P, 0.5, _W, _ALL, _BIG, (60, 240), hours=(18, 22),
            clear_sky=True),
    Process("gallery", "plates", _P, 0.4, _R, _ONE, 2_000, (2, 12), hours=(8, 22)),
    Process("gallery", "plates", _P, 0.3, Op.FLUSH, _ALL, 0),
    Process("backup", "plates", _J, 2.5, _R, _WALK, _BIG, (900, 1800), spread_min=20),
    Process("stacker", "frames", _J, 9.2, _R, _ALL, _BIG, (5000, 9000), 2.0, Days.WORKDAYS,
            spread_min=40),
    Process("mira", "frames", _P, 1.0, _R, _WALK, _BIG, (5, 60), 2.0, hours=(18, 21)),
    Process("tomas", "frames", _P, 0.5, _R, _WALK, _BIG, (20, 200), 2.0, Days.WEEKEND, (10, 20)),
    Process("weekly", "frames", _J, 3.0, _R, _ALL, _BIG, (1800, 3600), 2.0, Days.WEDNESDAYS),
    Process("weekly", "vault", _J, 3.0, _W, _ALL, _BIG, (1800, 3600), 2.0, Days.WEDNESDAYS),
    Process("tomas", "vault", _P, 0.14, _R, _ALL, _BIG, (5, 60), 2.0, hours=(8, 22)),
    Process("indexer", "flats", _P, 0.8, _R, _ALL, _SMALL, (1, 6), hours=(8, 22)),
    Process("updates", "flats", _J, 13.5, _W, _ALL, 4_000, (60, 200), 1.0, Days.WEDNESDAYS),
    Process("printer", "prints", _P, 0.6, _R, _ALL, _BIG, (5, 60), hours=(7, 22)),
    Process("planner", "darks", _S, 30.0, _W, _ALL, _SMALL, flushes=1),
    Process("scrub", "frames", _J, 8.0, _R, _ALL, _BIG, (15_000, 17_000), 2.0, Days.FIRST_SUNDAY),
    Process("scrub", "plates", _J, 8.0, _R, _ALL, _BIG, (9_000, 11_000), 2.0, Days.FIRST_SUNDAY),
    Process("boot", "*", _J, 4.70, _R, _ALL, _SMALL, (3, 3), 2.0, Days.THIRD_WEDNESDAY),
)  # fmt: skip

# A disk for each timer, with a budget of 2 a day, and who wakes it just after it has stopped.
TIMERS_MIN = (5, 10, 20, 60)
BUDGET = 2.0
_SOON_S = 60
WAKER = "waker"
_WAKERS = {
    f"{WAKER}_{minutes}min": Fault(
        f"{WAKER}_{minutes}min",
        f"timer{minutes}",
        1,
        processes=(
            Process(WAKER, f"timer{minutes}", _S, minutes * 60.0 + _SOON_S, _R, Reach.FIRST, 64),
        ),
    )
    for minutes in TIMERS_MIN
}
_RUNAWAYS = tuple(Slot(f"timer{m}", 1, "plain", m * MINUTE, BUDGET) for m in TIMERS_MIN)
_NIGHTLY = Process("backup", "*", _J, 2.5, _R, _ALL, _SMALL)

TABLES: Mapping[str, Sequence[tuple[Any, Mapping[str, Any]]]] = {
    "month": ((HOSTS, {"attic": _SLOTS}), (PROCESSES, {"attic": _USES})),
    "runaways": (
        (HOSTS, {"attic": _RUNAWAYS}),
        (PROCESSES, {"attic": (_NIGHTLY,)}),
        (FAULTS, _WAKERS),
    ),
}
"""Tables of the simulator and the rows that are put in for a shelf's time."""


def months(disk_months: int, fast_s: int, healthy: bool = False) -> list[Shelf]:
    """Shelves of about a dozen disks, `disk_months` together: the last of the first two is faulty,
    later one in four; or all are `healthy`."""
    shelves = max(1, round(disk_months / 12.5))
    least, more = divmod(disk_months, shelves)
    made = []
    for number in range(shelves):
        faulty = not healthy and (number == min(1, shelves - 1) or number % 4 == 3)
        made.append(
            Shelf(
                "faulty" if faulty else "healthy",
                100 + number,
                least + (number < more),
                FAULTY if faulty else HEALTHY,
                "month",
                start_wall_ns=STARTS_NS[number % len(STARTS_NS)],
                fast_s=fast_s,
            )
        )
    return made


def runaways(fast_s: int) -> Shelf:
    """Two days: a runaway for each timer, from noon of the second on."""
    events = tuple(
        Event(
            f"{WAKER}_{minutes}min",
            1,
            10,
            must=((RUNAWAY, f"timer{minutes}"),),
            may=((BURNING, f"timer{minutes}"), (SLEPT, f"sim-attic-timer{minutes}-1")),
        )
        for minutes in TIMERS_MIN
    )
    return Shelf("timers", 1, len(TIMERS_MIN), events, "runaways", days=2, fast_s=fast_s)


class Spaced(Scenario):
    """Arrivals of which none comes sooner after another than the disk's timer.

    What follows within a minute is the same use. Faults come when they like, and a flush moves
    no sectors.
    """

    def feed(self, place: int, from_ns: int) -> Iterator[Burst]:
        """What arrives, without what comes too soon."""
        timer_ns = self.slots[place].timer_ns or 0
        faulty = {process.actor for fault in FAULTS.values() for process in fault.processes}
        ended_ns: int | None = None
        for burst in super().feed(place, from_ns):
            if burst.op is not Op.FLUSH and burst.actor not in faulty:
                gap_ns = HOUR * 24 if ended_ns is None else burst.began_ns - ended_ns
                if MINUTE < gap_ns <= timer_ns:
                    continue
                ends_ns = burst.began_ns + (burst.ticks - 1) * burst.step_ns
                ended_ns = ends_ns if ended_ns is None else max(ended_ns, ends_ns)
            yield burst
