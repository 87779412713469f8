"""Scenes for promtool: in which situation which alert fires, with which labels and which text.

`python -m tests.packs.scenes FOLDER` writes them as files for `promtool test rules`.

Rules: a scene has three targets, of which two share a job and two an instance, so that a join on
too few labels shows; each has a disk with the trouble and a healthy neighbour. Most scenes follow
from the base alone, for every rule alike: it fires; one series after the other is missing for less
than 15 minutes, and for more; scrapes 5 minutes apart of which one fails; output that no longer
changes. Summaries are written by hand in `tests.packs.cases`; a description is the table's, with
its labels put in.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import yaml

from rules.build import ALERTS, GROUPS, HERE
from rules.parts import CLOCK, PACK, Alert

Labels = Mapping[str, str]
ATTIC: Labels = {"job": "spinledger", "instance": "attic:9786"}
DOME: Labels = {"job": "spinledger", "instance": "dome:9786"}
OTHER: Labels = {"job": "archive", "instance": "attic:9786"}
TARGETS = (ATTIC, DOME, OTHER)
BY_NAME = {alert.name: alert for alert in ALERTS}

SICK: Labels = {"disk": "wwn-0x5000c500a1b2c3d4"}
WELL: Labels = {"disk": "sata-LAB_HDD_7200_DARK-7"}
NAMES: Mapping[str, Labels] = {
    SICK["disk"]: {"model": "ARCHIVE 8T", "serial": "PLATE-0001", "wake_group": "plates"},
    WELL["disk"]: {"model": "LAB HDD", "serial": "DARK-7", "wake_group": "LAB HDD DARK-7"},
}
PLATE = "ARCHIVE 8T PLATE-0001"

MINUTE, HOUR, DAY = 60, 3600, 86_400
STEP = 47  # seconds between scrapes: no scrape but the first falls on an evaluation
SLOW = 300


@dataclass(frozen=True, slots=True)
class Series:
    """Samples every `step` seconds from `begin` to `end`, constant or rising with time."""

    name: str
    labels: Labels
    value: float = 1.0
    rises: bool = False  # by one a second: a clock
    begin: int = 0
    end: int = 2 * HOUR
    without: tuple[int, int] | None = None  # no samples from the one to before the other
    raw: str = ""  # promtool's own notation, instead of all this

    def values(self, step: int) -> str:
        """In promtool's notation."""
        if self.raw:
            return self.raw
        terms = []
        for number in range(-(-self.end // step) + 1):
            at = number * step
            missing = at < self.begin or at > self.end
            if self.without is not None:
                missing |= self.without[0] <= at < self.without[1]
            terms.append("_" if missing else f"{self.value + at * self.rises:.10g}")
        return " ".join(_runs(terms))

    @property
    def text(self) -> str:
        """Name and labels, as in PromQL."""
        inside = ", ".join(f'{key}="{value}"' for key, value in self.labels.items())
        return f"{self.name}{{{inside}}}"


def _runs(terms: Sequence[str]) -> Iterator[str]:
    number = 0
    while number < len(terms):
        length = 1
        while number + length < len(terms) and terms[number + length] == terms[number]:
            length += 1
        one = terms[number]
        yield f"{one}x{length}" if one == "_" else one if length == 1 else f"{one}+0x{length - 1}"
        number += length


@dataclass(frozen=True, slots=True)
class Fired:
    """One alert that is expected."""

    labels: Labels
    summary: str  # LEFT: the time left until `ends`, as humanizeDuration writes it
    ends: int = 0


@dataclass(frozen=True, slots=True)
class Scene:
    """Series, and what fires at which second."""

    name: str
    series: Sequence[Series]
    checks: Mapping[int, Sequence[Fired]]
    step: int = STEP


@dataclass(frozen=True, slots=True)
class Base:
    """A situation in which an alert fires at every target: all other scenes follow from it."""

    alert: str
    series: Sequence[Series]  # of one target, without its labels
    fired: Sequence[Fired]  # likewise
    optional: Mapping[str, Sequence[Fired]] = field(default_factory=dict)
    """Metrics without which it fires all the same, and how."""
    of_disk: bool = True  # silent while the output is frozen
    own: bool = False  # only the scenes in `more`
    brief: bool = False  # only that it fires, and that it does not
    lasts: int = 15 * MINUTE  # how old a sample may be
    more: Sequence[Scene] = ()

    def at(self, target: Labels, change: Mapping[str, Any], metric: str = "") -> list[Series]:
        """One target's series, of which those of a metric (or all) are changed."""
        return [
            replace(
                one,
                labels={**target, **one.labels},
                **(change if metric in ("", one.name) else {}),
            )
            for one in self.series
        ]

    def fires(self, *targets: Labels) -> list[Fired]:
        """What is expected of these targets."""
        return [one for target in targets for one in placed(self.fired, target)]


def placed(fired: Sequence[Fired], target: Labels) -> list[Fired]:
    """The same at a target: `INSTANCE` and `JOB` in a summary are its own."""
    return [
        replace(
            one,
            labels={**target, **one.labels},
            summary=one.summary.replace("INSTANCE", target["instance"]).replace(
                "JOB", target["job"]
            ),
        )
        for one in fired
    ]


def scenes(base: Base) -> Iterator[Scene]:
    """All scenes of an alert."""
    yield from base.more
    if base.own:
        return
    start = 20 * MINUTE
    end: dict[str, Any] = {"end": start + HOUR}
    others = [one for target in (DOME, OTHER) for one in base.at(target, end)]
    clocks = [Series(CLOCK, target, rises=True, **end) for target in TARGETS]
    every = base.fires(*TARGETS)
    yield Scene(
        "fires at every target, and not for healthy neighbours",
        [*base.at(ATTIC, end), *others, *clocks],
        {start: every, start + HOUR // 2: every},
    )
    healthy = [one for one in base.at(ATTIC, end) if not _fires_for(base, one)]
    yield Scene("nothing is wrong", [*healthy, *clocks], {start: []})
    if base.brief:
        return
    for metric in sorted({one.name for one in base.series}):
        missing = base.at(ATTIC, {"end": start}, metric)
        full = base.at(ATTIC, end)
        series = [
            gone if gone.name == metric else kept for gone, kept in zip(missing, full, strict=True)
        ]
        after = placed(base.optional[metric], ATTIC) if metric in base.optional else []
        yield Scene(
            f"{metric} is missing",
            [*series, *others, *clocks],
            {
                start + base.lasts - MINUTE: every,
                start + base.lasts + 2 * MINUTE: [*after, *base.fires(DOME, OTHER)],
            },
        )
    hole: dict[str, Any] = {**end, "without": (start, start + 2 * SLOW - 1)}
    yield Scene(
        "one of the scrapes fails that are 5 minutes apart",
        [*base.at(ATTIC, hole), *others, Series(CLOCK, ATTIC, rises=True, **hole), *clocks[1:]],
        {start + minute * MINUTE: every for minute in range(0, 20, 2)},
        step=SLOW,
    )
    if base.of_disk:
        yield from _frozen(base, start, end, others, clocks[1:], every)


def _fires_for(base: Base, one: Series) -> bool:
    """It is about a disk, pool or host that the alert names."""
    return any(
        all(one.labels.get(key, value) == value for key, value in fired.labels.items())
        for fired in base.fired
    )


def _frozen(
    base: Base,
    start: int,
    end: Mapping[str, Any],
    others: list[Series],
    clocks: list[Series],
    every: list[Fired],
) -> Iterator[Scene]:
    """Output that no longer changes is no evidence; a single sample does not show it."""
    rest = base.fires(DOME, OTHER)
    stopped = f"0+{STEP}x{start // STEP} {start // STEP * STEP}+0x400"
    yield Scene(
        "the output is frozen, at one target",
        [*base.at(ATTIC, end), *others, Series(CLOCK, ATTIC, raw=stopped), *clocks],
        {start + 13 * MINUTE: every, start + 16 * MINUTE: rest},
    )
    slow = Series(CLOCK, ATTIC, **end)
    yield Scene(
        "the output is frozen, and scrapes are 5 minutes apart",
        [*base.at(ATTIC, end), *others, slow, *clocks],
        {start + minute * MINUTE: rest for minute in range(5)},
        step=SLOW,
    )
    pair = Series(CLOCK, ATTIC, **{**end, "without": (start + SLOW, start + 3 * SLOW)})
    yield Scene(
        "the output is frozen, of which the server has two samples, then one, then two",
        [*base.at(ATTIC, end), *others, pair, *clocks],
        {
            start + 8 * MINUTE: rest,
            start + 11 * MINUTE: every,
            start + 16 * MINUTE: every,
            start + 19 * MINUTE: every,
            start + 21 * MINUTE: rest,
        },
        step=SLOW,
    )


def document(base: Base, rules: Sequence[str]) -> dict[str, Any]:
    """The scenes of an alert as a test file of promtool, on these rule files."""
    return {
        "rule_files": list(rules),
        "evaluation_interval": f"{MINUTE}s",
        "tests": [_test(scene, BY_NAME[base.alert]) for scene in scenes(base)],
    }


def _test(scene: Scene, alert: Alert) -> dict[str, Any]:
    return {
        "name": scene.name,
        "interval": f"{scene.step}s",
        "input_series": [
            {"series": one.text, "values": one.values(scene.step)} for one in scene.series
        ],
        "alert_rule_test": [
            {
                "eval_time": f"{second}s",
                "alertname": alert.name,
                "exp_alerts": [_expected(one, alert, second) for one in fired],
            }
            for second, fired in scene.checks.items()
        ],
    }


def _expected(fired: Fired, alert: Alert, second: int) -> dict[str, Any]:
    words = re.sub(
        r"\{\{ \$labels\.(\w+) \}\}", lambda found: fired.labels[found[1]], alert.description
    )
    return {
        "exp_labels": {**fired.labels, "pack": PACK, "severity": alert.severity},
        "exp_annotations": {
            "summary": fired.summary.replace("LEFT", _left(fired.ends - second)),
            "description": words,
            "runbook": alert.name,
        },
    }


def _left(seconds: int) -> str:
    """As Prometheus' humanizeDuration writes a day and more."""
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    days, hours = divmod(hours, 24)
    return f"{days}d {hours}h {minutes}m {seconds}s"


def rule_file(alert: str) -> Path:
    """The file that an alert is in."""
    for group in GROUPS:
        if any(rule.name == alert for rule in group.rules):
            return HERE / group.file
    raise KeyError(alert)


def main(folder: Path) -> None:
    """Write a file for each alert."""
    from tests.packs.cases import BASES

    folder.mkdir(parents=True, exist_ok=True)
    for base in BASES:
        made = document(base, [str(rule_file(base.alert))])
        text = yaml.safe_dump(made, sort_keys=False, width=100)
        (folder / f"{base.alert}.yml").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
