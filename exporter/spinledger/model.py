"""The data types that flow from disk to metric.

Rules: frozen and slotted; no behaviour beyond small derived properties; times are integer
nanoseconds of the boot clock (CLOCK_BOOTTIME), or since the Unix epoch in UTC where a name says
`wall`. What the drive reports (`Mode`) and the ledger's state (`State`) are separate, since FFh
says "active or idle" and only counters show which.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from spinledger.schedule import Schedule

MILLISECOND = 1_000_000
SECOND = 1_000_000_000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR


class State(StrEnum):
    """What the ledger records. The first four can be a disk's current state, the last cannot."""

    ACTIVE = "active"  # sectors moved in the interval
    IDLE = "idle"  # spinning, no sector moved
    STANDBY = "standby"  # motor stopped, as the drive reported
    UNKNOWN = "unknown"  # could not be read
    UNOBSERVED = "unobserved"  # not watched

    @property
    def spinning(self) -> bool:
        """True for active and idle."""
        return self is State.ACTIVE or self is State.IDLE


class Mode(StrEnum):
    """What the drive reports."""

    ACTIVE_OR_IDLE = "active_or_idle"
    IDLE = "idle"
    STANDBY = "standby"


class Condition(StrEnum):
    """Power conditions of SPC and of the ATA Extended Power Conditions feature set."""

    IDLE_A = "idle_a"
    IDLE_B = "idle_b"
    IDLE_C = "idle_c"
    STANDBY_Y = "standby_y"
    STANDBY_Z = "standby_z"


class Reason(StrEnum):
    """Why a probe gave no state; label values of the probe failure counter."""

    TIMEOUT = "timeout"  # no answer at the deadline; the disk is mute until one comes
    REJECTED = "rejected"  # ABORTED COMMAND or ILLEGAL REQUEST
    NO_REGISTERS = "no_registers"  # no ATA status return came back (silent bridge)
    STATUS_CLEAR = "status_clear"  # ATA status without DRDY: the link was reset (Sleep)
    DEVICE_ERROR = "device_error"  # ATA status with ERR or DF
    HOST_ERROR = "host_error"  # the host adapter reported a failure
    RESERVED = "reserved"  # a count the standard reserves
    MALFORMED = "malformed"  # truncated or contradictory bytes
    OTHER_SENSE = "other_sense"  # well-formed sense data that says something else
    PERMISSION = "permission"  # CAP_SYS_RAWIO or read permission is missing
    GONE = "gone"  # the node vanished or is another disk now
    PROBER_DOWN = "prober_down"  # the prober process ended; a new one is being started
    WITHHELD = "withheld"  # the kernel was stopping the disk, or a command to it is under way


NOT_SENT = frozenset({Reason.PROBER_DOWN, Reason.WITHHELD})
"""Reasons that are not the drive's: its state stays what it was."""


class Command(StrEnum):
    """Names of the rows of the closed table of commands (codec.commands)."""

    CHECK_POWER_MODE_16 = "check_power_mode_16"
    CHECK_POWER_MODE_12 = "check_power_mode_12"
    REQUEST_SENSE = "request_sense"
    IDENTIFY_DEVICE = (
        "identify_device"  # this and the rest: the drive's own records (codec.counters)
    )
    SMART_READ_DATA = "smart_read_data"
    DEVICE_STATISTICS_GENERAL = "device_statistics_general"
    DEVICE_STATISTICS_ROTATING = "device_statistics_rotating"
    POWER_CONDITIONS_LOG = "power_conditions_log"
    START_STOP_LOG = "start_stop_log"
    TRANSITIONS_LOG = "transitions_log"
    POWER_CONDITION_MODE = "power_condition_mode"


class Watch(StrEnum):
    """How a disk is watched."""

    FULL = "full"  # the kernel's counters, and probes
    COUNTERS = "counters"  # the kernel's counters only, never a probe
    OFF = "off"  # not at all


