"""The rules over a large fleet: how long they take, and what the server needs.

Run at the top: python -m tests.bench.bench_fleet [--hosts N] [--base N] [--minutes M] [--interval
SECONDS]; the server is the `prometheus` of PATH. Two fleets, one after the other, are scraped by a
real Prometheus with the shipped rules and keep-list, and judged at the interval of the scrapes, by
default a minute; groups of rules that name their own interval keep it, in the same proportion.
Prints for each group the median and the longest evaluation and what it takes of a minute, and
series, memory and processor of the server; then how all this grew from the one fleet to the other.
Ends with 1 if all groups together take longer than 5 s a minute (required at intervals of a minute
and longer), if other alerts fire than those of the faulty hosts, or if the processor's time grew
faster than the series (with SLACK): unlike a duration, it does not depend on who else is at work.

Ranges of 1 to 6 h are full only after so long: the run says for how long it watched.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.parse
import urllib.request
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from rules.build import HERE as RULES
from tests.bench.fleet import DISKS, FAULTY, POOL, instance, serve
from tests.packs.overlay import overlay
from tests.packs.test_rules import FILES, RULE_LIST

MOST_S = 5.0  # of a minute
SLACK = 2.0  # of linear growth: a quadratic one is five times linear here
KEPT = 45  # series a disk, at most
PATIENCE_S = 120.0
_LOOK_S = 1.0


@dataclass(slots=True)
class Measured:
    """What one fleet cost."""

    hosts: int
    interval_s: float
    series: int = 0  # scraped, those of the server itself not counted
    dropped: int = 0  # scraped samples that the keep-list dropped
    firing: Counter[str] = field(default_factory=Counter)  # alerts, by name
    load: float = 0.0  # of the machine, over the last minute, at the end
    watched_s: float = 0.0
    memory_mib: float = 0.0
    cores: float = 0.0
    took_s: dict[str, list[float]] = field(default_factory=dict)  # by group
    every_s: dict[str, float] = field(default_factory=dict)  # by group
    failures: int = 0
    missed: int = 0

    def a_minute_s(self, group: str) -> float:
        """What a group takes of a minute at the shipped intervals, seconds; the median."""
        return statistics.median(self.took_s[group]) * self.interval_s / self.every_s[group]

    @property
    def all_s(self) -> float:
        """What all groups together take of a minute, seconds."""
        return sum(map(self.a_minute_s, self.took_s))


def measure(hosts: int, seconds: float, interval_s: float) -> Measured:
    """Scrape a fleet for so long after all of it is there."""
    measured = Measured(hosts, interval_s)
    with ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="fleet-"))
        port = stack.enter_context(_fleet())
        url, pid = stack.enter_context(_prometheus(Path(folder), hosts, port, interval_s))
        _until(
            lambda: _value(url, "count(last_over_time(spinledger_build_info[15m]))") == hosts,
            interval_s,
        )
        # One round later every group has seen all of them.
        time.sleep(2 * interval_s)
        began, cpu_began = time.monotonic(), _cpu_s(pid)
        seen: dict[str, float] = {}
        while time.monotonic() < began + seconds:
            for group in _groups(url):
                measured.every_s[group["name"]] = group["every_s"]
                if seen.setdefault(group["name"], group["at"]) != group["at"]:
                    seen[group["name"]] = group["at"]
                    measured.took_s.setdefault(group["name"], []).append(group["took_s"])
            time.sleep(_LOOK_S)
        measured.watched_s = time.monotonic() - began
        measured.cores = (_cpu_s(pid) - cpu_began) / measured.watched_s
        measured.memory_mib = _resident_mib(pid)
        kept, every = "scrape_samples_post_metric_relabeling", "scrape_samples_scraped"
        measured.series = int(_value(url, f"sum(max_over_time({kept}[15m]))"))
        measured.dropped = int(_value(url, f"sum(max_over_time({every}[15m]))")) - measured.series
        measured.firing = Counter(_firing(url))
        measured.load = os.getloadavg()[0]
        own = _own(url)
        measured.failures = int(own["prometheus_rule_evaluation_failures_total"])
        measured.missed = int(own["prometheus_rule_group_iterations_missed_total"])
    return measured


@contextmanager
def _fleet() -> Iterator[int]:
    """The fleet's process; yields its port."""
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.Process(target=serve, args=(theirs,), daemon=True)
    process.start()
    try:
        yield ours.recv()
    finally:
        process.terminate()
        process.join()


