"""A real Prometheus scrapes through ten restarts: its counters add up to what happened.

Source: the truth is the simulated shelf's own tally, recomputed for the same seed and time; that a
fall is read as a restart from zero is Prometheus' querying functions, increase(). Between two runs
no simulated time passes, so nothing is unobserved. On the disk that can sleep for less time
than passes between two probes the truth is what the ledger observed: which sleeps it misses is
another test's matter, and at this speed depends on how late the machine is.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import urllib.parse
import urllib.request
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from spinledger.model import SECOND
from spinledger.sim.shelf import EPOCH_WALL_NS, SimulatedShelf
from tests.fakes.patience import PATIENCE_S, until

RESTARTS = 10
SPEED = 300
RUN_S = 5.0
EXPORTER = Path(__file__).parents[2] / "exporter"
PORT, SERVER = 9795, 9794
SNAPSHOT = f"http://127.0.0.1:{PORT}/snapshot"
CHATTY = "sim-attic-flats-1"  # can sleep for less time than passes between two probes


def get(url: str) -> Any:
    """A JSON page."""
    with urllib.request.urlopen(url, timeout=PATIENCE_S) as answer:
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
        until(lambda: urllib.request.urlopen(f"http://127.0.0.1:{SERVER}/-/ready").close() is None)
        yield
    finally:
        process.terminate()
        process.wait()


def run(ledger: Path, live: Path, end: signal.Signals) -> Any:
    """One life of the exporter: its first snapshot, a late one, and one after Prometheus has seen
    more than the late one.
    """
    process = subprocess.Popen(
        [
            sys.executable, "-m", "spinledger", "serve", "--shelf", "simulated", "--speed",
            str(SPEED), "--ledger", str(ledger), "--listen", f"127.0.0.1:{PORT}", "--zone", "UTC",
        ],
        env=os.environ | {"PYTHONPATH": str(EXPORTER), "RUNTIME_DIRECTORY": str(live)},
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    until(lambda: get(SNAPSHOT))
    first = get(SNAPSHOT)
    until(lambda: get(SNAPSHOT)["at_wall"] >= first["at_wall"] + RUN_S * SPEED)
    last = get(SNAPSHOT)
    until(lambda: scraped(last["at_wall"]), "a scrape after the late snapshot")
    latest = get(SNAPSHOT)
    process.send_signal(end)
    process.wait()
    return first, last, latest


def scraped(after_s: float) -> bool:
    """Prometheus has a sample that was taken after that wall time of the exporter's."""
    newest = query("max(spinledger_disk_last_sample_timestamp_seconds)")
    return any(float(row["value"][1]) > after_s for row in newest)


def observed(snapshot: Any, disk: str) -> int:
    """Cycles that the ledger recorded as observed, by a snapshot."""
    (view,) = (view for view in snapshot["disks"] if view["disk"] == disk)
    (cycles,) = (one for one in view["samples"]["cycles"] if one["labels"]["observed"] == "yes")
    return int(cycles["value"])


def test_counters_add_up_through_ten_restarts(server: None, tmp_path: Path) -> None:
    """Sum of positive differences is the truth; increase() is within 2 % or 0.5 of it."""
    ledger = tmp_path / "ledger.db"
    live = Path("/dev/shm") / f"spinledger-ten-{os.getpid()}"
    live.mkdir(mode=0o700)
    try:
        first, last, latest = run(ledger, live, signal.SIGTERM)
        for number in range(RESTARTS):
            end = signal.SIGKILL if number % 2 else signal.SIGTERM
            _, last, latest = run(ledger, live, end)
    finally:
        for file in live.iterdir():
            file.unlink()
        live.rmdir()
    start_wall_ns = round(first["at_wall"]) // 3600 * 3600 * SECOND  # it begins on the hour
    start_ns = start_wall_ns - EPOCH_WALL_NS
    shelf = SimulatedShelf(1, start_ns, start_wall_ns, zone="UTC")
    truth, later = (
        shelf.truth(round(one["at_wall"] * SECOND) - EPOCH_WALL_NS) for one in (last, latest)
    )
    name = 'spinledger_disk_cycles_total{observed="yes"}'
    compared = 0
    for series in query(f"{name}[2h]"):
        disk = series["metric"]["disk"]
        values = [float(value) for _, value in series["values"]]
        risen = values[0] + sum(max(0.0, after - before) for before, after in pairwise(values))
        assert all(b >= a or b == 0 for a, b in pairwise(values)), disk
        least, most = truth[disk].cycles, later[disk].cycles
        if disk == CHATTY:
            least, most = observed(last, disk), observed(latest, disk)
        assert least - 1 <= risen <= most + 1, disk
        (increase,) = query(f'increase({name[:-1]},disk="{disk}"}}[2h])')
        given = float(increase["value"][1])
        assert given == pytest.approx(risen - values[0], abs=max(0.5, 0.02 * risen)), disk
        compared += 1
    assert compared == len(truth) > 0
    assert sum(one.cycles for one in truth.values()) > 5