class RuntimeStatus(StrEnum):
    """power/runtime_status of the SCSI device, plus `absent` where the kernel has no such file."""

    ACTIVE = "active"
    SUSPENDED = "suspended"
    SUSPENDING = "suspending"
    RESUMING = "resuming"
    ERROR = "error"
    UNSUPPORTED = "unsupported"
    ABSENT = "absent"


@dataclass(frozen=True, slots=True)
class Disk:
    """One physical disk. `identity` is the metric label `disk` (design of the metric contract)."""

    identity: str  # wwn-0x<hex>, else <bus>-<model>_<serial>, cleaned to [A-Za-z0-9._-]
    nodes: tuple[str, ...]  # kernel names, one a path: ("sda",)
    transport: str  # sata, sas, usb, scsi, simulated
    model: str
    serial: str
    firmware: str
    wwn: str  # 0x<hex> or ""
    rotation_rpm: int  # 0: not reported
    pool: str  # "" when it belongs to none
    device: str  # same for all logical units of one spindle
    probe_method: Command | None  # the command that this disk is probed with; None: none
    diskseq: int  # 0: unknown
    not_probed_because: str = (
        ""  # one sentence when probe_method is None or probing is off by default
    )
    aliases: tuple[str, ...] = ()  # earlier identities of the same disk
    apm_level: int | None = None  # from cached IDENTIFY words; None: unsupported or disabled
    standard_timer: bool | None = None  # IDENTIFY word 49 bit 13
    iostats: bool = True  # queue/iostats; False: the kernel counts no sectors for it
    gpl: bool | None = None  # General Purpose Logging, by cached IDENTIFY words; None: not known
    epc: bool | None = None  # Extended Power Conditions, likewise
    allow_restart: bool | None = None  # the kernel may start a stopped SCSI disk; None: not known
    timeout_s: int | None = None  # how long the kernel waits for a command; None: not known

    @property
    def kernel_name(self) -> str:
        """The first path's kernel name."""
        return self.nodes[0]

    @property
    def wake_group(self) -> str:
        """What wakes together: its pool, else the disk alone, by a name that a person reads."""
        if self.pool or not self.serial:
            return self.pool or self.identity
        return f"{self.model} {self.serial}"


@dataclass(frozen=True, slots=True)
class Cadence:
    """How often to sample and to probe, in nanoseconds."""

    fast_ns: int = 5 * SECOND  # free signals, always
    slow_ns: int = 60 * SECOND  # probes while idle
    asleep_ns: int = 10 * MINUTE  # probes in standby
    wear_ns: int = 30 * MINUTE  # the drive's own counters, in use; 0: never
    cross_check_ns: int = 0  # cross-check by smartctl, in use; 0: never


@dataclass(frozen=True, slots=True)
class Watts:
    """Power per state, in watts; configured, by model pattern, or common practice."""

    idle: float
    standby: float
    active: float | None = None  # None: taken as idle
    source: str = "default"


@dataclass(frozen=True, slots=True)
class Policy:
    """What is configured for one disk; made by config, exported as metrics where rules need it."""

    watch: Watch = Watch.FULL
    cadence: Cadence = Cadence()
    budget_per_day: float = 24.0
    budget_source: str = "default"  # default or configured
    declared_ns: int | None = None  # the standby timer the owner says the drive has; 0: disabled
    rated_load: int | None = None
    rated_start_stop: int | None = None
    watts: Watts = Watts(idle=5.7, standby=0.7)
    spinup_j: float = 120.0
    quiet: str | None = None  # name of a schedule
    schedule: Schedule | None = None  # that schedule
    candidates_ns: tuple[int, ...] = ()  # what-if timers
    whatif_spinup_ns: int = 0  # how long a spin-up takes, for what-if timers
    waits_per_day: float = 5.0  # waits for a spin-up that are acceptable
    disturbance_limit: int = 3  # then the drive is no longer probed
    horizon_s: float = 3 * 365.25 * 86400
    quiet_asleep_min: float = 0.5
    may_be_absent: bool = False  # its removal is nothing to report
    absent_for_ns: int = 30 * DAY  # then an absent disk counts as removed for good
    actor_limit: int = 8


