"""What is known of one disk, and of the exporter, at one moment.

Findings are judged from these records, pages are drawn from them, and the metric catalogue makes
every series from them.

Rules: frozen; no behaviour beyond small derived properties; a unit is part of a name (`_ns`, `_s`,
`_j`), nanoseconds are of time passed, `_wall_ns` are since the Unix epoch in UTC; None, or an
entry that is not there, means that it is not known. Counters are lifetime totals, less what they
were when exported counters began at zero (`Totals.since`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

from spinledger.model import Condition, Disk, Finding, Histogram, Policy, Reason, State, Worn


class Tried(NamedTuple):
    """What a standby timer would have done."""

    spin_ups: int  # a sleep still open is none yet
    asleep_ns: int


@dataclass(frozen=True, slots=True)
class Totals:
    """Counters of one disk. Every entry that can move is there from zero."""

    state_ns: Mapping[State, int]
    quiet_ns: Mapping[State, int]  # the part of it inside quiet hours
    transitions: Mapping[tuple[State, State], int]
    cycles: int  # spin-ups that were observed
    unobserved_cycles: int  # known from the drive's counters alone
    causes: Mapping[str, int]  # spin-ups by cause
    actors: Mapping[str, int]  # spin-ups by who caused them
    events_lost: int  # events of the kernel, lost while it slept
    whatif: Mapping[int, Tried]  # by standby timer, nanoseconds
    energy_j: Mapping[str, float]  # by state, and `spinup`
    saved_j: float
    lost_j: float
    commands: Mapping[str, int]  # sent to the drive, by name
    failures: Mapping[Reason, int]  # probes that gave no state
    disturbances: Mapping[str, int]  # what probes of ours disturbed, by kind
    rejected: Mapping[str, int]  # readings of the drive's counters, by reason
    gaps: Histogram  # between I/O requests of others, seconds
    waits: Histogram  # of first requests for a spin-up, seconds
    answers: Histogram  # of probes, seconds

    def since(self, base: Totals) -> Totals:
        """These counters less what they were; an entry that the base lacks counts in full."""
        values = {
            field.name: _less(getattr(self, field.name), getattr(base, field.name))
            for field in fields(self)
        }
        return Totals(**values)


def _less(now: Any, then: Any) -> Any:
    if isinstance(now, Histogram):
        return _less_histogram(now, then)
    if isinstance(now, Mapping):
        return {
            key: _less(value, then[key]) if key in then else value for key, value in now.items()
        }
    if isinstance(now, Tried):
        return Tried(now.spin_ups - then.spin_ups, now.asleep_ns - then.asleep_ns)
    return now - then


def _less_histogram(now: Histogram, then: Histogram) -> Histogram:
    if now.bounds != then.bounds:
        return now
    counts = tuple(one - other for one, other in zip(now.counts, then.counts, strict=True))
    return Histogram(now.bounds, counts, now.count - then.count, now.sum - then.sum)


@dataclass(frozen=True, slots=True)
class CycleWindow:
    """Observed spin-ups of a window that ends now, and the count at which an alert is due."""

    count: int
    limit: int
    reached_wall_ns: int | None  # when a spin-up last brought the count to the limit
    since_wall_ns: int | None = None  # when that began, without a break of `budget.HOLD_NS`

    @property
    def used_ratio(self) -> float:
        """The count over the limit."""
        return self.count / self.limit


class Rated(NamedTuple):
    """A rating of the drive, and how far it is used up."""

    cycles: int
    source: str  # configured, or the drive's log
    used_ratio: float | None
    early_wall_ns: int | None = None  # when it will be used up: a 90 % prediction interval
    middle_wall_ns: int | None = None
    late_wall_ns: int | None = None
    counted: int | None = None  # by the drive
    pace_per_day: float | None = None  # of the last year at most; None: too short a record
    unseen: str = ""  # what that record is too short to show, in words


class QuietNow(NamedTuple):
    """The disk's quiet hours at this moment."""

    active: bool
    began_wall_ns: int | None  # the present or last window


