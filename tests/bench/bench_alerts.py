"""False alarms and found faults: the shipped rules on months of known shelves.

Run at the top: python -m tests.bench.bench_alerts [--disk-months N] [--sample SECONDS] [--jobs N]
[--healthy]. Prints, for each alert, how many false alarms chance allows and how many there were;
for each fault, which alert found it and how soon; for each standby timer, how soon a runaway was
noticed. Ends with 1 if a false alarm is one too many, or a fault was not found in time.

What chance allows: an alert on the cycle budget may begin falsely once in a thousand years of a
disk and window, by the lower limits once in twenty (`wear.budget`); found are too many
where a Poisson count of that mean would reach so many less than once in a hundred times. Others
allow none. How soon: a runaway after the limit's number of cycles less one, each no shorter than
the timer; sleep missed in quiet hours within 1 h of their end; every figure to STEP_S, how often
the rules are judged here, twice.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from unittest.mock import patch

from scipy.stats import poisson

from spinledger.model import SECOND
from spinledger.sim.rehearse import Rehearsal, rehearse
from spinledger.sim.shelf import EPOCH_WALL_NS, SimulatedShelf
from spinledger.wear.budget import (
    EARLY_ONSETS_PER_YEAR,
    FALSE_ONSETS_PER_YEAR,
    WINDOWS,
    cycle_limit,
)
from tests.bench.judged import STEP_S, Firing, judge
from tests.bench.shelves import (
    AWAKE,
    BUDGET,
    BURNING,
    DOWN,
    RUNAWAY,
    SLEPT,
    TABLES,
    VANISHED,
    WAKER,
    ZONE,
    Event,
    Shelf,
    Spaced,
    months,
    runaways,
)
from tests.packs.test_rules import ALERTS

SURE = 0.99
ONSETS_PER_YEAR = {
    RUNAWAY: 4 * FALSE_ONSETS_PER_YEAR,
    BURNING: 2 * FALSE_ONSETS_PER_YEAR + EARLY_ONSETS_PER_YEAR,
}
DISK_YEAR_DAYS = 365.25
SLACK_H = 2 * STEP_S / 3600
DESIGN_H = {5: 0.5, 10: 0.9, 20: 2.1, 60: 12.0}
"""How soon a runaway of a disk with a budget of 2 a day is noticed, by its timer in minutes; common
sense, no source: the least over the windows of (limit - 1) cycles that last for the timer."""
SOON_H = {SLEPT: 1.0, AWAKE: 1 + 40 / 60 + SLACK_H, DOWN: 10 / 60 + SLACK_H, VANISHED: SLACK_H}
"""How soon the other alerts have to be there, hours; AWAKE: an hour and twice the 20 min timer."""


@dataclass(frozen=True, slots=True)
class Found:
    """What an alert made of a fault: hours from when it showed to the first firing; None: never."""

    fault: str
    alert: str
    whose: str
    delay_h: float | None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the rules gave for a shelf."""

    shelf: Shelf
    false: tuple[Firing, ...]
    found: tuple[Found, ...]
    took_s: float

    @property
    def disk_days(self) -> float:
        """How much was judged."""
        return self.shelf.disks * self.shelf.days