@dataclass(frozen=True, slots=True)
class Probe:
    """One command on its way. `number` is unique for a run of the program."""

    number: int
    disk: str
    command: Command
    sent_ns: int
    deadline_ns: int  # then it is recorded as Refused(TIMEOUT); the command's own timeout is longer


@dataclass(frozen=True, slots=True)
class Completion:
    """What the kernel handed back for one command: the raw material of a reply."""

    status: int  # SCSI status byte
    host_status: int
    driver_status: int
    sense: bytes
    data: bytes
    elapsed_ns: int


@dataclass(frozen=True, slots=True)
class Reported:
    """A state that the drive reported, with the clause of the standard that says so."""

    mode: Mode
    condition: Condition | None
    clause: str


@dataclass(frozen=True, slots=True)
class Refused:
    """No state, and why. `detail` is for a person."""

    reason: Reason
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Record:
    """One record of the drive: names and units as in `codec.counters.NAMES`."""

    command: Command
    values: Mapping[str, int]


Reply = Reported | Refused | Record


@dataclass(frozen=True, slots=True)
class Counted:
    """Free signals of one disk; reading them sends nothing. Counters as the kernel gives them."""

    disk: str
    at_ns: int
    sectors_read: int  # 512-byte units
    sectors_written: int
    flushes: int
    in_flight: int
    requests: int  # device/iorequest_cnt, our own commands included
    runtime_status: RuntimeStatus
    busy_ms: int = 0  # time with requests in flight
    waited_ms: int = 0  # summed over all requests that are done


@dataclass(frozen=True, slots=True)
class Answered:
    """The reply to a probe; `elapsed_ns` is the time the command took at the kernel's edge."""

    probe: Probe
    at_ns: int
    reply: Reply
    elapsed_ns: int
    sent: bool = True  # False: the command never reached the drive


@dataclass(frozen=True, slots=True)
class Worn:
    """The drive's own counters. None: the drive does not report it."""

    disk: str
    at_ns: int
    start_stops: int | None
    loads: int | None
    power_cycles: int | None
    power_on_s: int | None
    rated_load: int | None
    rated_start_stop: int | None
    apm: int | None  # by IDENTIFY DEVICE; 0: unsupported or off
    origin: str  # where each counter came from: "loads: record, ..."
    retracts: int | None = None  # emergency unloads
    spindle_s: int | None = None  # time the motor ran
    timer_ms: int | None = None  # standby timer by the drive's own record; 0: disabled
    power_on_raw: int | None = None  # attribute 9 as it stands, 48 bits
    packing: str = ""  # how attribute 9 was read (codec.packings)
    to_standby_z: int | None = None  # transitions under power, by a SCSI drive's own log
    epc: int | None = None  # 1: the Extended Power Conditions feature set is enabled; 0: it is not
    timers: str = ""  # of power conditions, milliseconds; 0: off: "idle_a: 2000, standby_z: 0"


@dataclass(frozen=True, slots=True)
class Seen:
    """A disk came, or is here at the start."""

    disk: Disk
    at_ns: int


@dataclass(frozen=True, slots=True)
class Gone:
    """A disk went."""

    identity: str
    at_ns: int


@dataclass(frozen=True, slots=True)
class Tick:
    """The only carrier of wall time. `suspended_ns`: host suspend time since boot."""

    at_ns: int
    wall_ns: int
    boot_id: str
    suspended_ns: int


