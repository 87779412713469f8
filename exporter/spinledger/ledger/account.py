"""One disk's account: what is known now, what is open, and what probing it has shown.

Rules: an Account is the only mutable thing in the core; `recording` writes it, the sampler
its Probing, and neither reads a clock. Everything here can be dumped as JSON types, so that a
restart goes on where it stopped.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from spinledger.facts import Totals
from spinledger.findings.ours import convicted, share
from spinledger.ledger.folds import Folds
from spinledger.model import (
    Command,
    Condition,
    Counted,
    Disk,
    Evidence,
    Gap,
    Policy,
    Probe,
    Reason,
    Record,
    RuntimeStatus,
    State,
    Stretch,
    Watch,
    Woken,
    Worn,
)
from spinledger.ports import QuietHours

SUSPENDED = frozenset({RuntimeStatus.SUSPENDED, RuntimeStatus.SUSPENDING, RuntimeStatus.RESUMING})

ELAPSED_BOUNDS_S = (0.001, 0.003, 0.01, 0.03, 0.1, 0.2, 1.0, 10.0)
"""Bounds of the recorded histogram of answer times, seconds; 0.2 is the mark of a disturbance."""

ANSWER_BOUNDS_S = (0.01, 0.1, 0.2, 1.0, 10.0)
"""Those that are exported."""


@dataclass(slots=True)
class Probing:
    """What the sampler remembers of one drive."""

    pending: Probe | None = None  # the command on its way; at most one
    mute: bool = False  # its deadline passed and no answer came yet
    sent_ns: int | None = None  # when the last probe was sent
    undisturbed_ns: int = 0  # how long the drive had been left alone before the last probe
    came: bool = False  # just plugged in again: it may still be spinning up by itself
    prompted: bool = False  # the last probe followed a hint, so a spin-up is not our doing
    spinning_answer_ns: int | None = None  # last answer that said spinning, this idle period
    refusals: int = 0  # refusals in a row
    given_up: str = ""  # why it is no longer probed; "" while it is
    silenced: bool = False  # not probed until I/O of others
    suspect: str = ""  # a disturbance of ours, to be judged by the next free signals
    own: int = 0  # our commands since the last free signals
    answered_own: bool = False  # an answer arrived since the last free signals
    hint: bool = False  # the free signals call for one probe
    hint_wait_ns: int = 0  # back-off between probes prompted by hints
    hinted_ns: int | None = None
    signals: int = 0  # samples since it last slept in which others' commands moved no sectors
    bracket: tuple[int, int] | None = None  # last spin-down seen between these idle ages
    learned: tuple[int, int] | None = None  # its timer, by ledger.timers
    unprobed: tuple[int, int] | None = None  # awake, and asleep, after so long without a probe
    delayed_ns: int | None = None  # when a probe last delayed its sleep to learn its timer
    restarter: str = ""  # "", suspected or confirmed: a probe restarts its timer
    acquitted: bool = False  # it proved to sleep later than its timer, probed or not
    observed_ns: int | None = None  # idle time before the last spin-down
    sent: dict[str, int] = field(default_factory=dict)  # commands by name
    failed: dict[str, int] = field(default_factory=dict)  # refusals by reason
    disturbed: dict[str, int] = field(default_factory=dict)  # our disturbances by kind
    disturbed_wall_ns: int | None = None  # the last of them
    on_trial: bool = False  # ledger.trial: a probe of ours may have woken it
    follow_up: bool = False  # the next probe follows one that found it asleep
    followed: bool = False  # the last one did
    wakes: int = 0  # of the trial: with no other request than ours
    near: int = 0  # of those: right after a probe
    acquitted_once: bool = False  # it left a trial: its wakes had nothing to do with probes
    slept_on: int = 0  # of the trial: pairs of probes between which it slept on, in a row
    last_ok: bool | None = None  # the last probe gave a state
    elapsed: list[int] = field(default_factory=list)  # answers by time taken, a bucket each
    elapsed_sum_ns: int = 0
    read_ns: int | None = None  # when a read of the drive's counters was last sent
    to_read: list[Command] = field(default_factory=list)  # records left of the newest reading
    records: list[Record] = field(default_factory=list)  # records it has so far
    unreadable: dict[str, int] = field(default_factory=dict)  # refusals by record
    read_in_gap: bool = False  # a read of counters was sent since others last moved sectors
    spin_downs: dict[str, Sequence[float]] = field(default_factory=dict)  # insight.restarting.Kept
    cross_check_ns: int | None = None  # when the cross-check was last started
    cross_checking: bool = False  # it is reading this disk now
    cross_check_over: bool = False  # it ended since the last free signals
    last_records: list[Record] = field(default_factory=list)  # of our own last reading


@dataclass(slots=True)
class Waking:
    """A spin-up that is not explained yet. Its first request came between the last two times."""

    cycle: int
    at_ns: int  # when it was recorded
    before: Counted | None  # the last free signals in which it slept; None: they show nothing
    queued: int = 1  # requests that waited at the last sample
    slept_ns: int = 0  # when the sleep began
    counted: tuple[str, int | None] | None = None  # cause and wait by the free signals
    woken: Woken | None = None  # what the kernel's events say


@dataclass(slots=True)
class Account:
    """One disk's account. `at_ns` is the time up to which everything is recorded."""

    disk: Disk
    policy: Policy
    at_ns: int
    opened_ns: int
    wall_offset_ns: int  # wall minus boot time at the last tick
    state: State = State.UNOBSERVED
    why: Reason | None = None  # why unknown
    condition: Condition | None = None
    since_ns: int = 0
    since_wall_ns: int = 0
    since_seen: bool = False  # the disk was sampled when the present state began
    evidence: Evidence = Evidence.UNSEEN
    span_began_ns: int = 0
    span_began_wall_ns: int = 0
    span_active_ns: int = 0
    stretch_began_ns: int = 0
    stretch_read: int = 0  # sectors moved by others in the open stretch
    stretch_written: int = 0
    stretch_light_ns: int = 0  # time of its samples in which next to nothing moved
    suspended_ns: int = 0  # host suspend time since boot, at the last tick
    quiet: bool = False
    calendar: QuietHours | None = None  # the disk's quiet hours
    boundary_ns: int | None = None  # when `quiet` next changes
    counted: Counted | None = None  # the last free signals
    io_ns: int | None = None  # last sample at which sectors had moved
    sectors_ns: int | None = None  # last sample in which sectors of others had moved
    unseen_ns: int | None = None  # since when it is not sampled; None while it is
    gap_censored: bool = True  # the open gap's beginning was not seen
    proof_ns: int | None = None  # last time it was proven to spin
    cycle_number: int = 0
    waking: Waking | None = None
    traced: bool = False  # what wakes it is reported (ports.WakeSource)
    woken: list[Woken] = field(default_factory=list)  # reports whose spin-up is not recorded yet
    events_lost: int = 0  # events of the kernel that were lost while it slept
    source_lost: int = 0  # the same, by the source's own count
    present: bool = True
    absent_since_wall_ns: int | None = None
    found: dict[str, int] = field(default_factory=dict)  # code of a finding -> since when, wall
    reading: Worn | None = None  # the last accepted reading of the drive's own counters
    observed_since_reading: int = 0  # cycles recorded since then
    powered: bool = False  # the drive was here all the time since then
    cross_checked_ns: int | None = None  # when the cross-check last gave counters
    shifts: dict[str, int] = field(default_factory=dict)  # counter -> what our count is ahead by
    packed: dict[str, list[int]] = field(default_factory=dict)  # wear.packed.Kept
    doubtful: dict[str, list[int]] = field(default_factory=dict)  # counter -> its two readings
    clock: list[int] = field(default_factory=list)  # first attribute 9 of this power-on, seconds
    waiting: dict[str, list[int]] = field(default_factory=dict)  # wear.continuing.Waiting
    doubts: dict[str, list[int]] = field(default_factory=dict)  # counter -> ours, the second's
    base: Totals | None = (
        None  # what exported counters start from, after a stop that lost something
    )
    probing: Probing = field(default_factory=Probing)
    folds: Folds = field(default_factory=Folds)

    @property
    def idle_from_ns(self) -> int:
        """Where the idle time of the present gap begins."""
        return self.io_ns if self.io_ns is not None else self.opened_ns

    def open_stretch(self) -> Stretch:
        """The open stretch as it would be recorded now."""
        return Stretch(
            self.disk.identity,
            self.state,
            self.quiet,
            self.stretch_began_ns,
            self.at_ns,
            self.stretch_read,
            self.stretch_written,
            self.stretch_light_ns,
            self.wall_offset_ns,
        )

    def open_gap(self) -> Gap:
        """The open gap as it would be recorded now, up to the last sample."""
        began = self.idle_from_ns
        ended = self.at_ns if self.unseen_ns is None else self.unseen_ns
        return Gap(self.disk.identity, began, max(began, ended), began + self.wall_offset_ns, True)


