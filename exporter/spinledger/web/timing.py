"""What is known of a disk's standby timer and its power management, each with whose word it is.

Rules: facts for the page of one disk. A legacy ATA timer cannot be read back: the standard has no
command for it. Timers of power conditions can be, and run on an ATA drive only while its Extended
Power Conditions are enabled.
"""

from __future__ import annotations

from collections.abc import Sequence

from spinledger.facts import DiskView
from spinledger.findings.conditions import drift_ns
from spinledger.model import SECOND, Command
from spinledger.web.words import length, number, safe, timer

MAY_STOP = 0x80
"""Below this APM level a drive may stop its motor by itself (ACS-3, Advanced Power Management)."""


def facts(view: DiskView) -> Sequence[tuple[str, str]]:
    """Terms, and texts that are safe."""
    known, declared_ns = view.facts, view.policy.declared_ns
    given = [("Declared", "no" if declared_ns is None else timer(declared_ns / SECOND))]
    if record := _record(view):
        given.append(("By the drive's own setting", record))
    if known.learned is not None:
        given.append(("By its sleep, twice in a row", length(known.learned.high_ns / SECOND)))
    if known.observed_standby_ns is not None:
        given.append(("Idle before it last slept", length(known.observed_standby_ns / SECOND)))
    drift = drift_ns(known)
    if drift is not None:
        given.append(("Drift from the declared", _drift(drift / SECOND)))
    if compared := _compared(view):
        given.append(("After its counters were read", compared))
    others = [
        f"{safe(name)} {timer(seconds)}"
        for name, seconds in known.drive_timers_s.items()
        if name != "standby_z"
    ]
    enabled = known.epc_enabled
    if enabled is not None:
        given.append(("Extended Power Conditions", "enabled" if enabled else "not enabled"))
    if others and enabled is not False:
        given.append(("Other power conditions", ", ".join(others)))
    if level := known.apm_level:
        words = "it may sleep by itself" if level < MAY_STOP else "no sleep by itself"
        given.append(("APM level", f"{number(level)}: {words}"))
    return given


def _record(view: DiskView) -> str:
    disk = view.disk
    enabled = view.facts.epc_enabled
    seconds = view.facts.drive_timers_s.get("standby_z")
    if seconds is not None and enabled is not False:
        return timer(seconds)
    if disk.probe_method is None:
        return ""
    if disk.probe_method is Command.REQUEST_SENSE or enabled or (enabled is None and disk.epc):
        return "not read yet"
    return "a legacy ATA timer cannot be read"


def _drift(seconds: float) -> str:
    if not seconds:
        return "none that sampling can resolve"
    return f"sleeps {length(abs(seconds))} {'later' if seconds > 0 else 'earlier'}"


def _compared(view: DiskView) -> str:
    """Whether a reading of its counters delays its sleep."""
    effect = view.facts.reading_effect
    if effect is None:
        return ""
    many = f"{effect.read.spin_downs} and {effect.unread.spin_downs} spin-downs"
    error = f"give or take {2 * effect.error_s:.1f} s; {many} with and without"
    if effect.restarts:
        return f"sleeps {effect.later_s:.1f} s later, {error}: a reading restarts its timer"
    return f"sleeps as without, {error}"
