"""Kinds of simulated drives: one row a kind, quirks as fields, no subclass.

Rules: a drive is a ladder of rests. `after_ns` counts from the last access to the medium (a read,
a write, the end of a spin-up); the drive takes a step when a gap is strictly longer. The first
access climbs the whole ladder at once. Names of drives are invented. Times are typical and not
those of a product: spin-up 10 s (Barracuda 7200.8 manual, page 7, gives at most 10 s), recovery
from idle_c and standby_y 3-15 s (Constellation 7K2 manual, page 14), answers 1-3 ms (common
practice, no source).

What the rests mean: idle_a reduced electronics, idle_b heads unloaded, idle_c heads unloaded and
reduced speed, standby_y the same, standby_z and standby motor stopped (10K v7 product manual, page
18). `parked` is head parking by APM, which a drive without EPC does not tell.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from spinledger.model import HOUR, MILLISECOND, MINUTE, SECOND, Condition, Mode


class Guise(StrEnum):
    """What the drive looks like from the host."""

    ATA = "ata"  # behind SAT: pass-through answered, REQUEST SENSE emulated
    SAS = "sas"  # REQUEST SENSE answered, pass-through refused


class Manner(StrEnum):
    """How the drive or its bridge takes the question."""

    ANSWERS = "answers"
    REJECTS = "rejects"  # ILLEGAL REQUEST 20/00: invalid command operation code
    ABORTS = "aborts"  # ATA status ERR with ABRT
    NO_REGISTERS = "no_registers"  # GOOD, and no ATA status return


class Rousing(StrEnum):
    """What a question does to a stopped motor."""

    NEVER = "never"
    ANSWERS_FIRST = "answers_first"  # says 00h at once and spins up
    SPINS_FIRST = "spins_first"  # spins up and then answers


@dataclass(frozen=True, slots=True)
class Rest:
    """One step of the ladder."""

    name: str  # the name in the truth
    after_ns: int  # without access to the medium
    mode: Mode  # the drive's own word
    condition: Condition | None = None
    stopped: bool = False  # the motor stands
    unloaded: bool = False  # heads off the platters
    recover_ns: int = 0  # until the medium is ready; of a stopped motor: Kind.spinup_ns
    sleeps: bool = False  # PM3:Sleep: a question resets the link and wakes


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of drive."""

    name: str
    model: str = "ARCHIVE 8T"
    guise: Guise = Guise.ATA
    rpm: int = 5400
    ladder: tuple[Rest, ...] = ()
    spinup_ns: int = 10 * SECOND
    spinup_failures: float = 0.0  # chance that one attempt fails and is made again
    apm: int | None = None
    answer_ns: int | None = 2 * MILLISECOND  # None: never answers
    manner: Manner = Manner.ANSWERS
    rousing: Rousing = Rousing.NEVER
    restarts_on_question: bool = False
    restarts_on_log_read: bool = False
    wakes_on_log_read: bool = False
    recovering_says_standby: bool = False  # answers at once with 00h while it spins up
    loses_timer_on_replug: bool = False
    rated_load: int | None = 600_000
    rated_start_stop: int | None = 50_000


def standby(after_ns: int) -> Rest:
    """The legacy standby timer: COUNT 00h (ACS-3 STANDBY)."""
    return Rest("standby", after_ns, Mode.STANDBY, None, stopped=True, unloaded=True)


def parked(after_ns: int) -> Rest:
    """Head parking by APM; the drive still says FFh."""
    return Rest("parked", after_ns, Mode.ACTIVE_OR_IDLE, None, unloaded=True)


def sleep(after_ns: int) -> Rest:
    """PM3:Sleep, as if another program had sent SLEEP after that time."""
    return Rest("sleep", after_ns, Mode.STANDBY, None, stopped=True, unloaded=True, sleeps=True)


_C = Condition
EPC_LADDER = (
    Rest("idle_a", 2 * SECOND, Mode.IDLE, _C.IDLE_A),
    Rest("idle_b", 2 * MINUTE, Mode.IDLE, _C.IDLE_B, unloaded=True, recover_ns=600 * MILLISECOND),
    Rest("idle_c", 10 * MINUTE, Mode.IDLE, _C.IDLE_C, unloaded=True, recover_ns=4 * SECOND),
    Rest("standby_y", 15 * MINUTE, Mode.IDLE, _C.STANDBY_Y, unloaded=True, recover_ns=6 * SECOND),
    Rest("standby_z", 20 * MINUTE, Mode.STANDBY, _C.STANDBY_Z, stopped=True, unloaded=True),
)
"""Power conditions of EPC and of SAS alike; the default timers are ours."""


def retimed(kind: Kind, after_ns: int | None) -> Kind:
    """The same kind with another standby timer: rests earlier than it, then the stop. None: off."""
    rests = [rest for rest in kind.ladder if not rest.stopped]
    stops = [rest for rest in kind.ladder if rest.stopped] or [standby(0)]
    if after_ns is None:
        return replace(kind, ladder=tuple(rests))
    rests = [rest for rest in rests if rest.after_ns < after_ns]
    return replace(kind, ladder=(*rests, replace(stops[0], after_ns=after_ns)))


_PLAIN = Kind("plain", ladder=(standby(20 * MINUTE),))

KINDS: Mapping[str, Kind] = {
    kind.name: kind
    for kind in (
        _PLAIN,
        replace(_PLAIN, name="small", model="LAB HDD 7200", rpm=7200, spinup_ns=7 * SECOND),
        replace(
            _PLAIN,
            name="parking",
            model="ARCHIVE 4T ECO",
            apm=0x80,
            ladder=(parked(8 * SECOND), standby(20 * MINUTE)),
        ),
        replace(_PLAIN, name="epc", model="ARCHIVE 12T", rpm=7200, ladder=EPC_LADDER),
        Kind("sas", "ARCHIVE 8T SAS", Guise.SAS, 7200, EPC_LADDER, spinup_ns=15 * SECOND),
        replace(_PLAIN, name="untimed", ladder=()),
        replace(_PLAIN, name="wakes_answers_first", rousing=Rousing.ANSWERS_FIRST),
        replace(_PLAIN, name="wakes_spins_first", rousing=Rousing.SPINS_FIRST),
        # "Reading can reset the spin-down timer": Linux Documentation/hwmon/drivetemp.rst.
        replace(_PLAIN, name="restarts_on_question", restarts_on_question=True),
        replace(_PLAIN, name="restarts_on_log_read", restarts_on_log_read=True),
        replace(_PLAIN, name="wakes_on_log_read", wakes_on_log_read=True),
        replace(_PLAIN, name="no_registers", manner=Manner.NO_REGISTERS),
        replace(_PLAIN, name="rejects", manner=Manner.REJECTS),
        replace(_PLAIN, name="aborts", manner=Manner.ABORTS),
        replace(_PLAIN, name="slow", answer_ns=30 * SECOND),
        replace(_PLAIN, name="hung", answer_ns=None),
        replace(_PLAIN, name="hung_for_hours", answer_ns=2 * HOUR),
        # "00h while in, going to or recovering from Standby": a product manual of the 2000s.
        replace(_PLAIN, name="recovering_00h", recovering_says_standby=True),
        # A link reset, then COUNT 00h with ATA status 00h, then FFh: seen on an AHCI disk of a
        # virtual machine under Linux 6.1.
        replace(_PLAIN, name="sleep", ladder=(sleep(20 * MINUTE),)),
        replace(_PLAIN, name="loses_timer", loses_timer_on_replug=True),
        replace(_PLAIN, name="weak_motor", spinup_failures=0.3),
    )
}
