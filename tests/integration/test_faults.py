"""Each fault of the simulated shelf (a set of simulated disks) shows in the metrics.

Outside authority: the order itself, which says what goes wrong, where and when; and the simulator's
tally, which is apart from everything that the exporter reads. The tests check the series
that the shipped rules and dashboards read; a healthy shelf must not show the fault.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import ClassVar, NamedTuple
from unittest.mock import patch
from zoneinfo import ZoneInfo

import pytest

from spinledger.facts import Snapshot
from spinledger.model import DAY, HOUR, SECOND
from spinledger.sim.backfill import Backfill
from spinledger.sim.faults import FAULTS
from spinledger.sim.rehearse import Rehearsal, Rehearsed, rehearse
from spinledger.sim.shelf import EPOCH_WALL_NS
from tests.packs.agreement import fired, found

DAYS = 2
SAMPLES_S = 10
EVERY_NS = 4 * HOUR  # a snapshot is kept for the rules
DOWN, REPLACED, DEAD = "2026-03-01T23:30/2026-03-02T23:30", "2026-03-02T02:00", "2026-03-03T20:00"

# Faults that touch different disks share a run.
RUNS: dict[str, tuple[str, ...]] = {
    "none": (),
    "apart": (
        "runaway_waker",
        "lost_timer@2026-03-02T12:00",
        "guest_disk",
        f"dying_drive@2026-03-02T06:00/{DEAD}",
        f"disk_replaced@{REPLACED}",
    ),
    "pools": ("sleepless_pool", "journal_every_5s"),
    "blind": (f"exporter_down_day@{DOWN}",),
}

Labels = frozenset[str]


class Spaced(Backfill):
    """Keeps a snapshot every few hours."""

    kept: ClassVar[list[Snapshot]] = []

    def publish(self, snapshot: Snapshot) -> None:
        """Write it, and keep it where it is time."""
        super().publish(snapshot)
        if not self.kept or snapshot.at_ns - self.kept[-1].at_ns >= EVERY_NS:
            self.kept.append(snapshot)


class Series(NamedTuple):
    """What a run's series say: the last value of each, and its time."""

    done: Rehearsed
    last: dict[tuple[str, Labels], tuple[float, float]]
    times: list[float]
    kept: tuple[Snapshot, ...]

    def of(self, name: str, disk: str, *labels: str) -> float:
        """The last value of a disk's series; `labels` as written."""
        selected = frozenset((f'disk="sim-attic-{disk}"', *labels))
        found = [v for (n, own), (v, _) in self.last.items() if n == name and selected <= own]
        assert len(found) == 1, (name, disk, labels, found)
        return found[0]

    def found(self, code: str) -> set[str]:
        """The disks of which a finding holds at the end."""
        return {
            disk.removeprefix("sim-attic-")
            for disk in self.done.loop.accounts
            for (name, labels), (value, at) in self.last.items()
            if name == "spinledger_disk_finding"
            and labels >= {f'disk="{disk}"', f'code="{code}"'}
            and (value, at) == (1.0, self.times[-1])
        }

    def ended_s(self, disk: str) -> float:
        """The time of the last series of a disk, Unix time."""
        mark = f'disk="sim-attic-{disk}"'
        names = ("spinledger_disk_last_sample_timestamp_seconds",)
        return max(at for (n, own), (_, at) in self.last.items() if n in names and mark in own)


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Series]:
    """A run of the shelf by its name in RUNS, made once."""
    made: dict[str, Series] = {}

    def run(name: str) -> Series:
        if name not in made:
            out = io.StringIO()
            folder: Path = tmp_path_factory.mktemp(name)
            Spaced.kept.clear()
            with patch("spinledger.sim.rehearse.Backfill", Spaced):
                done = rehearse(Rehearsal(DAYS, faults=RUNS[name]), folder / "ledger.db", out)
            made[name] = Series(done, *parsed(out.getvalue()), tuple(Spaced.kept))
        return made[name]

    return run


def parsed(text: str) -> tuple[dict[tuple[str, Labels], tuple[float, float]], list[float]]:
    """The last value of each series with its time, and all times in order."""
    last, times = {}, [0.0]
    for line in text.splitlines():
        if line.startswith("#"):
            continue
        head, value, stamp = line.rsplit(" ", 2)
        name, _, labels = head.rstrip("} ").partition("{")
        last[name, frozenset(labels.split(","))] = float(value), float(stamp)
        if float(stamp) > times[-1]:
            times.append(float(stamp))
    return last, times[1:]


def wall_s(local: str) -> float:
    """Local time of the shelf as Unix time."""
    return datetime.fromisoformat(local).replace(tzinfo=ZoneInfo("Europe/Prague")).timestamp()


def test_alerts_and_findings_agree(ran: Callable[[str], Series], tmp_path: Path) -> None:
    """Every few hours of every run: what fires in a real Prometheus is what the findings say."""
    scenes = {
        f"{name} {number}": snapshot
        for name in RUNS
        for number, snapshot in enumerate(ran(name).kept)
    }
    assert len(scenes) >= 40
    said = fired(scenes, tmp_path)
    assert said == {name: found(snapshot) for name, snapshot in scenes.items()}
    assert {alert for judged in said.values() for alert, _ in judged} >= {
        "DiskAwakeInQuietHours",
        "DiskCyclesRunaway",
        "DiskSleptTooLittleInQuietHours",
        "DiskTimerNotHolding",
        "DiskVanished",
    }