class Evidence(StrEnum):
    """What a fact says about the platters; the columns of the transition table."""

    MOVED = "moved"  # sectors moved, or a request is in flight
    STILL = "still"  # nothing moved
    REPORTED_SPINNING = "reported_spinning"
    REPORTED_STANDBY = "reported_standby"
    REFUSED = "refused"  # the probe gave no state
    EXPIRED = "expired"  # it may not be probed and the last proof is too old
    UNSEEN = "unseen"  # not watched: exporter stopped, host suspended, disk absent


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of one kind: spinning (active and idle), standby, unknown or unobserved."""

    disk: str
    state: str  # spinning, standby, unknown, unobserved
    began_ns: int
    ended_ns: int
    began_wall_ns: int
    ended_wall_ns: int
    active_ns: int
    evidence: Evidence  # what began it


@dataclass(frozen=True, slots=True)
class Stretch:
    """Time in one state, inside or outside quiet hours: what the folds that count seconds eat."""

    disk: str
    state: State
    quiet: bool
    began_ns: int
    ended_ns: int
    sectors_read: int = 0  # moved by others in it, 512-byte units
    sectors_written: int = 0
    light_ns: int = 0  # active time in samples that moved next to nothing (ledger.recording)
    wall_offset_ns: int = 0  # wall minus boot time when it was recorded


@dataclass(frozen=True, slots=True)
class Transition:
    """One change of state."""

    disk: str
    at_ns: int
    before: State
    after: State


@dataclass(frozen=True, slots=True)
class Cycle:
    """One spin-up: standby to spinning. Not observed: known from the drive's counters only."""

    number: int
    disk: str
    at_ns: int
    at_wall_ns: int
    observed: bool


@dataclass(frozen=True, slots=True)
class Explained:
    """The cause of a cycle, once known; exactly one a cycle."""

    cycle: int
    disk: str
    at_ns: int
    cause: str
    actor: str
    place: str
    wait_ns: int | None


@dataclass(frozen=True, slots=True)
class Woken:
    """Why a disk left standby, by the kernel's events: one a wake."""

    disk: str  # identity
    at_ns: int  # boot clock: the first request queued for a disk in standby
    cause: str  # one of causes.CAUSES
    actor: str  # service unit, container, virtual machine or process; "": unknown
    place: str  # "sda1, md0, ext4 on /srv/photos"; "": unknown
    wait_ns: int | None  # first request queued to its completion; None: not measured
    boundary: str = ""  # "" or what hides the program: "nfsd", "a guest's disk"


@dataclass(frozen=True, slots=True)
class Gap:
    """Time between two foreign I/Os. `censored`: its end or beginning was not seen."""

    disk: str
    began_ns: int
    ended_ns: int
    began_wall_ns: int
    censored: bool


@dataclass(frozen=True, slots=True)
class Reading:
    """The drive's own counters as judged."""

    disk: str
    at_ns: int
    at_wall_ns: int
    worn: Worn
    verdict: str  # accepted, or the reason why not


Entry = Span | Stretch | Transition | Cycle | Explained | Gap | Reading

Labels = tuple[str, ...]
Number = int | float


@dataclass(frozen=True, slots=True)
class Histogram:
    """Cumulative counts per upper bound (ascending, without +Inf), total count and sum."""

    bounds: tuple[float, ...]
    counts: tuple[int, ...]
    count: int
    sum: float


class Severity(StrEnum):
    """What a finding asks for, the worst first; the first two are severities of alerts."""

    PAGE = "page"  # act now
    TICKET = "ticket"  # act within some working days
    NOTE = "note"  # no alert


@dataclass(frozen=True, slots=True)
class Finding:
    """A sentence about one disk or the host, with evidence and what to try."""

    code: str
    disk: str  # "" for the host
    sentence: str
    evidence: str
    suggestion: str
    caution: str
    ask_first: str = ""  # whose document to read, or whom to ask, before trying
    innocent: tuple[str, ...] = ()  # other explanations, each with what rules it out
    since_wall_ns: int | None = None  # since when it holds; None: not known
    severity: Severity = Severity.NOTE