@contextmanager
def _prometheus(
    folder: Path, hosts: int, fleet: int, interval_s: float
) -> Iterator[tuple[str, int]]:
    """A server with the pack; yields its address and process."""
    keep = yaml.safe_load((RULES / "samples" / "keep-list.yml").read_text(encoding="utf-8"))
    every = f"{round(interval_s)}s"
    rules = overlay(folder, 60 / interval_s)
    config = {
        "global": {"scrape_interval": every, "scrape_timeout": every, "evaluation_interval": every},
        "rule_files": [str(file) for file in rules],
        "scrape_configs": [
            {
                "job_name": "spinledger",
                "static_configs": [{"targets": [instance(number) for number in range(hosts)]}],
                "relabel_configs": [
                    {"source_labels": ["__address__"], "target_label": "instance"},
                    {
                        "source_labels": ["__address__"],
                        "target_label": "__metrics_path__",
                        "replacement": "/$1",
                    },
                    {"target_label": "__address__", "replacement": f"127.0.0.1:{fleet}"},
                ],
                **keep,
            }
        ],
    }
    (folder / "prometheus.yml").write_text(yaml.safe_dump(config), encoding="utf-8")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    process = subprocess.Popen(
        [
            "prometheus",
            f"--config.file={folder}/prometheus.yml",
            f"--storage.tsdb.path={folder}/data",
            f"--web.listen-address=127.0.0.1:{port}",
            "--log.level=error",
        ]
    )
    try:
        yield f"http://127.0.0.1:{port}", process.pid
    finally:
        process.terminate()
        process.wait()


def _until(true: Any, interval_s: float) -> None:
    ends = time.monotonic() + PATIENCE_S + 4 * interval_s
    while time.monotonic() < ends:
        try:
            if true():
                return
        except OSError:
            pass  # not listening so far
        time.sleep(_LOOK_S)
    raise AssertionError("the fleet was not all there in time")


def _get(url: str, path: str) -> Any:
    with urllib.request.urlopen(f"{url}/api/v1/{path}", timeout=60) as got:
        return json.load(got)["data"]


def _value(url: str, query: str) -> float:
    found = _get(url, "query?" + urllib.parse.urlencode({"query": query}))["result"]
    return float(found[0]["value"][1]) if found else 0.0


def _firing(url: str) -> list[str]:
    """Names of the alerts that fire, by the state of the rules.

    The series ALERTS does not show it so soon: a server writes it from a group's third evaluation
    on, after it has restored the state of a former run.
    """
    alerts = _get(url, "alerts")["alerts"]
    return [one["labels"]["alertname"] for one in alerts if one["state"] == "firing"]


def expected(hosts: int) -> Counter[str]:
    """Alerts that have to fire: on each faulty host a page, a ticket, and one a disk of the pool;
    and the sign that the rules are loaded."""
    faulty = hosts // FAULTY
    return Counter(
        DiskCyclesRunaway=faulty,
        DiskCycleBudgetBurning=faulty,
        DiskAwakeInQuietHours=faulty * POOL,
        SpinledgerAlertsLoaded=1,
    )


def _groups(url: str) -> Iterator[dict[str, Any]]:
    """Name, time of the last evaluation and how long it took, of each group of rules."""
    own: dict[str, dict[str, float]] = {}
    for line in _own_lines(url):
        name, _, value = line.rpartition(" ")
        if name.startswith(("prometheus_rule_group_last_", "prometheus_rule_group_interval_")):
            metric, group = name.split("{rule_group=", 1)
            own.setdefault(group.rsplit(";", 1)[1].rstrip('"}'), {})[metric] = float(value)
    for name, values in own.items():
        at = values.get("prometheus_rule_group_last_evaluation_timestamp_seconds", 0.0)
        took_s = values.get("prometheus_rule_group_last_duration_seconds", 0.0)
        if at > 0:
            every_s = values["prometheus_rule_group_interval_seconds"]
            yield {"name": name, "at": at, "took_s": took_s, "every_s": every_s}


def _own(url: str) -> dict[str, float]:
    """The server's own counters, summed over their labels."""
    sums: dict[str, float] = {}
    for line in _own_lines(url):
        name, _, value = line.rpartition(" ")
        name = name.partition("{")[0]
        sums[name] = sums.get(name, 0.0) + float(value)
    return sums


def _own_lines(url: str) -> list[str]:
    with urllib.request.urlopen(f"{url}/metrics", timeout=60) as got:
        return [line for line in got.read().decode().splitlines() if not line.startswith("#")]


