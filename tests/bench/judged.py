"""What the shipped rules say of a rehearsed month: its series through promtool, firings out.

Rules: the rule files are those of the pack, unedited. The series are what `rehearse` writes, at
STEP_S; a step at which nothing was written is a failed scrape (`up` is 0, every series goes stale),
and a series that is missing beside others goes stale too, as a server does it (Prometheus
documentation, "Staleness"). promtool's time begins at 0, so the month's beginning is taken off
every metric that is a time. At each step it evaluates which alerts fire, and expects none: what it
got instead, it prints. The heartbeat, which always fires, is left out.
"""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.packs.promql import uses
from tests.packs.test_rules import ALERTS, FILES

STEP_S = 300
FIRING = 'ALERTS{alertstate="firing",severity!="none"}'
RULE_FILES = [file for file in FILES if file.parent.name == "alerts"]  # they need no recording
SEEN = frozenset().union(*(uses(rule["expr"]).metrics for rule in ALERTS))
"""Metrics that some alert's expression mentions; the rest changes no firing."""

_GOT = re.compile(r"expr: .*, time: (\S+),\s*\n\s*exp: .*\n\s*got: (.*)")
_SAMPLE = re.compile(r'\{((?:"(?:\\.|[^"\\])*"|[^"}])*)\}')
_LABEL = re.compile(r'(\w+)="((?:\\.|[^"\\])*)"')
_DURATION = re.compile(r"(\d+)([ywdhms])")
_UNIT_S = {"y": 31_536_000, "w": 604_800, "d": 86_400, "h": 3_600, "m": 60, "s": 1}
_MISSING = "stale"


@dataclass(frozen=True, slots=True)
class Firing:
    """One alert from the first step at which it fired to the last; seconds since the beginning."""

    alert: str
    whose: str  # its disk, else its wake group, else its instance
    began_s: int
    ended_s: int


def judge(openmetrics: Path, began_s: int, days: float) -> list[Firing]:
    """The firings of a month: `began_s` is its first second (Unix epoch)."""
    steps = int(days * 86_400) // STEP_S + 1
    test = openmetrics.with_suffix(".test.yml")
    with test.open("w", encoding="utf-8") as out:
        out.writelines(_test(_series(openmetrics, began_s, steps), steps))
    done = subprocess.run(
        ["promtool", "test", "rules", test], capture_output=True, text=True, check=False
    )
    said = done.stdout + done.stderr
    firings = list(_firings(_got(said)))
    if (done.returncode == 0) is bool(firings):
        raise AssertionError(f"promtool did not judge: {said.strip()[-2000:]}")
    return firings


def _series(openmetrics: Path, began_s: int, steps: int) -> dict[str, list[str]]:
    """Values by series, one a step, as text."""
    series: dict[str, list[str]] = {}
    written = [False] * steps
    job_and_instance = ""
    with openmetrics.open(encoding="utf-8") as lines:
        for line in lines:
            if line[0] == "#" or line[: line.index("{")] not in SEEN:
                continue
            head, value, stamp = line.rsplit(" ", 2)
            number = -int((began_s - float(stamp)) // STEP_S)  # the first step from then on
            if number >= steps:
                continue
            if "_timestamp_seconds{" in head:
                value = f"{float(value) - began_s:.3f}"
            values = series.get(head)
            if values is None:
                values = series[head] = [_MISSING] * steps
                job_and_instance = ",".join(re.findall(r'(?:job|instance)="[^"]*"', head))
            values[number] = value
            written[number] = True
    series[f"up{{{job_and_instance}}}"] = [str(int(there)) for there in written]
    return series


def _test(series: dict[str, list[str]], steps: int) -> Iterator[str]:
    """The text of a promtool test file."""
    files = json.dumps([str(file.resolve()) for file in RULE_FILES])
    yield f"rule_files: {files}\nevaluation_interval: {STEP_S}s\n"
    yield f"tests:\n- interval: {STEP_S}s\n  input_series:\n"
    for head, values in series.items():
        yield f"  - series: {json.dumps(head)}\n    values: '{' '.join(_runs(values))}'\n"
    yield "  promql_expr_test:\n"
    for number in range(steps):
        yield f"  - {{expr: {json.dumps(FIRING)}, eval_time: {number * STEP_S}s}}\n"


def _runs(values: Iterable[str]) -> Iterator[str]:
    """Equal neighbours as one term of the expanded notation; one stale marker, then nothing."""
    last, length = None, 0
    for value in [*values, None]:
        if value == last:
            length += 1
            continue
        if last == _MISSING:
            yield _MISSING
            if length > 1:
                yield f"_x{length - 1}"
        elif last is not None:
            yield last if length == 1 else f"{last}+0x{length - 1}"
        last, length = value, 1


def _got(said: str) -> Iterator[tuple[int, tuple[str, str]]]:
    """Step time and alert of everything that promtool says it got."""
    for found in _GOT.finditer(said):
        at_s = sum(int(n) * _UNIT_S[unit] for n, unit in _DURATION.findall(found[1]))
        for sample in _SAMPLE.finditer(found[2]):
            labels = dict(_LABEL.findall(sample[1]))
            whose = labels.get("disk") or labels.get("wake_group") or labels["instance"]
            yield at_s, (labels["alertname"], whose)


def _firings(got: Iterable[tuple[int, tuple[str, str]]]) -> Iterator[Firing]:
    """Steps of the same alert that follow on each other are one firing."""
    open_: dict[tuple[str, str], tuple[int, int]] = {}
    for at_s, name in sorted(set(got)):
        began, ended = open_.get(name, (at_s, at_s))
        if at_s - ended > STEP_S:
            yield Firing(*name, began, ended)
            began = at_s
        open_[name] = began, at_s
    for name, (began, ended) in open_.items():
        yield Firing(*name, began, ended)
