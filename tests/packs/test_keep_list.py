"""The keep-list: at most 45 series a disk, everything the rules use, nothing of others touched.

Outside authority: the installed Prometheus, which scrapes and relabels. It scrapes a real exporter
with a simulated shelf, and a page made from the catalogue that has every series the contract
allows. On both it evaluates the whole rule pack.
"""

from __future__ import annotations

import itertools
import json
import re
import socket
import subprocess
import sys
import threading
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
import yaml

from rules.build import HERE as RULES
from spinledger.facts import DiskView
from spinledger.metrics.catalogue import CATALOGUE, DISK_ROWS, Metric, Rendered
from tests.fakes.patience import PATIENCE_S, until
from tests.packs.contract import VALUES
from tests.packs.overlay import overlay
from tests.packs.promql import uses
from tests.packs.test_rules import RULE_LIST

ROOT = Path(__file__).parents[2]
LIMIT = 45
NAMES = {"wake_group", "model", "serial"}  # a disk has one of each


def lines(metric: Metric[DiskView] | Metric[Rendered]) -> Iterator[str]:
    """All samples of a row of the catalogue, of one disk, as text format."""
    names = list(metric.labels)
    if metric.kind == "stateset":
        names.append(metric.name)
    fixed = {"disk": "every"} if metric in DISK_ROWS else {}
    if metric.kind == "info":
        choices = [["counters"] if name == "watch" else [f"a {name}"] for name in names]
    else:
        choices = [
            list(VALUES.get(name, ["one"] if name in NAMES else ["one", "two"])) for name in names
        ]
    for chosen in itertools.product(*choices):
        labels = {**dict(zip(names, chosen, strict=True)), **fixed}
        if "disk" in names:
            labels["disk"] = "absent"
        inside = ",".join(f'{name}="{value}"' for name, value in labels.items())
        if metric.kind == "histogram":
            for ending in ("_count", "_sum"):
                yield f"{metric.name}{ending}{{{inside}}} 1"
            yield f'{metric.name}_bucket{{{inside},le="+Inf"}} 1'
        else:
            yield f"{metric.name}{{{inside}}} 1"


PAGE = "\n".join([*(line for row in CATALOGUE for line in lines(row)), "node_load1 1", ""])


class Page(BaseHTTPRequestHandler):
    """Serves the page of every series."""

    def do_GET(self) -> None:
        """The same text for every path."""
        self.send_response(200)
        self.send_header("Content-Type", "text/plain; version=0.0.4")
        self.end_headers()
        self.wfile.write(PAGE.encode())

    def log_message(self, format: str, *args: object) -> None:
        """No log."""


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as query:
        query.bind(("127.0.0.1", 0))
        port: int = query.getsockname()[1]
        return port


Query = Callable[[str], Any]


@pytest.fixture(scope="module")
def query(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Query]:
    """A Prometheus with the keep-list and the rules; answers paths of its interface."""
    folder = tmp_path_factory.mktemp("keep")
    ours, theirs = free_port(), free_port()
    page = ThreadingHTTPServer(("127.0.0.1", 0), Page)
    keep = yaml.safe_load((RULES / "samples" / "keep-list.yml").read_text(encoding="utf-8"))
    targets = {"kept": ours, "every": page.server_port, "whole": page.server_port}
    jobs = [
        {
            "job_name": job,
            "static_configs": [{"targets": [f"127.0.0.1:{port}"]}],
            **({} if job == "whole" else keep),
        }
        for job, port in targets.items()
    ]
    config = {
        "global": {"scrape_interval": "1s", "evaluation_interval": "1s"},
        "rule_files": [str(file) for file in overlay(folder, 240)],
        "scrape_configs": jobs,
    }
    (folder / "prometheus.yml").write_text(yaml.safe_dump(config), encoding="utf-8")
    threading.Thread(target=page.serve_forever, daemon=True).start()
    serve = [sys.executable, "-m", "spinledger", "serve", "--shelf", "simulated", "--ledger"]
    serve += ["memory", "--speed", "300", "--listen", f"127.0.0.1:{ours}"]
    prometheus = [
        "prometheus",
        f"--config.file={folder}/prometheus.yml",
        f"--storage.tsdb.path={folder}/data",
        f"--web.listen-address=127.0.0.1:{theirs}",
        "--log.level=error",
    ]

    def get(path: str) -> Any:
        with urllib.request.urlopen(
            f"http://127.0.0.1:{theirs}/api/v1/{path}", timeout=PATIENCE_S
        ) as got:
            return json.load(got)["data"]

    children = [subprocess.Popen(serve, cwd=ROOT / "exporter"), subprocess.Popen(prometheus)]
    try:
        until(lambda: len(rows(get, "count_over_time(up[1m]) > 3 and up == 1")) == len(targets))
        yield get
    finally:
        page.shutdown()
        page.server_close()
        for child in children:
            child.terminate()
        for child in children:
            child.wait(timeout=PATIENCE_S)


def rows(query: Query, text: str) -> list[dict[str, Any]]:
    """The rows of an instant query."""
    found: list[dict[str, Any]] = query("query?" + urllib.parse.urlencode({"query": text}))[
        "result"
    ]
    return found


def test_a_disk_keeps_at_most_45_series(query: Query) -> None:
    """Of a real exporter, and of one that exports everything the contract allows; the same page
    without the keep-list has far more."""
    scraped = 'count by (job, disk) ({__name__=~"spinledger_.+", job=~"%s", disk!=""})'
    kept: list[int] = []

    def scraped_all() -> bool:
        kept[:] = [int(row["value"][1]) for row in rows(query, scraped % "kept|every")]
        return len(kept) > 2  # a scrape may fail on a busy machine

    until(scraped_all)
    assert max(kept) <= LIMIT
    assert max(int(row["value"][1]) for row in rows(query, scraped % "whole")) > 2 * LIMIT


def test_all_that_a_rule_selects_is_kept(query: Query) -> None:
    """Each metric of a rule's expression, with the matchers it is selected by, is there as often
    with the keep-list as without it."""
    selectors = {
        found.strip()
        for rule in RULE_LIST
        for name in uses(rule["expr"]).metrics
        for found in selections(rule["expr"], name)
    }
    assert len(selectors) > 20
    lost = set()
    for selector in selectors:
        kept, whole = (
            len(rows(query, f'{selector} and on (job) up{{job="{job}"}}'))
            for job in ("every", "whole")
        )
        assert whole, selector
        if kept < whole:
            lost.add(selector)
    assert lost == set()


def selections(expression: str, name: str) -> Iterator[str]:
    """The metric with each set of matchers that the expression selects it by."""
    plain = re.sub(r"\b(?:by|without|on) \([^()]*\)", "", expression)
    for matchers in re.findall(rf"\b{name}\b(\{{[^{{}}]*\}})?", plain):
        yield name + matchers


def test_metrics_of_others_pass(query: Query) -> None:
    """A series of another exporter is kept, and no helping label is left on any series."""
    assert len(rows(query, 'node_load1{job="every"}')) == 1
    assert "__tmp_spinledger" not in query("labels")


def test_a_real_server_evaluates_every_rule(query: Query) -> None:
    """Every rule of the pack is evaluated without an error, on both targets together."""

    def evaluated() -> bool:
        rules = [rule for group in query("rules")["groups"] for rule in group["rules"]]
        assert len(rules) == len(RULE_LIST)
        assert [rule for rule in rules if rule["health"] == "err"] == []
        return all(rule["health"] == "ok" for rule in rules)

    until(evaluated)
