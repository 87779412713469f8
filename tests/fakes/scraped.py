"""A rehearsed shelf in a real Prometheus, as if it had been scraped all the time.

Every series of every snapshot is written, by the collector that answers real scrapes, with the
labels that a scrape adds. Rules and consoles are loaded as they are shipped.
"""

from __future__ import annotations

import json
import re
import socket
import subprocess
import time
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TextIO
from unittest.mock import patch

from spinledger.facts import DiskView, Snapshot
from spinledger.metrics.collector import SnapshotCollector
from spinledger.model import MINUTE, SECOND
from spinledger.sim.rehearse import Rehearsal, Rehearsed, rehearse
from tests.fakes.series import view
from tests.packs.overlay import overlay

ROOT = Path(__file__).parents[2]
JOB, INSTANCE = "spinledger", "attic:9786"
STEP_NS = 10 * MINUTE
PATIENCE_S = 60.0


class Scrape:
    """A publisher in place of app.rehearsing's own: every series, every ten minutes."""

    def __init__(self, out: TextIO, job: str, instance: str, step_ns: int) -> None:
        self._out = out
        self._common = f'job="{job}",instance="{instance}"'
        self._next_ns = 0
        self.lines = 0

    def wants(self, at_ns: int) -> bool:
        """Every step."""
        return at_ns >= self._next_ns

    def taken(self) -> bool:
        """True once a line was written."""
        return self.lines > 0

    def publish(self, snapshot: Snapshot) -> None:
        """Write the lines of this moment."""
        if not self.wants(snapshot.at_ns):
            return
        self._next_ns = snapshot.at_ns + STEP_NS
        stamp = f"{snapshot.wall_ns / SECOND:.3f}"
        for family in SnapshotCollector(lambda: snapshot).collect():
            for sample in family.samples:
                inside = ",".join(
                    [
                        self._common,
                        *(f"{key}={json.dumps(text)}" for key, text in sample.labels.items()),
                    ]
                )
                self._out.write(f"{sample.name}{{{inside}}} {sample.value} {stamp}\n")
                self.lines += 1

    def end(self) -> None:
        """OpenMetrics' end marker."""
        self._out.write("# EOF\n")


@dataclass(frozen=True, slots=True)
class Month:
    """A running Prometheus, and the truth behind its data."""

    url: str
    rehearsed: Rehearsed
    end_s: float  # the last moment that was scraped
    days: float

    def probe(self, query: str, **more: str) -> list[dict[str, Any]]:
        """The rows of an instant query at the end of the data, or at another `time`."""
        given = {"query": query, "time": f"{self.end_s:.3f}", **more}
        found = get(f"{self.url}/api/v1/query?{urllib.parse.urlencode(given)}")
        rows: list[dict[str, Any]] = found["data"]["result"]
        return rows

    def views(self) -> list[DiskView]:
        """The disks as the exporter saw them at the end."""
        return [view(account) for _, account in sorted(self.rehearsed.loop.accounts.items())]


def get(url: str) -> Any:
    """The JSON at an address."""
    with urllib.request.urlopen(url, timeout=30) as answer:
        return json.load(answer)


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextmanager
def month(folder: Path, rehearsal: Rehearsal) -> Iterator[Month]:
    """Rehearse until a minute ago, load the series, and serve them."""
    end_s = time.time() - 60
    asked = replace(rehearsal, start_wall_ns=round((end_s - rehearsal.days * 86_400) * SECOND))
    series = folder / "series.om"
    with (
        series.open("w", encoding="utf-8") as out,
        patch("spinledger.sim.rehearse.Backfill", Scrape),
    ):
        done = rehearse(asked, folder / "ledger.db", out, (JOB, INSTANCE))
    data = folder / "data"
    subprocess.run(
        ["promtool", "tsdb", "create-blocks-from", "openmetrics", "--max-block-duration=720h", "-q",
         str(series), str(data)],
        check=True,
        capture_output=True,
    )  # fmt: skip
    series.unlink()
    rules = ", ".join(f"'{file}'" for file in overlay(folder, 240))
    (folder / "prometheus.yml").write_text(
        f"global: {{evaluation_interval: 1s}}\nrule_files: [{rules}]\n", encoding="utf-8"
    )
    port = free_port()
    command = [
        "prometheus",
        f"--config.file={folder}/prometheus.yml",
        f"--storage.tsdb.path={data}",
        "--storage.tsdb.retention.time=10y",
        "--query.lookback-delta=20m",  # the series end at the rehearsal's end
        f"--web.listen-address=127.0.0.1:{port}",
        f"--web.console.templates={ROOT}/dashboards/consoles",
        "--log.level=error",
    ]
    url = f"http://127.0.0.1:{port}"
    child = subprocess.Popen(command)
    try:
        running = Month(url, done, end_s, rehearsal.days)
        _wait(running, child)
        yield running
    finally:
        child.terminate()
        child.wait(timeout=20)


def _wait(running: Month, child: subprocess.Popen[bytes]) -> None:
    """Until it answers, and all rules were evaluated, twice: some read what others recorded."""
    seen: dict[str, set[str]] = {}
    ends = time.monotonic() + PATIENCE_S
    while time.monotonic() < ends:
        assert child.poll() is None, f"{child.args!r} ended with {child.returncode}"
        try:
            for group in get(f"{running.url}/api/v1/rules")["data"]["groups"]:
                if all(rule["health"] == "ok" for rule in group["rules"]):
                    seen.setdefault(group["name"], set()).add(group["lastEvaluation"])
                else:
                    seen.setdefault(group["name"], set())
            if seen and all(len(times) > 1 for times in seen.values()):
                return
        except OSError:
            pass  # not listening so far
        time.sleep(0.3)
    raise AssertionError("Prometheus was not ready in time")


def fires(running: Month, alert: str) -> list[dict[str, Any]]:
    """The alert's series, once the rules were evaluated often enough; none after a minute."""
    query = f'ALERTS{{alertname="{alert}",alertstate="firing"}}'
    ends = time.monotonic() + PATIENCE_S
    while not (rows := running.probe(query, time=f"{time.time():.3f}")):
        if time.monotonic() > ends:
            break
        time.sleep(0.5)
    return rows


def filled_in(query: str, values: dict[str, str]) -> str:
    """A dashboard's query with its variables replaced."""
    return re.sub(r"\$(\w+)", lambda found: values[found.group(1)], query)
