"""A rehearsed shelf in a real Prometheus, as if it had been scraped all the time.

Every series of every snapshot is written, by the collector that answers real scrapes, with the
labels that a scrape adds. The shipped rules are evaluated once, at the moment of the last scrape,
and what they give is written beside it: so no answer depends on how fast real time passes. An
alert's `for` is not waited for. Consoles are served as shipped, by a second server: they always
show the present, so that server takes the last value of a series for as long as a day.
"""

from __future__ import annotations

import json
import re
import shutil
import socket
import subprocess
import time
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TextIO
from unittest.mock import patch

from rules.build import GROUPS
from rules.parts import PACK, Alert
from spinledger.facts import DiskView, Snapshot
from spinledger.metrics.collector import SnapshotCollector
from spinledger.model import MINUTE, SECOND
from spinledger.sim.rehearse import Rehearsal, Rehearsed, rehearse
from tests.fakes.series import view

ROOT = Path(__file__).parents[2]
JOB, INSTANCE = "spinledger", "attic:9786"
STEP_NS = 10 * MINUTE
PATIENCE_S = 600.0  # for a server to start, on a busy machine
LOOKBACK = "20m"  # two scrapes


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
    """Running servers, and the truth behind their data."""

    url: str
    consoles: str  # of the server that serves them
    rehearsed: Rehearsed
    end_s: float  # the last moment that was scraped
    days: float

    def probe(self, query: str) -> list[dict[str, Any]]:
        """The rows of an instant query at the end of the data."""
        return rows(self.url, query, self.end_s)

    def views(self) -> list[DiskView]:
        """The disks as the exporter saw them at the end."""
        return [view(account) for _, account in sorted(self.rehearsed.loop.accounts.items())]


def rows(url: str, query: str, at_s: float) -> list[dict[str, Any]]:
    """The rows of an instant query."""
    given = urllib.parse.urlencode({"query": query, "time": f"{at_s:.3f}"})
    with urllib.request.urlopen(f"{url}/api/v1/query?{given}", timeout=PATIENCE_S) as answer:
        found: list[dict[str, Any]] = json.load(answer)["data"]["result"]
    return found


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextmanager
def month(folder: Path, rehearsal: Rehearsal, end_s: float | None = None) -> Iterator[Month]:
    """Rehearse until then, by default until a minute ago, load the series, and serve them."""
    end_s = time.time() - 60 if end_s is None else end_s
    timed = replace(rehearsal, start_wall_ns=round((end_s - rehearsal.days * 86_400) * SECOND))
    series, data, copy = folder / "series.om", folder / "data", folder / "copy"
    with (
        series.open("w", encoding="utf-8") as out,
        patch("spinledger.sim.rehearse.Backfill", Scrape),
    ):
        done = rehearse(timed, folder / "ledger.db", out, (JOB, INSTANCE))
    _load(series, data)
    with _server(data, LOOKBACK) as url, series.open("w", encoding="utf-8") as out:
        out.writelines(evaluated(url, end_s))
    _load(series, data)
    shutil.copytree(data, copy)
    with ExitStack() as stack:
        url = stack.enter_context(_server(data, LOOKBACK))
        consoles = stack.enter_context(_server(copy, "1d"))
        yield Month(url, consoles, done, end_s, rehearsal.days)


def _load(series: Path, data: Path) -> None:
    """Write a file of series into blocks of a server's data."""
    command = ["promtool", "tsdb", "create-blocks-from", "openmetrics"]
    command += ["--max-block-duration=720h", "-q", str(series), str(data)]
    subprocess.run(command, check=True, capture_output=True)
    series.unlink()


def evaluated(url: str, at_s: float) -> Iterator[str]:
    """What the shipped rules give at a moment, as OpenMetrics."""
    for group in GROUPS:
        for rule in group.rules:
            for row in rows(url, rule.expr, at_s):
                labels, value = dict(row["metric"]), row["value"][1]
                labels.pop("__name__", None)
                name = rule.name
                if isinstance(rule, Alert):
                    more = {"pack": PACK, "severity": rule.severity, "alertstate": "firing"}
                    labels, name, value = {**labels, **more, "alertname": rule.name}, "ALERTS", "1"
                inside = ",".join(f"{key}={json.dumps(text)}" for key, text in labels.items())
                yield f"{name}{{{inside}}} {value} {at_s:.3f}\n"
    yield "# EOF\n"


@contextmanager
def _server(data: Path, lookback: str) -> Iterator[str]:
    """A Prometheus on that data; yields its address once it answers."""
    url = f"http://127.0.0.1:{free_port()}"
    config = data.parent / "prometheus.yml"
    config.write_text("global: {}\n", encoding="utf-8")
    command = [
        "prometheus",
        f"--config.file={config}",
        f"--storage.tsdb.path={data}",
        "--storage.tsdb.retention.time=10y",
        f"--query.lookback-delta={lookback}",
        f"--web.listen-address={url.removeprefix('http://')}",
        f"--web.console.templates={ROOT}/dashboards/consoles",
        "--log.level=error",
    ]
    child = subprocess.Popen(command)
    try:
        _wait(url, child)
        yield url
    finally:
        child.terminate()
        child.wait(timeout=PATIENCE_S)


def _wait(url: str, child: subprocess.Popen[bytes]) -> None:
    ends = time.monotonic() + PATIENCE_S
    while time.monotonic() < ends:
        assert child.poll() is None, f"{child.args!r} ended with {child.returncode}"
        try:
            with urllib.request.urlopen(f"{url}/-/ready", timeout=PATIENCE_S):
                return
        except OSError:
            time.sleep(0.1)  # not listening so far
    raise AssertionError("Prometheus was not ready in time")


def fires(running: Month, alert: str) -> list[dict[str, Any]]:
    """The alert's series at the end of the data."""
    return running.probe(f'ALERTS{{alertname="{alert}",alertstate="firing"}}')


def filled_in(query: str, values: dict[str, str]) -> str:
    """A dashboard's query with its variables replaced."""
    return re.sub(r"\$(\w+)", lambda found: values[found.group(1)], query)