def _cpu_s(pid: int) -> float:
    """Processor time of a process: proc(5), /proc/pid/stat, utime and stime."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _resident_mib(pid: int) -> float:
    """The most memory it had: proc(5), /proc/pid/status, VmHWM."""
    for line in Path(f"/proc/{pid}/status").read_text(encoding="utf-8").splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) / 1024
    return 0.0


def report(base: Measured, whole: Measured) -> tuple[list[str], list[str]]:
    """The tables as lines, and what is wrong."""
    wrong: list[str] = []
    lines = []
    for one in (base, whole):
        lines += [
            f"{one.hosts} hosts of {DISKS} disks, {one.series} series, scraped every "
            f"{one.interval_s:g} s, watched for {one.watched_s / 60:.1f} min",
            f"  {'group':28}{'every s':>9}{'rounds':>8}{'median s':>10}{'longest s':>11}"
            f"{'s a minute':>12}",
        ]
        for group, times in sorted(one.took_s.items()):
            lines.append(
                f"  {group:28}{one.every_s[group]:9g}{len(times):8}{statistics.median(times):10.3f}"
                f"{max(times):11.3f}{one.a_minute_s(group):12.3f}"
            )
        lines += [
            f"  {'all groups':28}{'':38}{one.all_s:12.3f}",
            f"  memory {one.memory_mib:.0f} MiB at most, processor {one.cores:.2f} cores, "
            f"{one.firing.total()} alerts firing, {one.failures} failed evaluations, "
            f"{one.missed} missed; load of the machine {one.load:.1f}",
            "",
        ]
        groups = {rule_group(rule) for rule in RULE_LIST}
        if one.took_s.keys() != groups:
            wrong.append(f"{one.hosts} hosts: not all groups were evaluated")
        if one.all_s > MOST_S and one.interval_s >= 60:
            wrong.append(f"{one.hosts} hosts: {one.all_s:.2f} s a minute, at most {MOST_S:g} s")
        if one.failures or (one.missed and one.interval_s >= 60):
            wrong.append(f"{one.hosts} hosts: {one.failures} failures, {one.missed} missed")
        if one.dropped or one.series > one.hosts * (DISKS + 1) * KEPT:
            wrong.append(f"{one.hosts} hosts: the pages are not those of the keep-list")
        wanted = expected(one.hosts)
        differing = [
            f"{name} fires {one.firing[name]} times, expected {wanted[name]}"
            for name in sorted(wanted | one.firing)
            if one.firing[name] != wanted[name]
        ]
        if differing:
            wrong.append(f"{one.hosts} hosts: {'; '.join(differing)}")
    series = whole.series / base.series
    lines.append(f"growth from {base.hosts} to {whole.hosts} hosts: series x {series:.1f}")
    for what, before, after in (
        ("all groups", base.all_s, whole.all_s),
        ("memory", base.memory_mib, whole.memory_mib),
        ("processor", base.cores, whole.cores),
    ):
        lines.append(f"  {what:20} x {after / before:5.1f}")
    grew = whole.cores / base.cores
    if grew > SLACK * series:
        wrong.append(f"the processor's time grew by {grew:.1f}, the series by {series:.1f}")
    return lines, wrong


def version() -> str:
    """The server's, such as 2.53.3."""
    said = subprocess.run(["prometheus", "--version"], capture_output=True, text=True, check=True)
    return said.stdout.split()[2]


def rule_group(rule: dict[str, Any]) -> str:
    """The group that a rule is in."""
    for file in FILES:
        for group in yaml.safe_load(file.read_text(encoding="utf-8"))["groups"]:
            if rule in group["rules"]:
                return str(group["name"])
    raise KeyError(rule)


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the tables; 1 if something is wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hosts", type=int, default=1000)
    parser.add_argument("--base", type=int, default=100, help="hosts of the fleet to compare with")
    parser.add_argument("--minutes", type=float, default=10.0, help="how long to watch each")
    parser.add_argument("--interval", type=float, default=60.0, help="of scrapes and rules, s")
    given = parser.parse_args(arguments)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that what was started is ended
    base = measure(given.base, given.minutes * 60, given.interval)
    print(f"{given.base} hosts done", file=sys.stderr, flush=True)
    lines, wrong = report(base, measure(given.hosts, given.minutes * 60, given.interval))
    print(f"Prometheus {version()}")
    print("\n".join(lines))
    for one in wrong:
        print(f"WRONG: {one}")
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
