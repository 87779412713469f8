"""Cause, actor and wait in the ledger file, against what the simulated drives really did."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from spinledger.model import SECOND
from spinledger.sim.rehearse import Rehearsal, rehearse
from spinledger.sim.shelf import EPOCH_WALL_NS
from spinledger.store.history import read

FAST_S = 15
NAMES = {"pass_through": "passthrough", "probe": "own_probe", "log_read": "own_probe"}


def test_the_ledger_agrees_with_the_simulator_over_a_week(tmp_path: Path) -> None:
    """Eight disks: each spin-up in the file is a start of the drive, with its cause, who, and wait.

    Starts that the ledger has not are too short for its samples; the drive's counter reveals them.
    """
    config = tmp_path / "config.yml"
    config.write_text(f"sample: {{fast: {FAST_S}s}}\n")  # a third of the usual cost
    done = rehearse(Rehearsal(7.0, config=config), tmp_path / "week.db")
    compared: Counter[str] = Counter()
    for disk, really in done.shelf.truth().items():
        starts = [one for one in really.events if one.what == "start"]
        cycles = list(read(tmp_path / "week.db").cycles(disk))
        observed = [one for one in cycles if one.observed]
        for cycle in observed:
            began_ns = cycle.at_wall_ns - EPOCH_WALL_NS  # its sample; boot time counts from there
            ended_ns = began_ns + (FAST_S + 1) * SECOND
            (start,) = (one for one in starts if began_ns - SECOND <= one.at_ns <= ended_ns)
            cause = NAMES.get(start.cause, start.cause)
            given = cycle.cause, cycle.actor, cycle.wait_ns
            assert given == (cause, start.actor, start.wait_ns)
            assert cycle.place
            compared[start.actor] += 1
        assert len(cycles) <= len(starts) <= len(cycles) + 1
    assert sum(compared.values()) > 300
    assert len(compared) > 5
