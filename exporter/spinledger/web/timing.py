"""What is known of a disk's standby timer and its power management, each with whose word it is.

Rules: facts for the page of one disk. A legacy ATA timer cannot be read back: the standard has no
command for it. Timers of power conditions can be, and run on an ATA drive only while its Extended
Power Conditions are enabled.
"""

from __future__ import annotations

from collections.abc import Sequence

from spinledger.findings.conditions import drift_s
from spinledger.model import SECOND, Command, DiskView
from spinledger.web.charts import value
from spinledger.web.words import length, number, safe, timer

MAY_STOP = 0x80
"""Below this APM level a drive may stop its motor by itself (ACS-3, Advanced Power Management)."""


def facts(view: DiskView) -> Sequence[tuple[str, str]]:
    """Terms, and texts that are safe."""
    declared = view.policy.declared_ns
    given = [("Declared", "no" if declared is None else timer(declared / SECOND))]
    if record := _record(view):
        given.append(("By its own record", record))
    learned = view.samples.get("learned_timer", {})
    if learned:
        given.append(("By its sleep, twice in a row", length(learned[("high_seconds",)])))
    observed = value(view, "observed_standby_seconds")
    if observed is not None:
        given.append(("Idle before it last slept", length(observed)))
    drift = drift_s(view)
    if drift is not None:
        given.append(("Drift from the declared", _drift(drift)))
    if compared := _compared(view):
        given.append(("After its counters were read", compared))
    others = [
        f"{safe(name)} {timer(seconds)}"
        for (name,), seconds in view.samples.get("power_timer_seconds", {}).items()
        if name != "standby_z"
    ]
    enabled = value(view, "epc_enabled")
    if enabled is not None:
        given.append(("Extended Power Conditions", "enabled" if enabled else "not enabled"))
    if others and enabled != 0:
        given.append(("Other power conditions", ", ".join(others)))
    level = value(view, "apm_level")
    if level is not None:
        words = "it may sleep by itself" if level < MAY_STOP else "no sleep by itself"
        given.append(("APM level", f"{number(level)}: {words}"))
    return given


def _record(view: DiskView) -> str:
    disk = view.disk
    enabled = value(view, "epc_enabled")
    seconds = value(view, "power_timer_seconds", "standby_z")
    if seconds is not None and enabled != 0:
        return timer(seconds)
    if disk.probe_method is None:
        return ""
    if disk.probe_method is Command.REQUEST_SENSE or enabled or (enabled is None and disk.epc):
        return "not read yet"
    return "a legacy ATA timer cannot be read back"


def _drift(seconds: float) -> str:
    if not seconds:
        return "none that sampling can tell"
    return f"sleeps {length(abs(seconds))} {'later' if seconds > 0 else 'earlier'}"


def _compared(view: DiskView) -> str:
    """Whether a reading of its counters delays its sleep."""
    slept = view.samples.get("slept_after", {})
    if not slept:
        return ""
    later = slept[("later_seconds",)]
    many = f"{slept[('reading_count',)]} and {slept[('none_count',)]} spin-downs"
    error = f"give or take {2 * slept[('error_seconds',)]:.1f} s; {many} with and without"
    if slept[("restarts",)]:
        return f"sleeps {later:.1f} s later, {error}: a reading restarts its timer"
    return f"sleeps as without, {error}"
