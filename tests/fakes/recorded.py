"""Histories of invented disks, as pages draw them: plain patterns, and as busy as a disk can be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from zoneinfo import ZoneInfo

from spinledger.facts import DiskView, Snapshot
from spinledger.model import DAY, HOUR, MINUTE, SECOND, Condition, Labels, Number, State
from spinledger.quiet.hours import Calendar
from spinledger.schedule import Schedule, Window
from spinledger.strip import DiskHistory, Period, SpinUp
from spinledger.web.context import PageContext
from tests.fakes.series import with_samples
from tests.fakes.snapshots import WALL_NS, full_view, snapshot, view

ZONE = "Europe/Prague"
LONG = "ARCHIVE 8T WITH A MODEL NAME OF FORTY CHARS"  # ACS-3, 7.12.7.10: a model has 40 bytes


def nights(zone: str = ZONE) -> Calendar:
    """22:00 to 07:00 every night."""
    windows = tuple(Window(day, 22 * 60, 1, 7 * 60) for day in range(7))
    return Calendar(Schedule("nights", zone, windows), ZoneInfo(zone))


def busy(
    now: int = WALL_NS, days: int = 30, every_ns: int = 40 * MINUTE, shift: int = 0
) -> DiskHistory:
    """A disk that spins 15 min of every so many; some of it unknown, some unobserved."""
    periods: list[Period] = []
    spin_ups: list[SpinUp] = []
    at = now - days * DAY + shift
    number = shift
    while at < now:
        number = (number * 1103515245 + 12345) % (1 << 31)  # ISO C's example of rand()
        spinning = 10 * MINUTE + number % (10 * MINUTE)
        state = {3: "unknown", 4: "unobserved"}.get(number // 7 % 40, "spinning")
        active = spinning * (number % 90) // 100 if state == "spinning" else 0
        periods.append(Period(at, min(now, at + spinning), state, active))
        spin_ups.append(SpinUp(at, True))
        if at + spinning < now:
            periods.append(Period(at + spinning, min(now, at + every_ns), "standby", 0))
        at += every_ns
    return DiskHistory(tuple(periods), tuple(spin_ups))


def shelf(disks: int = 60, long_names: bool = False) -> tuple[Snapshot, Mapping[str, DiskHistory]]:
    """Disks in every state, in pools of five, each with a month of history."""
    views: list[DiskView] = []
    histories: dict[str, DiskHistory] = {}
    for number in range(disks):
        state = (State.STANDBY, State.IDLE, State.ACTIVE, State.UNKNOWN)[number % 4]
        full, plain = full_view(number), view(number, state, f"plates-{number // 5}")
        model = f"{LONG} {number}" if long_names else plain.disk.model
        facts = replace(
            full.facts,
            disk=replace(plain.disk, model=model, serial="S" * 20 if long_names else "S1"),
            state=state,
            why=plain.facts.why,
            condition=Condition.STANDBY_Z if state is State.STANDBY else None,
            rated={},
        )
        timers = (300, 600, 1200, 3600, 7200, 14400)
        values: dict[str, dict[Labels, Number]] = {
            "recent_cycles": {("1d",): 3 + number, ("7d",): 21, ("30d",): 90},
            "cycle_limit": {("1d",): 12, ("7d",): 44, ("30d",): 140},
            "state_seconds": {
                **{(state.value,): 0 for state in State},
                ("standby",): 20 * 86400.0,
                ("idle",): 10 * 86400.0,
            },
            "cycles": {("yes",): 90, ("no",): 0},
            "timer_seconds": {(): 1200},
            "whatif_cycles": {(str(timer),): 90 * 1200 // timer for timer in timers},
            "whatif_asleep_seconds": {(str(timer),): 86400 * 1000 / timer for timer in timers},
            "rated_life_used_ratio": {("load",): 0.02 * number, ("start_stop",): 0.3},
            "rated_life_end": {
                ("load", "early"): WALL_NS / SECOND + 2e8,
                ("load", "late"): WALL_NS / SECOND + 3e8,
            },
            "energy_joules": {("idle",): 5e6, ("standby",): 4e6, ("spinup",): 1e5},
            "energy_saved_joules": {(): 6e6},
            "energy_lost_joules": {(): 1e5},
        }
        found = full.findings[:1] if number % 3 == 0 else ()
        one = DiskView(with_samples(facts, values), found)
        views.append(one)
        histories[one.disk.identity] = busy(shift=number * HOUR // 50)
    return snapshot(*views), histories


def losing(view: DiskView, joules: float) -> DiskView:
    """A disk whose spin-ups cost that much more than its sleep saved."""
    totals = replace(view.facts.totals, saved_j=0.0, lost_j=joules)
    return replace(view, facts=replace(view.facts, totals=totals))


def bad_night(disks: int = 8) -> tuple[Snapshot, Mapping[str, DiskHistory]]:
    """A third of the disks slept too little: one active all night, one with many spin-ups, one
    idle; of the last one nothing is recorded.
    """
    whole, histories = shelf(disks)
    changed = dict(histories)
    began = WALL_NS - 30 * HOUR
    for number, one in enumerate(whole.disks):
        identity = one.disk.identity
        if number % 3 == 0:
            periods, ups = _awake(began, (number // 3) % 3)
            changed[identity] = DiskHistory(periods, ups)
        if number == disks - 1:
            del changed[identity]
    return whole, changed


def _awake(began: int, kind: int) -> tuple[tuple[Period, ...], tuple[SpinUp, ...]]:
    if kind != 1:
        active = 20 * HOUR if kind == 0 else 0
        return (Period(began, WALL_NS, "spinning", active),), ()
    step = 90 * MINUTE
    starts = range(began, WALL_NS, step)
    periods = [
        period
        for at in starts
        for period in (
            Period(at, at + 60 * MINUTE, "spinning", 10 * MINUTE),
            Period(at + 60 * MINUTE, at + step, "standby", 0),
        )
    ]
    return tuple(periods), tuple(SpinUp(at, True, "read") for at in starts)


def context_of(histories: Mapping[str, DiskHistory]) -> PageContext:
    """What pages show of these histories."""
    calendar = nights()
    return PageContext(
        lambda since, now: histories, lambda: {"nights": calendar}, calendar.tz, ZONE, "attic"
    )
