"""What is known of a disk's standby timer and its power management, each with its source.

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


def timer_facts(view: DiskView) -> Sequence[tuple[str, str]]:
    """Terms, and texts that are safe."""
    declared = view.policy.declared_ns
    facts = [("Declared", "no" if declared is None else timer(declared / SECOND))]
    if record := _record(view):
        facts.append(("Set in the drive", record))
    learned = view.samples.get("learned_timer", {})
    if learned:
        facts.append(("From two spin-downs that agree", length(learned[("high_seconds",)])))
    observed = value(view, "observed_standby_seconds")
    if observed is not None:
        facts.append(("Idle time before its last spin-down", length(observed)))
    drift = drift_s(view)
    if drift is not None:
        facts.append(("Difference to the declared timer", _drift(drift)))
    if compared := _compared(view):
        facts.append(("Effect of reading its counters", compared))
    others = [
        f"{safe(name)} {timer(seconds)}"
        for (name,), seconds in view.samples.get("power_timer_seconds", {}).items()
        if name != "standby_z"
    ]
    enabled = value(view, "epc_enabled")
    if enabled is not None:
        facts.append(("Extended Power Conditions", "enabled" if enabled else "not enabled"))
    if others and enabled != 0:
        facts.append(("Other power conditions", ", ".join(others)))
    level = value(view, "apm_level")
    if level is not None:
        words = "may spin down by itself" if level < MAY_STOP else "does not spin down by itself"
        facts.append(("APM level", f"{number(level)}: {words}"))
    return facts


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
        return "none measurable"
    return f"spins down {length(abs(seconds))} {'later' if seconds > 0 else 'earlier'}"


def _compared(view: DiskView) -> str:
    """Whether a reading of its counters delays its spin-down."""
    slept = view.samples.get("slept_after", {})
    if not slept:
        return ""
    later = slept[("later_seconds",)]
    many = f"{slept[('reading_count',)]} and {slept[('none_count',)]} spin-downs"
    error = f"± {2 * slept[('error_seconds',)]:.1f} s; {many} with and without a reading"
    if slept[("restarts",)]:
        return f"spins down {later:.1f} s later, {error}: a reading restarts its timer"
    return f"none, {error}"
