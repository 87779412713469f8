"""What is known of a disk's standby timer and its power management, each with its source.

Rules: facts for the page of one disk. A legacy ATA timer cannot be read back: the standard has no
command for it. Timers of power conditions can be, and run on an ATA drive only while its Extended
Power Conditions are enabled.
"""

from __future__ import annotations

from collections.abc import Sequence

from spinledger.facts import DiskView
from spinledger.findings.conditions import drift_ns
from spinledger.model import SECOND, Command
from spinledger.web.html import safe
from spinledger.words import duration, number, timer

MAY_STOP = 0x80
"""Below this APM level a drive may stop its motor by itself (ACS-3 APM, from memory)."""


def timer_facts(view: DiskView) -> Sequence[tuple[str, str]]:
    """Terms, and texts that are safe."""
    known, declared_ns = view.facts, view.policy.declared_ns
    terms = [("Declared", "no" if declared_ns is None else timer(declared_ns / SECOND))]
    if setting := _setting(view):
        terms.append(("Set in the drive", setting))
    if known.learned is not None:
        high_s = known.learned.high_ns / SECOND
        terms.append(("Learned from its spin-downs", duration(high_s)))
    if known.observed_standby_ns is not None:
        idle_s = known.observed_standby_ns / SECOND
        terms.append(("Idle time before its last spin-down", duration(idle_s)))
    drift = drift_ns(known)
    if drift is not None:
        terms.append(("Difference to the declared timer", _drift(drift / SECOND)))
    if effect := _effect(view):
        terms.append(("Effect of reading its counters", effect))
    others = [
        f"{safe(name)} {timer(seconds)}"
        for name, seconds in known.drive_timers_s.items()
        if name != "standby_z"
    ]
    if known.epc_enabled is not None:
        enabled = "enabled" if known.epc_enabled else "not enabled"
        terms.append(("Extended Power Conditions", enabled))
    if others and known.epc_enabled is not False:
        terms.append(("Other power conditions", ", ".join(others)))
    if level := known.apm_level:
        words = "may spin down by itself" if level < MAY_STOP else "does not spin down by itself"
        terms.append(("APM level", f"{number(level)}: {words}"))
    return terms


def _setting(view: DiskView) -> str:
    disk, enabled = view.disk, view.facts.epc_enabled
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
        return "none measurable"
    return f"spins down {duration(abs(seconds))} {'later' if seconds > 0 else 'earlier'}"


def _effect(view: DiskView) -> str:
    """Whether a reading of its counters delays its spin-down."""
    effect = view.facts.reading_effect
    if effect is None:
        return ""
    many = f"{effect.read.spin_downs} and {effect.unread.spin_downs} spin-downs"
    error = f"± {2 * effect.error_s:.1f} s; {many} with and without a reading"
    if effect.restarts:
        return f"spins down {effect.later_s:.1f} s later, {error}: a reading restarts its timer"
    return f"none, {error}"
