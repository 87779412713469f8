"""A real Prometheus scrapes through ten restarts: its counters add up to what happened.

Source: the truth is the simulated shelf's own tally, recomputed for the same seed and time; that a
fall is read as a restart from zero is Prometheus' querying functions, increase(). Between two runs
no simulated time passes, so nothing is unobserved. On the disk whose naps can be shorter than the
turn of a question the truth is what the ledger observed: which naps it misses is another test's
matter, and at this speed depends on how late the machine is.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import urllib.parse
import urllib.request
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from spinledger.model import SECOND
from spinledger.sim.shelf import EPOCH_WALL_NS, SimulatedShelf

RESTARTS = 10
SPEED = 300
RUN_S = 5.0
EXPORTER = Path(__file__).parents[2] / "exporter"
PORT, SERVER = 9795, 9794
CHATTY = "sim-attic-flats-1"  # its naps after a 5 min timer can be shorter than a question's turn


def get(url: str) -> Any:
    """A JSON page."""
    with urllib.request.urlopen(url, timeout=10) as answer:
        return json.load(answer)


def query(expression: str) -> list[Any]:
    """An instant query's results."""
    words = urllib.parse.urlencode({"query": expression})
    return list(get(f"http://127.0.0.1:{SERVER}/api/v1/query?{words}")["data"]["result"])


@pytest.fixture
def server(tmp_path: Path) -> Iterator[None]:
    """A Prometheus that scrapes the exporter every second."""
    config = tmp_path / "prometheus.yml"
    config.write_text(
        "scrape_configs:\n  - job_name: spinledger\n    scrape_interval: 1s\n"
        f"    scrape_timeout: 1s\n    static_configs: [{{targets: ['127.0.0.1:{PORT}']}}]\n"
    )
    process = subprocess.Popen(
        [
            "prometheus",
            f"--config.file={config}",
            f"--storage.tsdb.path={tmp_path / 'data'}",
            f"--web.listen-address=127.0.0.1:{SERVER}",
            "--log.level=error",
        ]
    )
    try:
        for _ in range(100):
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{SERVER}/-/ready", timeout=2):
                    break
            except OSError:
                time.sleep(0.2)
        yield
    finally:
        process.terminate()
        process.wait()


def run(ledger: Path, live: Path, end: signal.Signals) -> Any:
    """One life of the exporter; its first and its last snapshot."""
    process = subprocess.Popen(
        [
            sys.executable, "-m", "spinledger", "serve", "--shelf", "simulated", "--speed",
            str(SPEED), "--ledger", str(ledger), "--listen", f"127.0.0.1:{PORT}", "--zone", "UTC",
        ],
        env=os.environ | {"PYTHONPATH": str(EXPORTER), "RUNTIME_DIRECTORY": str(live)},
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    first = None
    for _ in range(300):
        try:
            first = get(f"http://127.0.0.1:{PORT}/snapshot")
            break
        except OSError:
            time.sleep(0.1)
    time.sleep(RUN_S)
    last = get(f"http://127.0.0.1:{PORT}/snapshot")
    time.sleep(1.5)  # one more scrape sees at least this
    process.send_signal(end)
    process.wait()
    return first, last


def observed(snapshot: Any, disk: str) -> int:
    """Cycles the ledger booked as observed, by a snapshot."""
    (view,) = (view for view in snapshot["disks"] if view["disk"] == disk)
    (cycles,) = (one for one in view["samples"]["cycles"] if one["labels"]["observed"] == "yes")
    return int(cycles["value"])


def test_counters_add_up_through_ten_restarts(server: None, tmp_path: Path) -> None:
    """Sum of positive differences is the truth; increase() is within 2 % or 0.5 of it."""
    ledger = tmp_path / "ledger.db"
    live = Path("/dev/shm") / f"spinledger-ten-{os.getpid()}"
    live.mkdir(mode=0o700)
    try:
        first, last = run(ledger, live, signal.SIGTERM)
        for number in range(RESTARTS):
            end = signal.SIGKILL if number % 2 else signal.SIGTERM
            _, last = run(ledger, live, end)
    finally:
        for file in live.iterdir():
            file.unlink()
        live.rmdir()
    start_wall_ns = round(first["at_wall"]) // 3600 * 3600 * SECOND  # it begins on the hour
    start_ns = start_wall_ns - EPOCH_WALL_NS
    shelf = SimulatedShelf(1, start_ns, start_wall_ns, zone="UTC")
    truth = shelf.truth(round(last["at_wall"] * SECOND) - EPOCH_WALL_NS)
    name = 'spinledger_disk_cycles_total{observed="yes"}'
    compared = 0
    for series in query(f"{name}[15m]"):
        disk = series["metric"]["disk"]
        values = [float(value) for _, value in series["values"]]
        risen = values[0] + sum(max(0.0, after - before) for before, after in pairwise(values))
        assert all(b >= a or b == 0 for a, b in pairwise(values)), disk
        happened = observed(last, disk) if disk == CHATTY else truth[disk].cycles
        assert happened - 1 <= risen <= happened + 1, disk
        (increase,) = query(f'increase({name[:-1]},disk="{disk}"}}[15m])')
        given = float(increase["value"][1])
        assert given == pytest.approx(risen - values[0], abs=max(0.5, 0.02 * risen)), disk
        compared += 1
    assert compared == len(truth) > 0
    assert sum(one.cycles for one in truth.values()) > 5