def suspended(account: Account) -> bool:
    """True while the kernel's runtime power management holds the device down."""
    return account.counted is not None and account.counted.runtime_status in SUSPENDED


DISTURBING = "probes disturb this drive"


def probing_ended(account: Account) -> str:
    """Why this drive is no longer probed; "" while it is."""
    probing = account.probing
    if not probing.disturbed or sum(probing.disturbed.values()) < account.policy.disturbance_limit:
        return probing.given_up
    if convicted(probing.near, probing.wakes, share(account.policy.cadence)):
        return DISTURBING
    return probing.given_up


def may_probe(account: Account) -> bool:
    """True when this disk could be probed at some time without other I/O first."""
    probing = account.probing
    return (
        account.present
        and account.policy.watch is Watch.FULL
        and account.disk.probe_method is not None
        and not probing_ended(account)
        and not probing.silenced
        and not probing.mute
        and not suspended(account)
    )


def may_read(account: Account) -> bool:
    """True where the drive's counters may ever be read."""
    return account.policy.watch is Watch.FULL and account.disk.probe_method is not None


def timer_ns(account: Account) -> int | None:
    """The standby timer to reckon with: declared, unless the drive proved otherwise; else learned.

    None when nothing is known or the owner says the timer is disabled.
    """
    declared, learned = account.policy.declared_ns, account.probing.learned
    if declared and not (account.probing.acquitted and learned):
        return declared
    return learned[1] if learned else None


def holds_back(account: Account) -> str:
    """Why it is not probed now; "" when it may be."""
    probing = account.probing
    if suspended(account):
        return "suspended by the kernel's runtime power management"
    if ended := probing_ended(account):
        return ended
    if probing.mute:
        return "the last probe is still unanswered"
    if probing.silenced:
        return "not probed until other I/O, since a probe may have disturbed it"
    return account.disk.not_probed_because
