"""What the disks of the demonstration are used for: an amateur observatory's photo archive.

Host `dome` takes the pictures, host `attic` keeps them. Everything here is invented and is data:
who touches which pool, by which law, when, with which parameters. `faults` adds what goes wrong,
`arrivals` draws from these tables.

Laws of arrival:
- POISSON: `rate` bursts an hour, independent, within the given local hours (exponential gaps).
- PERIODIC: a request every `rate` seconds at a fixed phase: journals, watchers, guest machines.
- JOB: once on each of its days, begun at local hour `rate` plus up to `spread_min` minutes;
  `ticks` requests, `step_s` apart. A job due in an hour that summer time skips begins when that
  hour is over; in an hour that comes twice it runs once (PEP 495, fold 0).

A burst has between `ticks[0]` and `ticks[1]` requests, uniformly drawn.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from spinledger.model import MINUTE
from spinledger.sim.drive import Op


class Law(StrEnum):
    """How arrivals are spread in time."""

    POISSON = "poisson"
    PERIODIC = "periodic"
    JOB = "job"


class Reach(StrEnum):
    """Which members of the pool a burst touches."""

    ALL = "all"  # writes of a mirror or parity pool
    ONE = "one"  # a small read: one member, drawn
    WALK = "walk"  # a long read: one member after another, WALK_S apart
    FIRST = "first"  # the first member only


WALK_S = 9
"""Seconds between the members of a walk: about one spin-up, as stripes wake one after another."""


class Days(StrEnum):
    """Local dates."""

    DAILY = "daily"
    WORKDAYS = "workdays"  # Monday to Friday
    WEEKEND = "weekend"  # Saturday and Sunday
    FIRST_SUNDAY = "first_sunday"  # of the month
    WEDNESDAYS = "wednesdays"
    THIRD_WEDNESDAY = "third_wednesday"  # of the month


@dataclass(frozen=True, slots=True)
class Process:
    """A program or person that uses a pool; one row of the table."""

    actor: str
    pool: str  # "*": every pool
    law: Law
    rate: float  # per hour, seconds between, or local hour of day: see the law
    op: Op
    reach: Reach
    sectors: int  # per request, 512 bytes each
    ticks: tuple[int, int] = (1, 1)
    step_s: float = 1.0
    days: Days = Days.DAILY
    hours: tuple[int, int] = (0, 24)  # local, from first up to last; over midnight if first > last
    spread_min: int = 0
    flushes: int = 0  # per request
    clear_sky: bool = False  # only in clear nights


@dataclass(frozen=True, slots=True)
class Slot:
    """A place for a disk, and what is configured for it."""

    pool: str
    member: int  # from 1
    kind: str  # row of kinds.KINDS
    timer_ns: int | None  # standby timer as set; None: off
    budget_per_day: float
    quiet_hours: bool = True  # expected to sleep in quiet hours


CLEAR_NIGHTS = 0.6
"""Share of nights with a clear sky."""

HOSTS: Mapping[str, tuple[Slot, ...]] = {
    "attic": (
        Slot("plates", 1, "plain", 20 * MINUTE, 20.0),  # a mirror: originals of the night
        Slot("plates", 2, "plain", 20 * MINUTE, 20.0),
        Slot("frames", 1, "plain", 20 * MINUTE, 10.0),  # a parity pool: the archive
        Slot("frames", 2, "plain", 20 * MINUTE, 10.0),
        Slot("frames", 3, "epc", 20 * MINUTE, 10.0),
        Slot("frames", 4, "sas", 20 * MINUTE, 10.0),
        Slot("flats", 1, "parking", 5 * MINUTE, 120.0),  # woken by the indexer all day and night
        Slot("darks", 1, "small", 20 * MINUTE, 4.0, quiet_hours=False),  # a guest lives here
    ),
    "dome": (
        Slot("raw", 1, "small", 20 * MINUTE, 12.0),  # a mirror: what the camera writes
        Slot("raw", 2, "small", 20 * MINUTE, 12.0),
        Slot("calibration", 1, "parking", 30 * MINUTE, 8.0),
        Slot("spare", 1, "plain", 10 * MINUTE, 4.0),
    ),
}

_P, _S, _J = Law.POISSON, Law.PERIODIC, Law.JOB
_R, _W = Op.READ, Op.WRITE
_ALL, _ONE, _WALK, _FIRST = Reach.ALL, Reach.ONE, Reach.WALK, Reach.FIRST
_WORK, _REST = Days.WORKDAYS, Days.WEEKEND
_BIG, _SMALL = 40_000, 64  # sectors: 20 MB of a picture, 32 KiB of an index

PROCESSES: Mapping[str, tuple[Process, ...]] = {
    "attic": (
        # Nights: calibration pictures first; exposures in batches while the sky is clear.
        Process("capture", "plates", _P, 1.6, _W, _ALL, _BIG, (60, 240), 1.0,
                hours=(21, 5), flushes=1, clear_sky=True),
        Process("capture", "plates", _J, 21.6, _W, _ALL, _BIG, (60, 180), 1.0, spread_min=20,
                flushes=1),
        Process("backup", "plates", _J, 2.5, _R, _WALK, _BIG, (900, 1800), 1.0, spread_min=20),
        Process("backup", "flats", _J, 2.5, _W, _ALL, _BIG, (900, 1800), 1.0, spread_min=20),
        # Days: pictures are stacked, people view them.
        Process("stacker", "frames", _J, 9.2, _R, _ALL, _BIG, (5000, 9000), 2.0, _WORK,
                spread_min=40),
        Process("stacker", "plates", _P, 0.8, _R, _ONE, _BIG, (30, 120), 1.0, _WORK, (9, 17)),
        Process("mira", "frames", _P, 2.5, _R, _WALK, _BIG, (5, 60), 2.0, hours=(18, 21)),
        Process("mira", "frames", _J, 22.2, _R, _WALK, _BIG, (60, 200), 2.0, spread_min=20),
        Process("tomas", "frames", _P, 0.9, _R, _WALK, _BIG, (20, 200), 2.0, _REST, (10, 20)),
        Process("gallery", "plates", _P, 0.4, _R, _ONE, 2_000, (2, 12), 1.0, hours=(8, 22)),
        # Round the clock.
        Process("indexer", "flats", _P, 5.0, _R, _ALL, _SMALL, (1, 6), 1.0),
        Process("gallery", "flats", _P, 0.5, _W, _ALL, _SMALL, (1, 3), 1.0, flushes=1),
        Process("planner", "darks", _S, 30.0, _W, _ALL, _SMALL, flushes=1),
        Process("planner", "darks", _P, 1.0, _R, _ALL, 2_000, (5, 30), 1.0),
        # A program that saves although nothing changed: flushes only, which start no motor.
        Process("gallery", "plates", _P, 0.3, Op.FLUSH, _ALL, 0),
        # Upkeep.
        Process("scrub", "frames", _J, 8.0, _R, _ALL, _BIG, (15_000, 17_000), 2.0,
                Days.FIRST_SUNDAY),
        Process("scrub", "plates", _J, 8.0, _R, _ALL, _BIG, (9_000, 11_000), 2.0,
                Days.FIRST_SUNDAY),
        Process("updates", "flats", _J, 13.5, _W, _ALL, 4_000, (60, 200), 1.0, Days.WEDNESDAYS),
        Process("boot", "*", _J, 4.70, _R, _ALL, _SMALL, (3, 3), 2.0, Days.THIRD_WEDNESDAY),
    ),
    "dome": (
        Process("capture", "raw", _P, 9.0, _W, _ALL, _BIG, (2, 6), 1.0, hours=(21, 5),
                flushes=1, clear_sky=True),
        Process("sender", "raw", _P, 1.6, _R, _ONE, _BIG, (60, 240), 1.0, hours=(21, 5),
                clear_sky=True),
        Process("capture", "calibration", _J, 18.5, _W, _ALL, _BIG, (200, 400), 1.0,
                spread_min=60, clear_sky=True),
        Process("tomas", "calibration", _P, 0.5, _R, _ALL, _BIG, (5, 30), 1.0, _REST, (10, 20)),
        Process("backup", "spare", _J, 6.5, _W, _ALL, _BIG, (300, 900), 1.0, spread_min=15),
        Process("updates", "raw", _J, 13.5, _W, _ALL, 4_000, (60, 200), 1.0, Days.WEDNESDAYS),
        Process("boot", "*", _J, 4.70, _R, _ALL, _SMALL, (3, 3), 2.0, Days.THIRD_WEDNESDAY),
    ),
}  # fmt: skip

REBOOT = Process("reboot", "*", Law.JOB, 4.65, Op.FLUSH, Reach.ALL, 0, (4, 4), 60.0,
                 Days.THIRD_WEDNESDAY)  # fmt: skip
"""When the host restarts after updates, and for how long it is down."""