class QuietWindow(NamedTuple):
    """The last complete quiet window that was followed from its beginning to its end."""

    asleep_ns: int
    observed_ns: int  # the state was known
    recorded_ns: int  # all of it
    ended_wall_ns: int

    @property
    def asleep_ratio(self) -> float:
        """Share in standby of all recorded time."""
        return self.asleep_ns / self.recorded_ns

    @property
    def observed_ratio(self) -> float:
        """Share in which the state was known."""
        return self.observed_ns / self.recorded_ns


class Awake(NamedTuple):
    """The time since the disk was last seen in standby."""

    longest_idle_ns: int  # the longest run of idle time in it
    lasted_ns: int
    slept: bool  # it was in standby at some time
    watched_ns: int  # since its first recorded time
    came_back_ns: int | None  # how long ago it was watched again, before that run


@dataclass(frozen=True, slots=True)
class Sleeps:
    """The last sleeps that ended, 64 of seven days at most."""

    count: int
    asleep_ns: int
    span_ns: int  # from the beginning of the first one until now
    daytime: int  # ended outside quiet hours
    daytime_short: int  # of those, no longer than the declared standby timer


class Repeated(NamedTuple):
    """Accesses at fixed intervals."""

    period_ns: int
    agreeing: int  # of the last 24 intervals


class Restless(NamedTuple):
    """A time in which the disk was never still for longer than one sample."""

    lasted_ns: int
    sectors_read: int  # 512 bytes each, by others
    sectors_written: int
    light_ns: int  # the part of it in whose samples next to nothing moved


class WaitMedians(NamedTuple):
    """How long first requests waited for a spin-up: the first 20 on record, and the last 20."""

    first_s: float
    last_s: float


class HeadParking(NamedTuple):
    """What the drive's counters gained over the last days on which they were read."""

    loads: int
    starts: int
    lasted_ns: int


class Retracts(NamedTuple):
    """What the drive's counters gained over the last days on which they were read."""

    retracts: int  # emergency retracts of the heads
    power_cycles: int
    lasted_ns: int


class Bracket(NamedTuple):
    """A time between two bounds, nanoseconds."""

    low_ns: int
    high_ns: int


class IdleBefore(NamedTuple):
    """Idle time before spin-downs of one kind: how many, their mean, its standard error."""

    spin_downs: int
    seconds: float
    error: float


class ReadingEffect(NamedTuple):
    """Spin-downs with a reading of the drive's counters in their gap, beside those without."""

    read: IdleBefore
    unread: IdleBefore
    later_s: float
    error_s: float
    restarts: bool  # the difference is no chance


class Disagreement(NamedTuple):
    """One counter, by our commands and by smartctl."""

    ours: int
    cross_check: int


class MainWaker(NamedTuple):
    """Who caused most spin-ups of the last day, of those whose actor is known."""

    actor: str
    cause: str
    place: str
    wakes: int
    of: int  # all explained spin-ups of that time, 64 at most


class NearProbes(NamedTuple):
    """Wakes with no other request than ours: all, those right after a probe, and the probability of
    so many if wakes had nothing to do with probes.
    """

    wakes: int
    near: int
    within_ns: int  # what counts as right after a probe
    chance: float