def test_every_fault_is_ordered_here() -> None:
    """No row of the table is left out."""
    ordered = {text.partition("@")[0] for orders in RUNS.values() for text in orders}
    assert ordered == set(FAULTS)


def test_a_runaway_waker_exceeds_the_limit_of_a_day(ran: Callable[[str], Series]) -> None:
    """The disk that wakes too often is over its limit, its neighbour is not."""
    name, day = "spinledger_disk_cycle_limit_used_ratio", 'window="1d"'
    assert ran("apart").of(name, "frames-1", day) >= 1
    assert ran("apart").of(name, "frames-2", day) < 1
    assert ran("none").of(name, "frames-1", day) < 1


def test_a_lost_timer_is_found(ran: Callable[[str], Series]) -> None:
    """Its disk idles far past the declared timer; its mirror sleeps on, without a finding."""
    assert ran("apart").found("timer_not_holding") == {"plates-2"}
    assert ran("none").found("timer_not_holding") == set()


def test_a_guest_is_found_by_commands_that_move_no_sectors(
    ran: Callable[[str], Series],
) -> None:
    """The kernel counts its requests and no sector (pass-through, seen on Linux 6.1): it is not
    active, and yet it does not sleep."""
    assert ran("apart").found("commands_keep_awake") == {"darks-1"}
    assert ran("none").found("commands_keep_awake") == set()
    seconds = "spinledger_disk_state_seconds_total"
    assert ran("apart").of(seconds, "darks-1", 'state="active"') == 0
    assert ran("none").of(seconds, "darks-1", 'state="active"') > 3600


def test_a_dead_drive_is_absent(ran: Callable[[str], Series]) -> None:
    """Its series end where it died, and the ledger has the time since when it is absent. (That
    its spin-ups failed more and more before is in its own counters, and not recorded.)"""
    absent = "spinledger_disk_absent_since_timestamp_seconds"
    assert abs(ran("apart").of(absent, "frames-3") - wall_s(DEAD)) <= SAMPLES_S
    assert ran("apart").ended_s("frames-3") <= wall_s(DEAD)
    assert not [name for name, _ in ran("none").last if name == absent]


def test_a_replaced_disk_is_another_disk(ran: Callable[[str], Series]) -> None:
    """The old identity is absent from then on; the new one has a record of its own, from zero."""
    one = ran("apart")
    absent = "spinledger_disk_absent_since_timestamp_seconds"
    assert abs(one.of(absent, "frames-4") - wall_s(REPLACED)) <= SAMPLES_S
    info = [own for name, own in one.last if name == "spinledger_disk_info"]
    serials = {
        disk: {text for own in info if f'disk="sim-attic-{disk}"' in own for text in own}
        for disk in ("frames-4", "frames-4b")
    }
    assert 'serial="ATTIC-FRAMES-4B"' in serials["frames-4b"] - serials["frames-4"]
    seconds = sum(
        one.of("spinledger_disk_state_seconds_total", "frames-4b", f'state="{state}"')
        for state in ("active", "idle", "standby", "unknown", "unobserved")
    )
    ends_s = one.done.clock.wall() / SECOND
    assert abs(seconds - (ends_s - wall_s(REPLACED))) <= SAMPLES_S + 240  # a step of the series
    own = "spinledger_disk_start_stop_cycles_total"
    assert one.of(own, "frames-4b") < 24 < one.of(own, "frames-4")


def test_a_sleepless_pool_sleeps_too_little_in_quiet_hours(
    ran: Callable[[str], Series],
) -> None:
    """Every member is below the minimum of a quiet window, and above it on a healthy shelf."""
    for member in range(1, 5):
        for run, enough in (("pools", False), ("none", True)):
            name = "spinledger_disk_quiet_window_asleep_ratio"
            asleep = ran(run).of(name, f"frames-{member}")
            minimum = ran(run).of(
                "spinledger_disk_quiet_window_asleep_min_ratio", f"frames-{member}"
            )
            assert (asleep >= minimum) is enough, (run, member)


def test_a_journal_is_found_by_its_interval(ran: Callable[[str], Series]) -> None:
    """Commits every 5 s (Linux 6.12 jbd2.h:48) keep both members awake and are found."""
    assert ran("none").found("regular_access") == {"darks-1"}  # its guest's interval of 30 s
    assert ran("pools").found("regular_access") >= {"plates-1", "plates-2"}
    standby = ("spinledger_disk_state_seconds_total", "plates-1", 'state="standby"')
    assert ran("pools").of(*standby) == 0
    assert ran("none").of(*standby) > 86_400


def test_a_day_without_exporter_is_unobserved(ran: Callable[[str], Series]) -> None:
    """Just that day is, without a series; the drives' counters give its spin-ups."""
    one = ran("blind")
    began_s, ended_s = (wall_s(local) for local in DOWN.split("/"))
    assert not [at for at in one.times if began_s + SAMPLES_S < at < ended_s]
    truth = one.done.shelf.truth()
    for identity in one.done.loop.accounts:
        disk = identity.removeprefix("sim-attic-")
        seconds = one.of("spinledger_disk_state_seconds_total", disk, 'state="unobserved"')
        assert abs(seconds - DAY / SECOND) <= SAMPLES_S, disk
        blind = [
            start
            for start in truth[identity].events
            if start.what == "start" and began_s <= (start.at_ns + EPOCH_WALL_NS) / SECOND < ended_s
        ]
        counted = one.of("spinledger_disk_cycles_total", disk, 'observed="no"')
        assert 0 <= counted - len(blind) <= 1, disk  # and perhaps a standby between two samples
