"""What the shipped alerts say of snapshots, by a real Prometheus.

Rules: every snapshot is one target, given by three scrapes five minutes apart, of which the last is
at the snapshot's own time; only the exporter's clock moves between them. promtool writes them as
blocks, and the server answers each alert's expression once, at that time. What is compared with the
findings of the same snapshot is what fires then: no rule waits, since findings do.
"""

from __future__ import annotations

import json
import socket
import subprocess
import urllib.parse
import urllib.request
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rules.build import ALERTS
from rules.parts import CLOCK
from spinledger.facts import Snapshot
from spinledger.metrics.collector import SnapshotCollector
from spinledger.metrics.openmetrics import END, series
from spinledger.model import SECOND
from tests.fakes.patience import PATIENCE_S, until
from tests.packs.promql import uses

ABOUT_DISKS = [alert for alert in ALERTS if alert.codes]
READ = frozenset().union(*(uses(alert.expr).metrics for alert in ABOUT_DISKS))
CODES = {code: alert.name for alert in ABOUT_DISKS for code in alert.codes}

Judged = set[tuple[str, str]]  # alert, and the wake group that it is about


def found(snapshot: Snapshot) -> Judged:
    """The alerts that the snapshot's findings ask for."""
    return {
        (CODES[finding.code], view.disk.wake_group)
        for view in (*snapshot.disks, *snapshot.absent)
        for finding in view.findings
        if finding.code in CODES
    }


def fired(snapshots: Mapping[str, Snapshot], folder: Path) -> dict[str, Judged]:
    """The alerts that fire, by the snapshot's name. All snapshots end at times of their own."""
    lines = folder / "series.om"
    lines.write_text(_lines(snapshots), encoding="utf-8")
    making: list[str | Path] = ["promtool", "tsdb", "create-blocks-from", "openmetrics", lines]
    making.append(folder / "data")
    subprocess.run(making, check=True, capture_output=True)
    (folder / "prometheus.yml").write_text("{}", encoding="utf-8")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = subprocess.Popen(
        [
            "prometheus",
            f"--config.file={folder}/prometheus.yml",
            f"--storage.tsdb.path={folder}/data",
            "--storage.tsdb.retention.time=10y",
            f"--web.listen-address=127.0.0.1:{port}",
            "--log.level=error",
        ]
    )
    base = f"http://127.0.0.1:{port}"
    try:
        until(lambda: _ready(base))
        said: dict[str, Judged] = {name: set() for name in snapshots}
        for at_s in sorted({_at_s(one) for one in snapshots.values()}):
            for alert in ABOUT_DISKS:
                for labels in _query(base, alert.expr, at_s):
                    said[labels["instance"]].add((alert.name, labels["wake_group"]))
        return said
    finally:
        server.terminate()
        server.wait(timeout=PATIENCE_S)


def _at_s(snapshot: Snapshot) -> int:
    return -(-snapshot.wall_ns // SECOND)


def _lines(snapshots: Mapping[str, Snapshot]) -> str:
    """OpenMetrics: each metric's lines together."""
    by_metric: dict[str, list[str]] = {name: [] for name in READ}
    for name, snapshot in snapshots.items():
        at_s = _at_s(snapshot)
        target = (("job", "spinledger"), ("instance", name))
        for family in SnapshotCollector(lambda one=snapshot: one, lambda: 0).collect():  # type: ignore[misc]
            for sample in family.samples:
                if sample.name not in READ:
                    continue
                head = series(sample.name, (*target, *sample.labels.items()))
                for ago_s in (600, 300, 0):
                    value = at_s - ago_s if sample.name == CLOCK else sample.value
                    by_metric[sample.name].append(f"{head} {value} {at_s - ago_s}\n")
    parts = [f"# TYPE {name} gauge\n{''.join(rows)}" for name, rows in by_metric.items() if rows]
    return "".join([*parts, END])


def _ready(base: str) -> bool:
    try:
        with urllib.request.urlopen(f"{base}/-/ready", timeout=PATIENCE_S) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


def _query(base: str, expression: str, at_s: int) -> list[dict[str, str]]:
    asked = urllib.parse.urlencode({"query": expression, "time": at_s})
    with urllib.request.urlopen(f"{base}/api/v1/query?{asked}", timeout=PATIENCE_S) as answer:
        done: dict[str, Any] = json.load(answer)
    return [row["metric"] for row in done["data"]["result"]]