@dataclass(frozen=True, slots=True)
class Facts:
    """One disk at one moment."""

    disk: Disk
    policy: Policy
    sampled_ns: int  # boot clock
    sampled_wall_ns: int
    unsampled_ns: int  # how long ago that was, where it is longer than usual; else 0
    absent_ns: int | None  # for how long the disk has been gone; None while it is here
    new_since: tuple[str, ...]  # disks of which the first record is younger than its absence
    found_wall_ns: Mapping[str, int]  # since when findings hold, by code
    state: State  # never unobserved: then unknown
    why: str  # why unknown; "" otherwise
    condition: Condition | None
    since_ns: int  # boot clock
    since_wall_ns: int
    since_seen: bool  # False: the state began while the disk was unobserved, or earlier
    untouched_wall_ns: int | None  # since when others moved no sector; None while they do
    totals: Totals
    windows: Mapping[str, CycleWindow]  # by name: 1h to 30d
    early_windows: Mapping[str, CycleWindow]  # those with a lower limit (`budget.EARLY`)
    # Timers
    timer_ns: int | None  # the standby timer to reckon with
    learned: Bracket | None  # the standby timer by its spin-downs (ledger.timers)
    observed_standby_ns: int | None  # idle time before the last spin-down
    # Quiet hours
    quiet_now: QuietNow | None
    quiet_window: QuietWindow | None
    # The drive's counters
    counters: Worn | None  # the last that were accepted
    counters_wall_ns: int | None
    doubtful: Mapping[str, tuple[int, int]]  # by counter: its two readings, neither is shown
    rated: Mapping[str, Rated]  # by kind: load, start_stop
    drive_timers_s: Mapping[str, float]  # by its own settings; by power condition
    epc_enabled: bool | None
    apm_level: int | None
    disagreements: Mapping[str, Disagreement]  # by counter
    reading_effect: ReadingEffect | None
    # Probes
    last_probe_ok: bool | None
    probing_ended: str  # why the drive is no longer probed; ""
    timer_restarted: bool  # probes restart its timer
    disturbed_wall_ns: int | None  # the last disturbance by a probe
    waker: MainWaker | None
    near_probes: NearProbes | None  # of a drive on trial, once it woke there
    bare_commands: int  # samples since it last slept in which others' commands moved no sector
    probed: bool  # it is probed for its state, or a probe is unanswered
    unobserved_wall_ns: int | None  # when its counters last showed missed spin-ups repeatedly
    # What findings are judged by
    awake: Awake | None
    last_day_ns: Mapping[State, int]
    sleeps: Sleeps | None
    repeated: Repeated | None
    restless: Restless | None
    used_wall_ns: int | None  # when others last moved much (`awake.MUCH_SECTORS`)
    wait_medians: WaitMedians | None
    parking: HeadParking | None
    retracts: Retracts | None


@dataclass(frozen=True, slots=True)
class DiskView:
    """A disk's facts, and what is found wrong with it."""

    facts: Facts
    findings: tuple[Finding, ...] = ()

    @property
    def disk(self) -> Disk:
        """The disk itself."""
        return self.facts.disk

    @property
    def policy(self) -> Policy:
        """What is configured for it."""
        return self.facts.policy

    @property
    def state(self) -> State:
        """Its state now."""
        return self.facts.state


@dataclass(frozen=True, slots=True)
class LedgerFacts:
    """The ledger file. None where there is no file."""

    committed_wall_ns: int  # 0: never
    file_bytes: int
    damaged: int  # files found damaged and set aside
    deferred: bool  # a commit waits for the ledger's own disk to be in use
    write_failing: bool


@dataclass(frozen=True, slots=True)
class ExporterFacts:
    """The exporter itself."""

    config_ok: bool  # the last load of the configuration succeeded
    config_loaded_wall_s: float
    unmatched_entries: int  # of `disks` in the configuration
    may_be_suspended: bool  # this host sleeps at times, by the configuration
    watched: int
    skipped: tuple[tuple[str, str], ...]  # kernel name, reason
    absent_wall_ns: Mapping[str, int]  # by identity: since when a known disk is not here
    ledger: LedgerFacts | None
    cross_checks: Mapping[str, int] | None  # runs by result; None while they are off
    prober: tuple[bool, int] | None = None  # connected now, started again; None: simulated


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything at one tick; a scrape and a page read nothing else."""

    number: int
    at_ns: int  # boot clock
    wall_ns: int
    disks: tuple[DiskView, ...]
    exporter: ExporterFacts
    absent: tuple[DiskView, ...] = ()  # known, and not here: their last facts