def judged(shelf: Shelf) -> Verdict:
    """Rehearse a shelf, put its series to the rules, and compare."""
    began = time.monotonic()
    first = datetime.fromtimestamp(shelf.start_wall_ns / SECOND, UTC)
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        for table, rows in TABLES[shelf.tables]:
            stack.enter_context(patch.dict(table, rows))
        stack.enter_context(patch("spinledger.sim.shelf.Scenario", Spaced))
        folder = Path(name)
        settings = folder / "spinledger.yml"
        settings.write_text(f"sample: {{fast: {shelf.fast_s}s}}\n", encoding="utf-8")
        rehearsal = Rehearsal(
            shelf.days,
            shelf.seed,
            shelf.disks,
            faults=tuple(event.order(first) for event in shelf.events),
            zone=ZONE.key,
            start_wall_ns=shelf.start_wall_ns,
            config=settings,
            step_ns=STEP_S * SECOND,
        )
        with (folder / "series.om").open("w", encoding="utf-8") as out:
            done = rehearse(rehearsal, folder / "ledger.db", out)
        firings = judge(folder / "series.om", shelf.start_wall_ns // SECOND, shelf.days)
        false = tuple(one for one in firings if not _explained(one, shelf, first))
        found = tuple(_found(done.shelf, shelf, firings, first))
    return Verdict(shelf, false, found, time.monotonic() - began)


def _explained(firing: Firing, shelf: Shelf, first: datetime) -> bool:
    """Some event asks for it or allows it, and has begun."""
    return any(
        (firing.alert, firing.whose) in (*event.must, *event.may)
        and firing.began_s >= (event.began(first) - first).total_seconds()
        for event in shelf.events
    )


def _found(
    shelf: SimulatedShelf, given: Shelf, firings: Sequence[Firing], first: datetime
) -> Iterator[Found]:
    for event in given.events:
        for alert, whose in event.must:
            began = event.began(first)
            spins = _spins(shelf, whose, began) if alert in (AWAKE, SLEPT) else began
            shows_s = (event.visible(alert, first, spins) - first).total_seconds()
            if event.fault.startswith(WAKER):
                shows_s = _first_wake_s(shelf, event, first)
            hits = [
                max(0.0, one.began_s - shows_s)
                for one in firings
                if (one.alert, one.whose) == (alert, whose) and one.ended_s >= shows_s
            ]
            yield Found(event.fault, alert, whose, min(hits) / 3600 if hits else None)


def _spins(shelf: SimulatedShelf, whose: str, moment: datetime) -> datetime:
    """When a disk spins at that moment or begins to spin after it, by the drive's own log."""
    spinning = True
    for one in shelf.truth()[whose].events:
        at = datetime.fromtimestamp((one.at_ns + EPOCH_WALL_NS) / SECOND, UTC)
        if at > moment and (spinning or one.what == "start"):
            return moment if spinning else at
        if one.what in ("start", "stop"):
            spinning = one.what == "start"
    return moment


def _first_wake_s(shelf: SimulatedShelf, event: Event, first: datetime) -> float:
    """Seconds from the shelf's beginning to the first request of a waker."""
    (place,) = shelf.scenario.places(event.must[0][1], 1)
    began_ns = int(event.began(first).timestamp()) * SECOND - EPOCH_WALL_NS
    bursts = shelf.scenario.feed(place, began_ns)
    woke_ns = next(one.began_ns for one in bursts if one.actor == WAKER)
    return (woke_ns + EPOCH_WALL_NS) / SECOND - first.timestamp()


def end_with(parent: int) -> None:
    """End this process soon after its parent, also where that was killed. For a pool's workers."""

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(1)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def verdicts(shelves: Sequence[Shelf], jobs: int) -> list[Verdict]:
    """All of them, `jobs` at a time, the longest first."""
    with ProcessPoolExecutor(jobs, initializer=end_with, initargs=(os.getpid(),)) as pool:
        found = []
        for verdict in pool.map(judged, sorted(shelves, key=lambda one: -one.disks * one.days)):
            found.append(verdict)
            what = f"{verdict.shelf.name} shelf, seed {verdict.shelf.seed}"
            given = f"{what}: {verdict.took_s:.0f} s, {len(verdict.false)} false alarms"
            print(given, file=sys.stderr, flush=True)
        return found


def allowed(alert: str, disk_years: float) -> tuple[float, int]:
    """False onsets to expect by chance, and the most that are not too many."""
    mean = ONSETS_PER_YEAR.get(alert, 0) * disk_years
    return mean, int(poisson.ppf(SURE, mean)) if mean else 0


def soon_h(found: Found) -> float:
    """How soon it has to be found, hours."""
    if found.alert == RUNAWAY and found.fault.startswith(WAKER):
        minutes = int(found.whose.removeprefix("timer"))
        return DESIGN_H[minutes] + SLACK_H + 60 / 3600 * DESIGN_H[minutes] * 60 / minutes
    return SOON_H.get(found.alert, 24.0)


def report(verdicts: Sequence[Verdict]) -> tuple[list[str], list[str]]:
    """The tables as lines, and what is wrong."""
    wrong: list[str] = []
    disk_days = sum(one.disk_days for one in verdicts)
    years = disk_days / DISK_YEAR_DAYS
    shelves = Counter(one.shelf.name for one in verdicts)
    said = ", ".join(f"{count} {name}" for name, count in sorted(shelves.items()))
    samples = {one.shelf.fast_s for one in verdicts}
    lines = [
        f"{disk_days / 30:.1f} disk-months on shelves: {said}; counters read every "
        f"{'/'.join(map(str, sorted(samples)))} s, rules judged every {STEP_S} s by promtool",
        "",
        f"{'false alarms':34}{'expected':>10}{'most':>7}{'found':>7}",
    ]
    counted = Counter(one.alert for verdict in verdicts for one in verdict.false)
    for alert in (rule["alert"] for rule in ALERTS):
        mean, most = allowed(alert, years)
        lines.append(f"{alert:34}{mean:10.4f}{most:7}{counted[alert]:7}")
        if counted[alert] > most:
            wrong.append(f"{counted[alert]} false alarms of {alert}, at most {most}")
    lines += [
        f"  {one.alert} of {one.whose} on day {one.began_s / 86_400:.2f} for "
        f"{(one.ended_s - one.began_s) / 60:.0f} min ({verdict.shelf.name}, seed "
        f"{verdict.shelf.seed})"
        for verdict in verdicts
        for one in verdict.false
    ]
    cases: dict[tuple[str, str], list[Found]] = {}
    for verdict in verdicts:
        for one in verdict.found:
            cases.setdefault((one.fault, one.alert), []).append(one)
    lines += ["", f"{'found faults':20}{'by':32}{'found':>9}{'slowest h':>11}{'within h':>10}"]
    for (fault, alert), all_ in sorted(cases.items()):
        hits = [one.delay_h for one in all_ if one.delay_h is not None]
        slowest = f"{max(hits):11.2f}" if hits else f"{'never':>11}"
        within = soon_h(all_[0])
        lines.append(f"{fault:20}{alert:32}{len(hits):4} of {len(all_):<2}{slowest}{within:10.2f}")
        wrong += [f"{fault}: {alert} of {one.whose} not found" for one in all_
                  if one.delay_h is None]  # fmt: skip
        if hits and max(hits) > within:
            wrong.append(f"{fault}: {alert} after {max(hits):.2f} h, not within {within:.2f} h")
    lines += ["", f"{'runaway by timer':20}{'limit reached in':>18}{'design h':>10}{'found h':>9}"]
    for verdict in verdicts:
        for one in verdict.found:
            if one.fault.startswith(WAKER):
                minutes = int(one.whose.removeprefix("timer"))
                took = "never" if one.delay_h is None else f"{one.delay_h:.2f}"
                lines.append(f"{minutes:3} min{_window(minutes):>32}{DESIGN_H[minutes]:10.1f}"
                             f"{took:>9}")  # fmt: skip
    return lines, wrong


def _window(minutes: int) -> str:
    """The first window whose limit a runaway with that timer reaches: cycles and window."""
    for name, length_ns in WINDOWS.items():
        limit = cycle_limit(BUDGET, length_ns)
        if (limit - 1) * minutes * 60 * SECOND <= length_ns:
            return f"{limit} in {name}"
    return "none"


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the tables; 1 if something is wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--disk-months", type=int, default=25)
    parser.add_argument("--sample", type=int, default=5, help="seconds between two readings")
    parser.add_argument("--jobs", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--healthy", action="store_true", help="only shelves without a fault")
    given = parser.parse_args(arguments)
    shelves = months(given.disk_months, given.sample, given.healthy)
    shelves += [] if given.healthy else [runaways(given.sample)]
    lines, wrong = report(verdicts(shelves, given.jobs))
    print("\n".join(lines))
    for one in wrong:
        print(f"WRONG: {one}")
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
