"""Reads from a PromQL expression the metric names and labels that it uses.

A tokenizer, not a parser: promtool decides whether an expression is valid; this only says what it
mentions. Lexical rules: Prometheus documentation, "Querying basics" (selectors, string literals)
and "Operators" (by, without, on, ignoring, group_left, group_right take label lists).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from tests.packs.contract import CONTRACT, EVERY_LABEL, OWN

_STRING = re.compile(r'"(?:\\.|[^"\\])*"|\'(?:\\.|[^\'\\])*\'|`[^`]*`')
_COMMENT = re.compile(r"#[^\n]*")
_LABEL_LIST = re.compile(r"\b(?:by|without|on|ignoring|group_left|group_right)\s*\(([^()]*)\)")
_NAME = r"[A-Za-z_:][A-Za-z0-9_:]*"
_SELECTOR = re.compile(rf"(?<![\w:$])({_NAME})?\s*\{{([^{{}}]*)\}}")
_METRIC = re.compile(r"(?<![\w:$.])(spinledger_\w+|[a-z_]+:\w+(?::\w+)*)")
_MATCHER = re.compile(r"([A-Za-z_]\w*)\s*(?:=~|!~|!=|=)")


@dataclass(frozen=True, slots=True)
class Use:
    """What an expression mentions. `selected` pairs each selector's metric with its labels."""

    metrics: frozenset[str]
    grouped: frozenset[str]
    selected: tuple[tuple[str, frozenset[str]], ...]


def uses(expression: str) -> Use:
    """Metric names of ours or of recording rules, labels in lists, and labels in selectors."""
    text = _COMMENT.sub("", _STRING.sub('""', expression))
    selected = tuple(
        (name, frozenset(_MATCHER.findall(inside))) for name, inside in _SELECTOR.findall(text)
    )
    lists = _LABEL_LIST.findall(text)
    grouped = {label.strip() for inside in lists for label in inside.split(",") if label.strip()}
    bare = _LABEL_LIST.sub("", re.sub(r"\{[^{}]*\}", "", text))
    return Use(frozenset(_METRIC.findall(bare)), frozenset(grouped), selected)


def strangers(expression: str, recorded: frozenset[str] = frozenset()) -> list[str]:
    """What the expression mentions that neither the contract nor a recording rule has."""
    use = uses(expression)
    found = [f"metric {name}" for name in sorted(use.metrics - CONTRACT.keys() - recorded)]
    found += [f"label {name}" for name in sorted(use.grouped - EVERY_LABEL)]
    for name, labels in use.selected:
        known = CONTRACT.get(name) or OWN.get(name) or EVERY_LABEL | {"__name__"}
        found += [f"label {label} of {name or 'a selector'}" for label in sorted(labels - known)]
    return found
