"""Every query of every dashboard, asked of a real Prometheus that scrapes a real exporter.

Outside authority: the installed Prometheus, which parses and evaluates the queries. What is due is
worked out from the exporter's own snapshot: rows a disk, a state, or none with the reason.
"""

from __future__ import annotations

import json
import re
import socket
import subprocess
import sys
import time
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
FILES = sorted((ROOT / "dashboards").glob("*.json"))
SPEED = 300
SCRAPES = 12  # one a second, so that every range below holds several
PATIENCE_S = 60.0

# What the dashboard server would fill in: everything chosen, and a range of several scrapes.
VARIABLES = {"job": ".*", "instance": ".*", "disk": ".*", "__rate_interval": "10s"}

QUERIES = [
    pytest.param(panel["title"], target["expr"], id=f"{file.stem}: {panel['title']}")
    for file in FILES
    for panel in json.loads(file.read_text(encoding="utf-8"))["panels"]
    for target in panel.get("targets", [])
]


@dataclass(frozen=True)
class Stage:
    """A running Prometheus, and how many disks the exporter behind it watches."""

    url: str
    disks: int

    def ask(self, query: str) -> list[dict[str, Any]]:
        """The rows of an instant query."""
        found = get(f"{self.url}/api/v1/query?{urllib.parse.urlencode({'query': query})}")
        assert found["status"] == "success"
        rows: list[dict[str, Any]] = found["data"]["result"]
        return rows


def get(url: str) -> Any:
    """The JSON at an address."""
    with urllib.request.urlopen(url, timeout=5) as answer:
        return json.load(answer)


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def wait_for(true: Callable[[], bool], child: subprocess.Popen[bytes]) -> None:
    """Return once `true()` holds; fail when the child ends first or patience does."""
    ends = time.monotonic() + PATIENCE_S
    while time.monotonic() < ends:
        assert child.poll() is None, f"{child.args!r} ended with {child.returncode}"
        try:
            if true():
                return
        except OSError:
            pass  # not listening so far, or not ready (an HTTP error is an OSError)
        time.sleep(0.2)
    raise AssertionError(f"{child.args!r} was not ready within {PATIENCE_S} s")


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    """A simulated shelf, served and scraped often enough for every range of the queries."""
    folder = tmp_path_factory.mktemp("prometheus")
    ours, theirs = free_port(), free_port()
    (folder / "prometheus.yml").write_text(
        "global: {scrape_interval: 1s}\n"
        "scrape_configs:\n"
        "  - job_name: spinledger\n"
        f"    static_configs: [{{targets: ['127.0.0.1:{ours}']}}]\n",
        encoding="utf-8",
    )
    serve = [sys.executable, "-m", "spinledger", "serve", "--shelf", "simulated"]
    serve += ["--speed", str(SPEED), "--ledger", "memory", "--listen", f"127.0.0.1:{ours}"]
    prometheus = [
        "prometheus",
        f"--config.file={folder}/prometheus.yml",
        f"--storage.tsdb.path={folder}/data",
        f"--web.listen-address=127.0.0.1:{theirs}",
        "--log.level=error",
    ]
    children: list[subprocess.Popen[bytes]] = []
    try:
        children.append(subprocess.Popen(serve, cwd=ROOT / "exporter"))
        base = f"http://127.0.0.1:{ours}"
        wait_for(lambda: bool(get(f"{base}/snapshot")["disks"]), children[0])
        children.append(subprocess.Popen(prometheus))
        disks = len(get(f"{base}/snapshot")["disks"])
        running = Stage(f"http://127.0.0.1:{theirs}", disks)
        scraped = f'sum(count_over_time(up{{job="spinledger"}}[1m])) >= {SCRAPES}'
        wait_for(lambda: bool(running.ask(scraped)), children[1])
        yield running
    finally:
        for child in reversed(children):
            child.terminate()
        for child in children:
            child.wait(timeout=20)


def filled_in(query: str) -> str:
    """The query with the dashboard's variables replaced."""
    return re.sub(r"\$(\w+)", lambda found: VARIABLES[found.group(1)], query)


@pytest.mark.parametrize(("title", "query"), QUERIES)
def test_query_has_the_rows_that_are_due(stage: Stage, title: str, query: str) -> None:
    """Prometheus accepts the query and answers with as many rows as the shelf calls for."""
    rows = len(stage.ask(filled_in(query)))
    if title in {"Disks", "Spin-ups in the last day"}:
        assert rows == stage.disks
    elif title == "$disk":
        assert rows == 5  # the states of the books
    elif title == "Questions sent per hour":
        assert rows >= stage.disks  # one a disk and command, from zero
    elif title == "Questions without a state, per hour":
        failed = "spinledger_disk_probe_failures_total > 0"  # where every drive answers: none
        assert rows <= len(stage.ask(failed))
    else:
        assert rows == 1  # one figure over the chosen disks


def test_the_figures_are_those_of_the_shelf(stage: Stage) -> None:
    """Disks watched is the number of disks, and every disk is in exactly one state."""
    by_title = {str(case.values[0]): str(case.values[1]) for case in QUERIES}
    (watched,) = stage.ask(filled_in(by_title["Disks watched"]))
    assert float(watched["value"][1]) == stage.disks
    (states,) = stage.ask("sum(spinledger_disk_power_state)")
    assert float(states["value"][1]) == stage.disks
