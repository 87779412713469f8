"""Kill -9 and power cuts at random moments: no exported counter falls to a value above zero.

The real exporter runs on a simulated shelf, far faster than life, and is killed while it works;
each time it is started again on the same ledger. A kill loses nothing, since each tick was in the
live journal before it was published; a power cut (the live journal gone too) may lose at most one
commit interval, and then all counters of a disk begin at zero together.

Source: the guarantee is ours; the reset rule it protects is that of increase() (Prometheus
querying functions: a fall is read as a restart from zero). Counts by SPINLEDGER_KILLS (default 12)
and SPINLEDGER_POWER_CUTS (default 4); the worst losses are printed.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

KILLS = int(os.environ.get("SPINLEDGER_KILLS", "12"))
POWER_CUTS = int(os.environ.get("SPINLEDGER_POWER_CUTS", "4"))
SPEED = 600
COUNTERS = ("state_seconds", "cycles", "transitions", "energy_joules", "whatif_cycles")
EXPORTER = Path(__file__).parents[2] / "exporter"

Reading = dict[tuple[str, str, str], float]


class Run:
    """One life of the exporter."""

    def __init__(self, ledger: Path, live: Path) -> None:
        environment = os.environ | {
            "PYTHONPATH": str(EXPORTER),
            "RUNTIME_DIRECTORY": str(live),
        }
        self.process = subprocess.Popen(
            [
                sys.executable, "-m", "spinledger", "serve", "--shelf", "simulated",
                "--speed", str(SPEED), "--ledger", str(ledger), "--listen", "127.0.0.1:0",
            ],
            env=environment,
            stderr=subprocess.PIPE,
            text=True,
        )  # fmt: skip
        self.said: list[str] = []
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.said.append(line)
            if "serving http" in line:
                self.url = line.split()[2].removesuffix("metrics")
                break
        else:
            raise AssertionError("".join(self.said))

    def snapshot(self) -> Any:
        """What the exporter shows now."""
        with urllib.request.urlopen(self.url + "snapshot", timeout=5) as answer:
            return json.load(answer)

    def kill(self) -> None:
        """SIGKILL, at whatever it is doing."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        assert self.process.stderr is not None
        self.process.stderr.close()


def reading(snapshot: Any) -> Reading:
    """All counters of interest by disk, key and labels."""
    given: Reading = {}
    for disk in snapshot["disks"]:
        for key in COUNTERS:
            for sample in disk["samples"].get(key, ()):
                labels = "/".join(sample["labels"].values())
                given[(disk["disk"], key, labels)] = sample["value"]
    return given


def fallen(before: Reading, after: Reading) -> Iterator[str]:
    """Counters that fell, to a value above zero."""
    for name, value in before.items():
        now = after.get(name)
        if now is not None and now < value - 1e-6 and now > 0:
            yield f"{name}: {value} -> {now}"


def first_snapshot(run: Run) -> Any:
    """The first picture of a run; it is asked for again until there is one."""
    for _ in range(200):
        try:
            return run.snapshot()
        except OSError:
            time.sleep(0.01)
    raise AssertionError("no snapshot within two seconds")


def balanced(snapshot: Any) -> None:
    """State seconds are the time since the counters began, the same for every disk that stayed."""
    totals = [
        sum(s["value"] for s in disk["samples"]["state_seconds"]) for disk in snapshot["disks"]
    ]
    assert max(totals) - min(totals) <= 5, totals  # an answer is booked between two ticks


def test_killed_at_random_moments(tmp_path: Path) -> None:
    """Nothing is lost at a kill: every counter goes on from where it was last seen."""
    ledger, live = tmp_path / "ledger.db", Path("/dev/shm") / f"spinledger-test-{os.getpid()}"
    live.mkdir(mode=0o700)
    draw = random.Random(7)
    seen: Reading = {}
    try:
        for number in range(KILLS + 1):
            run = Run(ledger, live)
            try:
                ends = time.monotonic() + draw.uniform(0.05, 1.5)
                snapshot = first_snapshot(run)
                while True:
                    now = reading(snapshot)
                    assert list(fallen(seen, now)) == [], number
                    assert all(now.get(name, 0) >= value - 1e-6 for name, value in seen.items())
                    balanced(snapshot)
                    seen = now
                    if time.monotonic() > ends:
                        break
                    snapshot = run.snapshot()
            finally:
                run.kill()
    finally:
        shutil.rmtree(live)
    assert any(key == "cycles" and value > 0 for (_, key, _), value in seen.items())


def test_power_cuts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With the live journal gone counters begin at zero together, and little is lost for good."""
    ledger, live = tmp_path / "ledger.db", Path("/dev/shm") / f"spinledger-cut-{os.getpid()}"
    draw = random.Random(11)
    seen: Reading = {}
    worst_s = 0.0
    try:
        for number in range(POWER_CUTS + 1):
            live.mkdir(mode=0o700, exist_ok=True)
            run = Run(ledger, live)
            try:
                first = first_snapshot(run)
                now = reading(first)
                assert list(fallen(seen, now)) == [], number
                assert number == 0 or all(value == 0 for value in now.values())
                time.sleep(draw.uniform(0.5, 2.0))
                last = run.snapshot()
                seen = reading(last)
                committed = last["committed_wall"] or first["at_wall"]
                worst_s = max(worst_s, last["at_wall"] - committed)
            finally:
                run.kill()
            shutil.rmtree(live)
    finally:
        shutil.rmtree(live, ignore_errors=True)
    with capsys.disabled():
        print(f"\nworst loss at a power cut: {worst_s:.0f} s of simulated time (speed {SPEED})")
    # One commit interval, and what passes at this speed while one commit is under way.
    assert worst_s <= 60 + SPEED * 0.5
