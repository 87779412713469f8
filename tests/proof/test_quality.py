"""The rules on known shelves and over a fleet: what `python -m tests.bench.quality` measures.

Outside authority: promtool and the Prometheus server of this machine evaluate the shipped rules,
and scipy's Poisson quantile says how many false alarms are too many. Limits and times: the two
benches, which state theirs.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.bench import bench_fleet
from tests.bench.bench_alerts import allowed
from tests.bench.judged import STEP_S, Firing, judge
from tests.bench.quality import ALERTS, FLEET
from tests.bench.shelves import BURNING, DOWN, INSTANCE, RUNAWAY, TIMER
from tests.packs.test_rules import RULE_LIST

ROOT = Path(__file__).parents[2]
BEGAN_S = 1_772_398_800
REACHED = "spinledger_disk_cycle_limit_reached_timestamp_seconds"
RECENT = "spinledger_disk_recent_cycles"


@pytest.fixture(scope="module", autouse=True)
def months() -> Iterator[subprocess.Popen[str]]:
    """The bench of the alerts, at work beside the other tests of this module."""
    with subprocess.Popen(
        [sys.executable, "-m", "tests.bench.bench_alerts", *ALERTS],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": f"{ROOT}:{ROOT / 'exporter'}"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as process:
        yield process
        process.terminate()


@pytest.mark.long
def test_a_fleet_costs_no_more_than_its_series() -> None:
    """From 20 to 100 hosts of 24 disks the server's work grows no faster than the series do."""
    assert bench_fleet.main(FLEET) == 0


def test_a_fleet_without_its_alerts_is_reported() -> None:
    """One line names the alerts that should fire and do not; with all of them there is none."""
    whole = bench_fleet.Measured(50, 60.0, series=1, cores=1.0, memory_mib=1.0)
    for group in {bench_fleet.rule_group(rule) for rule in RULE_LIST}:
        whole.took_s[group], whole.every_s[group] = [0.1], 240.0
    whole.firing = bench_fleet.expected(50)
    assert bench_fleet.report(whole, whole)[1] == []
    base = replace(whole, firing=whole.firing - Counter(DiskCyclesRunaway=1))
    wrong = ["50 hosts: DiskCyclesRunaway fires 0 times, expected 1"]
    assert bench_fleet.report(base, whole)[1] == wrong


def test_promtool_judges_what_was_written(tmp_path: Path) -> None:
    """A limit reached for ten steps fires for six hours more, a silent exporter after 10 min."""
    names = f'job="spinledger",instance="{INSTANCE}"'
    whose = 'disk="one",wake_group="one"'
    lines = []
    for step in (*range(100), *range(110, 289)):
        stamp = f"{BEGAN_S + step * STEP_S}.000"
        reached = BEGAN_S + STEP_S * min(step, 29) if step >= 20 else 0
        lines += [
            f'{REACHED}{{{names},{whose},window="1h"}} {reached} {stamp}\n',
            f'{RECENT}{{{names},{whose},window="1d"}} 9 {stamp}\n',
            f'spinledger_build_info{{{names},version="0"}} 1 {stamp}\n',
        ]
    series = tmp_path / "series.om"
    series.write_text("".join([*lines, "# EOF\n"]), encoding="utf-8")
    assert sorted(judge(series, BEGAN_S, 1), key=str) == [
        Firing(RUNAWAY, "one", 20 * STEP_S, 100 * STEP_S),
        Firing(DOWN, INSTANCE, 102 * STEP_S, 109 * STEP_S),
    ]


def test_chance_is_allowed_what_tables_say() -> None:
    """In 250 disk-years the four short windows may begin once; of mean 1, 4 is the 99 % quantile.

    Poisson distribution, mean 1: P(N <= 3) = 0.9810, P(N <= 4) = 0.9963; any table.
    """
    assert allowed(RUNAWAY, 250.0) == (1.0, 4)
    assert allowed(BURNING, 250.0)[0] == pytest.approx(13.0)
    assert allowed(TIMER, 250.0) == (0, 0)


def test_known_shelves_raise_what_they_should(months: subprocess.Popen[str]) -> None:
    """12 disk-months of a faulty shelf: no false alarm too many, every fault found in time."""
    said, _ = months.communicate()
    print(said)
    assert months.returncode == 0, said
