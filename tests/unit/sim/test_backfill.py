"""The series of a rehearsal: what rules and dashboards read is there, and nothing else.

Outside authority: the shipped rules and dashboards, which say themselves what they read.
"""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path

import pytest

from spinledger.facts import DiskView, Snapshot
from spinledger.metrics.catalogue import CATALOGUE, DISK_ROWS, HISTOGRAM, Metric, Rendered
from spinledger.model import SECOND
from spinledger.sim.backfill import LEFT_OUT, SELDOM, Backfill
from tests.fakes.snapshots import full_view, snapshot
from tests.packs.promql import uses
from tests.packs.test_rules import FILES, RULE_LIST

ROOT = Path(__file__).parents[3]
STEP_NS = 240 * SECOND
CODES = ("timer_not_holding", "probes_disturb", "regular_access")
PARTS = ("_bucket", "_count", "_sum")
WRITABLE = {
    name
    for row in CATALOGUE
    for name in ([row.name + part for part in PARTS] if row.kind == HISTOGRAM else [row.name])
}


def whole_disk() -> Snapshot:
    """A disk with every key of the catalogue, and some findings."""
    view = full_view(0)
    findings = tuple(one for one in view.findings if one.code in CODES)
    return snapshot(replace(view, findings=findings))


def written(steps: int) -> list[set[str]]:
    """The series of each step, by name and labels."""
    steps_written = []
    out = io.StringIO()
    backfill = Backfill(out, "spinledger", "attic:9786", STEP_NS)
    for number in range(steps):
        out.seek(out.truncate(0))
        moment, later = whole_disk(), number * STEP_NS
        backfill.publish(
            replace(moment, at_ns=moment.at_ns + later, wall_ns=moment.wall_ns + later)
        )
        steps_written.append({line.rsplit(" ", 2)[0] for line in out.getvalue().splitlines()})
    return steps_written


def names(series: set[str]) -> set[str]:
    """Their metrics."""
    return {one.partition("{")[0] for one in series}


def read_by_dashboards() -> set[str]:
    """Metrics that a dashboard names, in a query or elsewhere."""
    text = "".join(f.read_text(encoding="utf-8") for f in (ROOT / "dashboards").glob("*.json"))
    return set(re.findall(r"spinledger_\w+", text)) & WRITABLE


def test_every_step_has_what_the_rules_expressions_read_and_no_more() -> None:
    """Metrics of disks at an ordinary step are those of the rules' expressions."""
    read = {name for rule in RULE_LIST for name in uses(rule["expr"]).metrics}
    disks = {row.name for row in DISK_ROWS}
    assert names(written(2)[1]) & disks == read & disks
    assert read & WRITABLE - names(written(2)[1]) == set()


def test_once_an_hour_there_is_what_the_dashboards_read() -> None:
    """The first step and then one in SELDOM has every metric that a dashboard names."""
    steps = written(SELDOM + 1)
    assert read_by_dashboards() > {"spinledger_disk_cycles_total"}
    for number in (0, SELDOM):
        assert read_by_dashboards() - names(steps[number]) == set()
    assert steps[0] == steps[SELDOM]
    assert all(step < steps[0] for step in steps[1:SELDOM])


def test_labels_that_no_rule_selects_are_left_to_the_hour() -> None:
    """Of findings, windows and bounds an ordinary step has those that a rule selects by name."""
    whole, ordinary = written(2)
    late = {one for one in whole - ordinary if "finding" in one or "life_end" in one}
    assert {re.findall(r'(?:code|bound)="(\w+)"', one)[0] for one in late} == {
        "regular_access",
        "early",
        "middle",
    }
    windows = {one for one in ordinary if "recent_cycles" in one}
    assert {re.findall(r'window="(\w+)"', one)[0] for one in windows} == {"1d", "30d"}


@pytest.mark.parametrize(
    "row", [row for row in CATALOGUE if row.key in LEFT_OUT], ids=lambda row: row.name
)
def test_what_is_left_out_is_read_nowhere(row: Metric[DiskView] | Metric[Rendered]) -> None:
    """No rule, annotation or dashboard names it."""
    texts = [*FILES, *(ROOT / "dashboards").glob("*.json")]
    assert not [file for file in texts if re.search(rf"\b{row.name}\b", file.read_text("utf-8"))]
