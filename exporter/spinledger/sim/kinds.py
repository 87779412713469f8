"""Kinds of simulated drives: one row a kind, quirks as fields, no subclass.

Rules: a drive has a ladder of levels of power saving. `after_ns` counts from the last access to the
medium (a read, a write, the end of a spin-up); the drive takes a step when a gap is strictly
longer. The first access climbs the whole ladder at once. Names of drives are invented. Times are
typical and not those of a product: spin-up 10 s (Barracuda 7200.8 manual, p7: at most 10 s),
recovery from idle_c and standby_y 3-15 s (Ultrastar 7K2 specification, p14), answers 1-3 ms (common
practice, no source).

What the levels mean: idle_a reduced electronics, idle_b heads unloaded, idle_c heads unloaded and
reduced speed, standby_y the same, standby_z and standby motor stopped (10K v7 product manual, rev.
C, p18). `parked` is head parking by APM, which a drive without EPC does not report.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from spinledger.model import HOUR, MILLISECOND, MINUTE, SECOND, Condition, Mode


class Interface(StrEnum):
    """How the host talks to the drive."""

    ATA = "ata"  # behind SAT: pass-through answered, REQUEST SENSE emulated
    SAS = "sas"  # REQUEST SENSE answered, pass-through refused


class Response(StrEnum):
    """How the drive or its bridge replies to a probe."""

    ANSWERS = "answers"
    REJECTS = "rejects"  # ILLEGAL REQUEST 20/00: invalid command operation code
    ABORTS = "aborts"  # ATA status ERR with ABRT
    NO_REGISTERS = "no_registers"  # GOOD, and no ATA status return


class SpinUpOnProbe(StrEnum):
    """What a probe does to a stopped motor."""

    NEVER = "never"
    ANSWERS_FIRST = "answers_first"  # reports 00h at once and spins up
    SPINS_FIRST = "spins_first"  # spins up and then replies


@dataclass(frozen=True, slots=True)
class Level:
    """One level of power saving, a step of the ladder."""

    name: str
    after_ns: int  # without access to the medium
    mode: Mode  # as the drive reports it
    condition: Condition | None = None
    stopped: bool = False  # the motor is stopped
    unloaded: bool = False  # heads off the platters
    recover_ns: int = 0  # until the medium is ready; of a stopped motor: Kind.spinup_ns
    sleeps: bool = False  # PM3:Sleep: a probe resets the link and starts the motor


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of drive."""

    name: str
    model: str = "ARCHIVE 8T"
    interface: Interface = Interface.ATA
    rpm: int = 5400
    ladder: tuple[Level, ...] = ()
    spinup_ns: int = 10 * SECOND
    spinup_failures: float = 0.0  # chance that one attempt fails and is made again
    apm: int | None = None
    answer_ns: int | None = 2 * MILLISECOND  # None: never answers
    response: Response = Response.ANSWERS
    on_probe: SpinUpOnProbe = SpinUpOnProbe.NEVER
    restarts_on_probe: bool = False
    restarts_on_log_read: bool = False
    wakes_on_log_read: bool = False
    standby_while_recovering: bool = False  # reports 00h at once while it spins up
    loses_timer_on_replug: bool = False
    rated_load: int | None = 600_000
    rated_start_stop: int | None = 50_000


def standby(after_ns: int) -> Level:
    """The legacy standby timer: COUNT 00h (Ultrastar HC580 specification, p138)."""
    return Level("standby", after_ns, Mode.STANDBY, None, stopped=True, unloaded=True)


def parked(after_ns: int) -> Level:
    """Head parking by APM; the drive still reports FFh (common practice, no source)."""
    return Level("parked", after_ns, Mode.ACTIVE_OR_IDLE, None, unloaded=True)


def sleep(after_ns: int) -> Level:
    """PM3:Sleep, as if another program had sent SLEEP after that time."""
    return Level("sleep", after_ns, Mode.STANDBY, None, stopped=True, unloaded=True, sleeps=True)


_C = Condition
EPC_LADDER = (
    Level("idle_a", 2 * SECOND, Mode.IDLE, _C.IDLE_A),
    Level("idle_b", 2 * MINUTE, Mode.IDLE, _C.IDLE_B, unloaded=True, recover_ns=600 * MILLISECOND),
    Level("idle_c", 10 * MINUTE, Mode.IDLE, _C.IDLE_C, unloaded=True, recover_ns=4 * SECOND),
    Level("standby_y", 15 * MINUTE, Mode.IDLE, _C.STANDBY_Y, unloaded=True, recover_ns=6 * SECOND),
    Level("standby_z", 20 * MINUTE, Mode.STANDBY, _C.STANDBY_Z, stopped=True, unloaded=True),
)
"""Power conditions of EPC and of SAS alike; the default timers are ours."""


def retimed(kind: Kind, after_ns: int | None) -> Kind:
    """The same kind with another standby timer: earlier levels, then the stop. None: off."""
    levels = [level for level in kind.ladder if not level.stopped]
    stops = [level for level in kind.ladder if level.stopped] or [standby(0)]
    if after_ns is None:
        return replace(kind, ladder=tuple(levels))
    levels = [level for level in levels if level.after_ns < after_ns]
    return replace(kind, ladder=(*levels, replace(stops[0], after_ns=after_ns)))


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
        Kind("sas", "ARCHIVE 8T SAS", Interface.SAS, 7200, EPC_LADDER, spinup_ns=15 * SECOND),
        replace(_PLAIN, name="untimed", ladder=()),
        replace(_PLAIN, name="wakes_answers_first", on_probe=SpinUpOnProbe.ANSWERS_FIRST),
        replace(_PLAIN, name="wakes_spins_first", on_probe=SpinUpOnProbe.SPINS_FIRST),
        # "Reading can reset the spin-down timer": Linux Documentation/hwmon/drivetemp.rst.
        replace(_PLAIN, name="restarts_on_probe", restarts_on_probe=True),
        replace(_PLAIN, name="restarts_on_log_read", restarts_on_log_read=True),
        replace(_PLAIN, name="wakes_on_log_read", wakes_on_log_read=True),
        replace(_PLAIN, name="no_registers", response=Response.NO_REGISTERS),
        replace(_PLAIN, name="rejects", response=Response.REJECTS),
        replace(_PLAIN, name="aborts", response=Response.ABORTS),
        replace(_PLAIN, name="slow", answer_ns=30 * SECOND),
        replace(_PLAIN, name="hung", answer_ns=None),
        replace(_PLAIN, name="hung_for_hours", answer_ns=2 * HOUR),
        # "00h while in, going to or recovering from Standby": Maxtor product manual, 7-8.
        replace(_PLAIN, name="recovering_00h", standby_while_recovering=True),
        # A link reset, then COUNT 00h with ATA status 00h, then FFh: seen on an AHCI disk of a
        # virtual machine under Linux 6.1.
        replace(_PLAIN, name="sleep", ladder=(sleep(20 * MINUTE),)),
        replace(_PLAIN, name="loses_timer", loses_timer_on_replug=True),
        replace(_PLAIN, name="weak_motor", spinup_failures=0.3),
    )
}
