"""The exporter on a small simulated shelf (a set of simulated disks), seconds in place of hours.

Run as a module it takes the program's own arguments. The code is the program's; only rows of its
tables differ, which `TABLES` shows: disks of two pools with a short standby timer (the shelf
repeats them until it is full), a process that comes every INTERVAL_S, and windows of the cycle
budget in seconds. Windows keep their names, by which rules select.
"""

from __future__ import annotations

import sys
from contextlib import ExitStack
from dataclasses import replace
from typing import Any
from unittest.mock import patch

from spinledger.cli import main
from spinledger.model import MILLISECOND, SECOND
from spinledger.sim.drive import Op
from spinledger.sim.faults import FAULTS
from spinledger.sim.kinds import KINDS
from spinledger.sim.workload import HOSTS, PROCESSES, Law, Process, Reach, Slot
from spinledger.wear import budget
from spinledger.wear.budget import EARLY, WINDOWS
from spinledger.wear.budget import FALSE_ONSETS_PER_YEAR as ONSETS

INTERVAL_S = 2.0
TIMER_NS = 600 * MILLISECOND
BUDGET_PER_DAY = 200.0  # limits of 6 spin-ups in the short windows, of 7 in the two long ones
WINDOWS_S = {"1h": 12, "3h": 14, "6h": 16, "1d": 20, "7d": 45, "30d": 50}
EARLY_S = {"1d_early": 20, "2d_early": 25}
CONFIG = "sample: {fast: 0.2s, slow: 0.5s, asleep: 1s}\n"

SLOTS = tuple(
    Slot(pool, member, "plain", TIMER_NS, BUDGET_PER_DAY)
    for pool, member in (("frames", 1), ("frames", 2), ("plates", 1))
)
BACKUP = Process("backup", "*", Law.JOB, 2.5, Op.READ, Reach.ALL, 64)
"""Beside the fault, a single request once a night."""

RUNAWAY = FAULTS["runaway_waker"]

TABLES: tuple[tuple[Any, dict[str, Any]], ...] = (
    (HOSTS, {"attic": SLOTS}),
    (PROCESSES, {"attic": (BACKUP,)}),
    (KINDS, {"plain": replace(KINDS["plain"], spinup_ns=200 * MILLISECOND)}),
    (
        FAULTS,
        {
            RUNAWAY.name: replace(
                RUNAWAY, processes=tuple(replace(one, rate=INTERVAL_S) for one in RUNAWAY.processes)
            )
        },
    ),
    (WINDOWS, {name: seconds * SECOND for name, seconds in WINDOWS_S.items()}),
    (EARLY, {name: seconds * SECOND for name, seconds in EARLY_S.items()}),
)


def hurried(arguments: list[str]) -> int:
    """The program with these tables; its exit code."""
    with ExitStack() as stack:
        for table, rows in TABLES:
            stack.enter_context(patch.dict(table, rows))
        # The lower limit of a day is its other one, so that page and ticket come together.
        stack.enter_context(patch.object(budget, "EARLY_ONSETS_PER_YEAR", len(EARLY) * ONSETS))
        return main(arguments)


if __name__ == "__main__":
    sys.exit(hurried(sys.argv[1:]))
