"""What alert and recording rules are made of, and how they are written as YAML.

A rule is one row of a table in `headline`, `findings`, `exporter` or `recorded`. Nothing begins or
ends with one failed scrape, and nothing about a disk is judged from output that no longer changes.
Prometheus documentation: "Alerting rules" and "Recording rules".
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

PACK = "spinledger"
DISK = (
    "{{ with $labels.model }}{{ . }} {{ $labels.serial }}{{ else }}{{ $labels.disk }}{{ end }}"
    " on {{ $labels.instance }}"
)
GROUP = "{{ $labels.wake_group }} on {{ $labels.instance }}"
HOST = "{{ $labels.instance }} (job {{ $labels.job }})"


def fresh(selector: str) -> str:
    """The last value of 15 minutes: at scrapes up to 5 minutes apart one may fail."""
    return f"last_over_time({selector}[15m])"


CLOCK = "spinledger_clock_timestamp_seconds"
FROZEN = f"""\
changes({CLOCK}[15m]) == 0
and count_over_time({CLOCK}[15m]) > 1"""
"""More than one scrape in 15 minutes, and all of them with the same clock."""

UNLESS_FROZEN = f"""
unless on (job, instance) (
{textwrap.indent(FROZEN, "  ")}
)"""


@dataclass(frozen=True, slots=True)
class Alert:
    """One alert; `why` becomes a comment above it, `codes` are of the findings that agree."""

    name: str
    severity: Literal["page", "ticket", "none"]
    expr: str
    summary: str
    description: str
    why: str = ""
    codes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Recording:
    """One recording rule, named level:metric:operations."""

    name: str
    expr: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """One file with one group of rules; without an interval it has the server's."""

    file: str  # relative to the folder of rules
    name: str
    about: str
    rules: tuple[Alert | Recording, ...]
    interval: str = "4m"


def text(group: Group) -> str:
    """The group as a rule file."""
    return "\n".join([*_lines(group), ""])


def _lines(group: Group) -> Iterator[str]:
    yield from _comment(f"{group.about} Made by: python -m rules.build", "")
    yield "groups:"
    yield f"  - name: {group.name}"
    if group.interval:
        yield f"    interval: {group.interval}"
    yield "    rules:"
    for number, rule in enumerate(group.rules):
        if number:
            yield ""
        yield from _comment(rule.why, " " * 6)
        if isinstance(rule, Alert):
            yield f"      - alert: {rule.name}"
            yield from _expr(rule.expr)
            yield from _alert(rule)
        else:
            yield f"      - record: {rule.name}"
            yield from _expr(rule.expr)


def _alert(rule: Alert) -> Iterator[str]:
    yield "        labels:"
    yield f"          pack: {PACK}"
    yield f"          severity: {rule.severity}"
    yield "        annotations:"
    yield from _folded("summary", rule.summary)
    yield from _folded("description", rule.description)
    yield f"          runbook: {rule.name}"


def _expr(expr: str) -> Iterator[str]:
    yield "        expr: |"
    for line in expr.strip().splitlines():
        yield f"          {line}"


def _folded(key: str, words: str) -> Iterator[str]:
    """A folded block scalar: its lines are joined by single spaces when it is read."""
    yield f"          {key}: >-"
    yield from _wrapped(words, " " * 12)


def _comment(words: str, indent: str) -> Iterator[str]:
    if words:
        yield from _wrapped(words, indent + "# ")


def _wrapped(words: str, indent: str) -> list[str]:
    return textwrap.wrap(
        words,
        100,
        initial_indent=indent,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )
