"""Snapshots built by hand: invented disks of an amateur observatory's photo archive.

`full_view` has every catalogue key, each with as many label sets as a real disk can have with
default settings, taken from the code that makes them where that exists; `attic` is a whole
snapshot with disks in each state.
"""

from __future__ import annotations

from dataclasses import replace

from spinledger.facts import (
    CycleWindow,
    DiskView,
    ExporterFacts,
    LedgerFacts,
    QuietNow,
    QuietWindow,
    Rated,
    Snapshot,
    Tried,
)
from spinledger.findings.judge import CODES
from spinledger.ledger.account import ANSWER_BOUNDS_S
from spinledger.ledger.counts import GAP_BOUNDS_S, WAIT_BOUNDS_S
from spinledger.ledger.recording import open_account
from spinledger.ledger.summary import summary
from spinledger.model import (
    MINUTE,
    SECOND,
    Command,
    Condition,
    Disk,
    Finding,
    Histogram,
    Policy,
    Reason,
    State,
    Tick,
    Worn,
)

WALL_NS = 1_790_000_000 * SECOND
AT_NS = 5_000 * SECOND
ACTORS = ("indexer", "gallery", "backup", "stacker", "mira", "tomas", "planner", "capture")


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
    policy = Policy(quiet="nights", declared_ns=20 * MINUTE)
    account = open_account(disk(number, pool), policy, Tick(AT_NS, WALL_NS, "boot", 0))
    plain = summary(account)
    times = {**plain.totals.state_ns, state: 125_500_000_000}
    return DiskView(
        replace(
            plain,
            state=state,
            why="no answer at the deadline" if state is State.UNKNOWN else "",
            since_ns=AT_NS - 60 * SECOND,
            since_wall_ns=WALL_NS - 60 * SECOND,
            since_seen=True,
            totals=replace(plain.totals, state_ns=times),
        )
    )


def full_view(number: int) -> DiskView:
    """A disk with every key of the catalogue, at the largest with default settings."""
    plain = view(number, pool="plates").facts
    counts, value = plain.totals, number + 0.5
    timers = [timer * SECOND for timer in (300, 600, 1200, 3600, 7200, 14400)]
    totals = replace(
        counts,
        state_ns={state: round(value * SECOND) + at for at, state in enumerate(counts.state_ns)},
        commands={command.value: number for command in list(Command)[:6]},
        failures=dict.fromkeys(Reason, number),
        whatif={timer: Tried(number, round(value * SECOND)) for timer in timers},
        actors={**counts.actors, **dict.fromkeys(ACTORS, number)},
        energy_j={**counts.energy_j, "idle": value},
        rejected=dict.fromkeys(counts.rejected, number),
        gaps=_histogram(GAP_BOUNDS_S),
        waits=_histogram(WAIT_BOUNDS_S),
        answers=_histogram(ANSWER_BOUNDS_S),
    )
    worn = Worn("", 0, 900, 1200, 40, 72_000_000, None, None, None, "", retracts=7)
    rated = Rated(600_000, "configured", 0.2, WALL_NS + 1, WALL_NS + 2, WALL_NS + 3)
    facts = replace(
        plain,
        totals=totals,
        condition=Condition.IDLE_B,
        windows={name: CycleWindow(number, 7, WALL_NS - 1) for name in plain.windows},
        early_windows={name: CycleWindow(number, 6, WALL_NS - 1) for name in plain.early_windows},
        timer_ns=20 * MINUTE,
        observed_standby_ns=21 * MINUTE,
        quiet_now=QuietNow(True, WALL_NS - 3600 * SECOND),
        quiet_window=QuietWindow(4, 8, 9, WALL_NS - 40_000 * SECOND),
        counters=worn,
        counters_wall_ns=WALL_NS - 60 * SECOND,
        rated={"load": rated, "start_stop": rated},
        apm_level=127,
        last_probe_ok=True,
    )
    return DiskView(facts, tuple(_finding(number, code) for code in CODES))


def _finding(number: int, code: str) -> Finding:
    return Finding(
        code=code,
        disk=disk(number).identity,
        sentence=f"This is finding {code}.",
        evidence="It slept only while it was not probed.",
        suggestion="Watch it by the kernel's counters alone.",
        caution="Read the drive maker's document first.",
    )


def _histogram(bounds: tuple[float, ...]) -> Histogram:
    return Histogram(bounds, tuple(range(len(bounds))), len(bounds) + 1, 12.25)


def snapshot(*views: DiskView, number: int = 7) -> Snapshot:
    """A snapshot of these disks, with every metric of the exporter itself."""
    exporter = ExporterFacts(
        config_ok=True,
        config_loaded_wall_s=1.0,
        unmatched_entries=1,
        may_be_suspended=False,
        watched=len(views),
        skipped=(("loop0", "virtual"), ("zram0", "virtual")),
        absent_wall_ns={"wwn-0x5000c500a1b2ffff": WALL_NS - 86_400 * SECOND},
        ledger=LedgerFacts(WALL_NS - 30 * SECOND, 4096, 1, True, False),
        cross_checks={"read": 3, "timeout": 0},
        prober=(True, 0),
    )
    return Snapshot(number, AT_NS, WALL_NS, views, exporter)


def attic() -> Snapshot:
    """The archive host `attic`: a pool of two, one asleep, one that does not tell."""
    return snapshot(
        full_view(0),
        view(1, State.ACTIVE, pool="plates"),
        view(2, State.STANDBY),
        view(3, State.UNKNOWN),
    )
