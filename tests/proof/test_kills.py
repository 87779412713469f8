"""Kill -9 and power cuts at random moments: no exported counter falls to a value above zero.

The real exporter runs on a simulated shelf, far faster than life, and is killed while it works;
each time it is started again on the same ledger. A kill loses nothing, since each tick was in the
live journal before it was published. After a power cut (the live journal gone too) the file has at
least the commit that was last reported, and all counters of a disk begin at zero together. The
file is whole after each kill, and has one row a spin-up. No check depends on how fast time passes.

Source: the guarantee is ours; the reset rule it protects is that of increase() (Prometheus
querying functions: a fall is read as a restart from zero); "PRAGMA integrity_check" (sqlite.org).
Counts by SPINLEDGER_KILLS (default 12) and SPINLEDGER_POWER_CUTS (default 4); the worst loss is
printed.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from spinledger.store.file import last_commit, verify

KILLS = int(os.environ.get("SPINLEDGER_KILLS", "12"))
POWER_CUTS = int(os.environ.get("SPINLEDGER_POWER_CUTS", "4"))
SPEED = 600
COUNTERS = ("state_seconds", "cycles", "transitions", "energy_joules", "whatif_cycles")
EXPORTER = Path(__file__).parents[2] / "exporter"
PATIENCE_S = 60  # of the test, on a machine that others share

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
        """What the exporter shows now; the first time, as soon as there is something."""
        while True:
            assert self.process.poll() is None, "the exporter has ended"
            try:
                with urllib.request.urlopen(self.url + "snapshot", timeout=PATIENCE_S) as answer:
                    return json.load(answer)
            except OSError:
                time.sleep(0.01)

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


def began(snapshot: Any) -> dict[str, float]:
    """When each disk's counters began, seconds after those of the first disk: the last sample, less
    all seconds in any state."""
    times = {
        disk["disk"]: disk["samples"]["last_sample"][0]["value"]
        - sum(sample["value"] for sample in disk["samples"]["state_seconds"])
        for disk in snapshot["disks"]
    }
    return {disk: at - times[min(times)] for disk, at in times.items()}


def settled(ledger: Path) -> Path:
    """A copy, for whoever only reads: a commit that the kill cut off is rolled back in it. The next
    start has to do so itself."""
    copy = Path(tempfile.mkdtemp(dir=ledger.parent.parent)) / ledger.name
    for path in ledger.parent.glob(f"{ledger.name}*"):  # the file and its rollback journal
        shutil.copy(path, copy.parent)
    with closing(sqlite3.connect(copy)) as connection:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchall()
    return copy


def whole(ledger: Path) -> int:
    """How many spin-ups the file has; of each disk as many rows as its account has counted."""
    with closing(sqlite3.connect(ledger)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        rows = dict(connection.execute("SELECT disk, count(*) FROM cycles GROUP BY 1").fetchall())
        totals = dict(
            connection.execute(
                "SELECT disk, max(observed_cycles + unobserved_cycles) FROM days GROUP BY 1"
            ).fetchall()
        )
    assert list(verify(ledger)) == []
    assert {disk: rows.get(disk, 0) for disk in totals} == totals
    return sum(rows.values())


def test_killed_at_random_moments(tmp_path: Path) -> None:
    """Nothing is lost at a kill: every counter goes on from where it was last seen, and no second
    is missing of one disk that another has."""
    ledger, live = tmp_path / "ledger.db", Path("/dev/shm") / f"spinledger-test-{os.getpid()}"
    live.mkdir(mode=0o700)
    draw = random.Random(7)
    seen: Reading = {}
    first: dict[str, float] = {}
    try:
        for number in range(KILLS + 1):
            run = Run(ledger, live)
            try:
                ends = time.monotonic() + draw.uniform(0.05, 1.5)
                while True:
                    snapshot = run.snapshot()
                    now = reading(snapshot)
                    assert list(fallen(seen, now)) == [], number
                    assert all(now.get(name, 0) >= value - 1e-6 for name, value in seen.items())
                    for disk, at in began(snapshot).items():
                        assert at == pytest.approx(first.setdefault(disk, at), abs=0.001), disk
                    seen = now
                    if time.monotonic() > ends:
                        break
            finally:
                run.kill()
            whole(settled(ledger))
    finally:
        shutil.rmtree(live)
    assert any(key == "cycles" and value > 0 for (_, key, _), value in seen.items())
    assert whole(settled(ledger)) > 0


def test_power_cuts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With the live journal gone counters begin at zero together, and what was reported as
    committed is in the file."""
    ledger, live = tmp_path / "ledger.db", Path("/dev/shm") / f"spinledger-cut-{os.getpid()}"
    draw = random.Random(11)
    seen: Reading = {}
    worst_s = 0.0
    try:
        for number in range(POWER_CUTS + 1):
            live.mkdir(mode=0o700, exist_ok=True)
            run = Run(ledger, live)
            try:
                now = reading(run.snapshot())
                assert list(fallen(seen, now)) == [], number
                assert number == 0 or all(value == 0 for value in now.values())
                with urllib.request.urlopen(run.url + "metrics", timeout=PATIENCE_S) as scrape:
                    scrape.read()  # only who scrapes has seen the zero
                last = run.snapshot()
                while last["committed_wall"] is None:
                    last = run.snapshot()
                time.sleep(draw.uniform(0.5, 2.0))
                last = run.snapshot()
                seen = reading(last)
            finally:
                run.kill()
            shutil.rmtree(live)
            copy = settled(ledger)
            whole(copy)
            commit = last_commit(copy)
            assert commit is not None
            assert commit.wall_ns / 1e9 >= last["committed_wall"] - 1e-3
            worst_s = max(worst_s, last["at_wall"] - commit.wall_ns / 1e9)
    finally:
        shutil.rmtree(live, ignore_errors=True)
    with capsys.disabled():
        print(f"\nworst loss at a power cut: {worst_s:.0f} s of simulated time (speed {SPEED})")
