"""Snapshots built by hand: invented disks of an amateur observatory's photo archive.

`full_view` has every catalogue key, each with as many label sets as a real disk can have with
default settings, taken from the code that makes them where that exists; `attic` is a whole
snapshot with disks in each state.
"""

from __future__ import annotations

from dataclasses import replace

from spinledger.ledger.account import ELAPSED_BOUNDS_S
from spinledger.ledger.facts import DISTURBANCES
from spinledger.ledger.folds import CAUSES, GAP_BOUNDS_S
from spinledger.ledger.table import TRANSITIONS
from spinledger.metrics.catalogue import DISK_ROWS, EXPORTER_ROWS
from spinledger.model import (
    MINUTE,
    SECOND,
    Command,
    Condition,
    Disk,
    DiskView,
    Finding,
    Histogram,
    Labels,
    Number,
    Policy,
    Reason,
    Snapshot,
    State,
)

WALL_NS = 1_790_000_000 * SECOND
AT_NS = 5_000 * SECOND

_WINDOWS = ("1h", "3h", "6h", "1d", "7d", "30d")
_TIMERS = ("300", "600", "1200", "3600", "7200", "14400")
_KINDS = ("load", "start_stop")

LABEL_SETS: dict[str, list[Labels]] = {
    "state_seconds": [(state.value,) for state in State],
    "quiet_state_seconds": [(state.value,) for state in State],
    "transitions": [(before.value, after.value) for before, after in TRANSITIONS],
    "cycles": [("yes",), ("no",)],
    "wakes": [(cause,) for cause in CAUSES],
    "actor_wakes": [*((f"actor_{n}",) for n in range(8)), ("other",)],
    "recent_cycles": [(window,) for window in _WINDOWS],
    "cycle_limit": [(window,) for window in _WINDOWS],
    "cycle_limit_used_ratio": [(window,) for window in _WINDOWS],
    "rated_cycles": [(kind,) for kind in _KINDS],
    "rated_life_used_ratio": [(kind,) for kind in _KINDS],
    "rated_life_end": [(kind, bound) for kind in _KINDS for bound in ("early", "middle", "late")],
    "wear_rejected": [(f"reason_{n}",) for n in range(4)],
    "whatif_cycles": [(timer,) for timer in _TIMERS],
    "whatif_asleep_seconds": [(timer,) for timer in _TIMERS],
    "energy_joules": [(state,) for state in ("active", "idle", "standby", "spinup")],
    "finding": [(f"code_{n}",) for n in range(12)],
    "probe_commands": [(command.value,) for command in list(Command)[:6]],
    "probe_failures": [(reason.value,) for reason in Reason],
    "probe_disturbances": [(kind,) for kind in DISTURBANCES],
}
"""Label sets of the keys that have labels."""

HISTOGRAM_BOUNDS: dict[str, tuple[float, ...]] = {
    "wake_wait_seconds": (0.5, 1.0, 2.0, 5.0, 8.0, 12.0, 20.0, 60.0),
    "idle_gap_seconds": GAP_BOUNDS_S,
    "probe_seconds": ELAPSED_BOUNDS_S,
}


def disk(number: int, pool: str = "", model: str = "LAB HDD 7200") -> Disk:
    """An invented SATA disk."""
    return Disk(
        identity=f"wwn-0x5000c500a1b2{number:04x}",
        nodes=(f"sd{chr(ord('a') + number % 26)}",),
        transport="sata",
        model=model,
        serial=f"LAB{number:05d}",
        firmware="F001",
        wwn=f"0x5000c500a1b2{number:04x}",
        rotation_rpm=7200,
        pool=pool,
        device=f"pci-0000:00:1f.2-ata-{number + 1}",
        probe_method=Command.CHECK_POWER_MODE_16,
        diskseq=number + 1,
    )


def view(number: int, state: State = State.IDLE, pool: str = "") -> DiskView:
    """A disk with a few values, as soon after a start."""
    samples: dict[str, dict[Labels, Number]] = {
        "state_seconds": {(each.value,): 0 for each in State},
        "cycles": {("yes",): 0, ("no",): 0},
        "last_sample": {(): WALL_NS // SECOND},
    }
    samples["state_seconds"][(state.value,)] = 125.5
    return DiskView(
        disk=disk(number, pool),
        policy=Policy(quiet="nights", declared_ns=20 * MINUTE),
        state=state,
        why="no answer at the deadline" if state is State.UNKNOWN else "",
        condition=None,
        since_ns=AT_NS - 60 * SECOND,
        since_wall_ns=WALL_NS - 60 * SECOND,
        samples=samples,
    )


def full_view(number: int) -> DiskView:
    """A disk with every key of the catalogue, at the largest with default settings."""
    samples: dict[str, dict[Labels, Number]] = {
        row.key: {
            labels: number + place + 0.5
            for place, labels in enumerate(LABEL_SETS.get(row.key, [()]))
        }
        for row in DISK_ROWS
        if row.kind in ("gauge", "counter")
    }
    histograms = {
        key: Histogram(bounds, tuple(range(len(bounds))), len(bounds) + 1, 12.25)
        for key, bounds in HISTOGRAM_BOUNDS.items()
    }
    finding = Finding(
        code="code_3",
        disk=disk(number).identity,
        sentence="A question restarts this drive's timer.",
        evidence="It slept only while nobody asked.",
        suggestion="Watch it by counters alone.",
        caution="Ask the drive maker's document first.",
    )
    return replace(
        view(number, pool="plates"),
        condition=Condition.IDLE_B,
        samples=samples,
        histograms=histograms,
        findings=(finding,),
    )


def snapshot(*views: DiskView, number: int = 7) -> Snapshot:
    """A snapshot of these disks, with every metric of the exporter itself."""
    derived = (
        "build_info",
        "render_failures",
        "absent_since",
        "disks_skipped",
        "wear_cross_checks",
    )
    exporter: dict[str, dict[Labels, Number]] = {
        row.key: {(): 1} for row in EXPORTER_ROWS if row.key not in derived
    }
    exporter["absent_since"] = {("wwn-0x5000c500a1b2ffff",): WALL_NS // SECOND - 86_400}
    exporter["wear_cross_checks"] = {("read",): 3, ("timeout",): 0}
    exporter["disks_skipped"] = {("virtual",): 2, ("optical",): 0}
    return Snapshot(
        number=number,
        at_ns=AT_NS,
        wall_ns=WALL_NS,
        committed_ns=AT_NS - 30 * SECOND,
        disks=views,
        exporter=exporter,
        skipped=(("loop0", "virtual"), ("zram0", "virtual")),
    )


def attic() -> Snapshot:
    """The archive host `attic`: a pool of two, one asleep, one that does not tell."""
    return snapshot(
        full_view(0),
        view(1, State.ACTIVE, pool="plates"),
        view(2, State.STANDBY),
        view(3, State.UNKNOWN),
    )
