"""Mutants of a rule: each small change to it that some promtool test has to notice.

Textual, on an expression whose strings, selectors and ranges are masked; promtool says whether a
mutant is a valid rule. What is changed, each place for itself:

- a comparison is flipped (`>` to `<`, `==` to `!=`), made always true (`bool` keeps what it would
  have dropped), made never true (its left side becomes NaN, which compares false: IEEE 754);
- `on (...)` is dropped, with the `group_left` that cannot stand without it; of the labels that it
  or `by` names, one is dropped;
- a number is moved up and down by one, and a one to 0.99 (that of `topk` is no threshold);
- a range is halved and doubled; that of a stand-in for lost names (`^ 0`) is only halved, since the
  expression beside it gives nothing without a newer sample of the same metric;
- a selector's matchers are dropped, and of values behind `=~` each one;
- `unless` and what follows it is dropped;
- the whole rule is always or never true; an alert's `for` is dropped.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

Rule = dict[str, Any]

_MASKED = re.compile(r'"(?:\\.|[^"\\])*"|\[[^\]]*\]|\{[^{}]*\}|topk by \([^)]*\) \(1')
_COMPARISON = re.compile(r">=|<=|==|!=|>|<")
_ON = re.compile(r"\bon \([^)]*\)(?:\s*group_left \([^)]*\))?")
_LISTS = re.compile(r"\b(?:on|by|without) \(([^)]*)\)")
_NUMBER = re.compile(r"(?<![\w.:])\d+(?:\.\d+)?(?![\w.:])")
_MATCHERS = re.compile(r"\{[^{}]*\}")
_RANGE = re.compile(r"\[(\d+)([smhd])")
_VALUES = re.compile(r'=~"([^"]*)"')
_UNLESS = re.compile(r"\bunless(?: on \([^)]*\))?\s*\(")
_FLIPPED = {">": "<", "<": ">", ">=": "<", "<=": ">", "==": "!=", "!=": "=="}
_SECONDS = {"s": 1, "m": 60, "h": 3600, "d": 86_400}


def mutants(rule: Rule) -> Iterator[tuple[str, Rule]]:
    """Every mutant of a rule, with the words for what was done to it."""
    for words, expression in _expressions(rule["expr"]):
        yield words, {**rule, "expr": expression}
    if "for" in rule:
        yield "without for", {key: value for key, value in rule.items() if key != "for"}


def _expressions(expression: str) -> Iterator[tuple[str, str]]:
    for words, (start, end), text in _changes(expression):
        line = expression.count("\n", 0, start) + 1
        yield f"{words} at {line}:{start}", expression[:start] + text + expression[end:]
    yield "always true", "vector(1)"
    yield "never true", f"({expression}) unless ({expression})"


def _changes(expression: str) -> Iterator[tuple[str, tuple[int, int], str]]:
    """What is done, to which part, and what stands there afterwards."""
    masked = _MASKED.sub(lambda found: "_" * len(found.group()), expression)
    for found in _COMPARISON.finditer(masked):
        operator = found.group()
        yield f"{operator} flipped", found.span(), _FLIPPED[operator]
        yield f"{operator} always true", found.span(), f"{operator} bool"
        yield f"{operator} never true", found.span(), f"* NaN {operator}"
    for found in _ON.finditer(masked):
        yield "on dropped", found.span(), ""
    for found in _LISTS.finditer(expression):
        labels = [label.strip() for label in found[1].split(",")]
        for label in labels if len(labels) > 1 else ():
            rest = ", ".join(one for one in labels if one != label)
            yield f"{label} dropped from a list", found.span(1), rest
    for found in _NUMBER.finditer(masked):
        number = float(found.group())
        for moved in (number + 1, number - 1, *([0.99] if number == 1 else [])):
            text = f"{moved:g}" if moved < 0 else str(moved)
            yield f"{found.group()} moved to {moved:g}", found.span(), text
    for found in _RANGE.finditer(expression):
        seconds = int(found[1]) * _SECONDS[found[2]]
        stands_in = expression.startswith("]) ^ 0", found.end())
        for words, moved in (("halved", seconds // 2), ("doubled", seconds * 2)):
            if stands_in and words == "doubled":
                continue
            yield f"{found.group()}] {words}", found.span(), f"[{moved}s"
    for found in _MATCHERS.finditer(expression):
        yield f"{found.group()} dropped", found.span(), ""
    for found in _VALUES.finditer(expression):
        for value in found[1].split("|"):
            rest = "|".join(one for one in found[1].split("|") if one != value)
            yield f"{value} dropped", found.span(1), rest
    for found in _UNLESS.finditer(masked):
        yield "unless dropped", (found.start(), _closing(masked, found.end())), ""


def _closing(text: str, at: int) -> int:
    """The place behind the bracket that closes the one before `at`."""
    depth = 1
    while depth:
        depth += {"(": 1, ")": -1}.get(text[at], 0)
        at += 1
    return at
