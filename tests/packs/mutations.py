"""Mutants of a rule: each small change to it that some promtool test has to notice.

Textual, on an expression whose strings, selectors and ranges are masked; promtool says whether a
mutant is a valid rule. What is changed, each place for itself:

- a comparison is flipped (`>` to `<`, `==` to `!=`), made always true (`bool` keeps what it would
  have dropped), made never true (its left side becomes NaN, which compares false: IEEE 754);
- `on (...)` is dropped, with the `group_left` that cannot stand without it;
- a number is moved up and down by one (that of `topk` is no threshold and is left alone);
- a selector's matchers are dropped;
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
_NUMBER = re.compile(r"(?<![\w.:])\d+(?:\.\d+)?(?![\w.:])")
_MATCHERS = re.compile(r"\{[^{}]*\}")
_FLIPPED = {">": "<", "<": ">", ">=": "<", "<=": ">", "==": "!=", "!=": "=="}


def mutants(rule: Rule) -> Iterator[tuple[str, Rule]]:
    """Every mutant of a rule, with the words for what was done to it."""
    for words, expression in _expressions(rule["expr"]):
        yield words, {**rule, "expr": expression}
    if "for" in rule:
        yield "without for", {key: value for key, value in rule.items() if key != "for"}


def _expressions(expression: str) -> Iterator[tuple[str, str]]:
    masked = _MASKED.sub(lambda found: "_" * len(found.group()), expression)

    def put(start: int, end: int, text: str) -> str:
        return expression[:start] + text + expression[end:]

    def where(start: int) -> str:
        return f"at {expression.count(chr(10), 0, start) + 1}:{start}"

    for found in _COMPARISON.finditer(masked):
        start, end, operator = found.start(), found.end(), found.group()
        yield f"{operator} flipped {where(start)}", put(start, end, _FLIPPED[operator])
        yield f"{operator} always true {where(start)}", put(start, end, f"{operator} bool")
        yield f"{operator} never true {where(start)}", put(start, end, f"* NaN {operator}")
    for found in _ON.finditer(masked):
        yield f"on dropped {where(found.start())}", put(found.start(), found.end(), "")
    for found in _NUMBER.finditer(masked):
        for moved in (float(found.group()) + 1, float(found.group()) - 1):
            words = f"{found.group()} moved to {moved:g} {where(found.start())}"
            yield words, put(found.start(), found.end(), f"{moved:g}" if moved < 0 else str(moved))
    for found in _MATCHERS.finditer(expression):
        yield f"{found.group()} dropped", put(found.start(), found.end(), "")
    yield "always true", "vector(1)"
    yield "never true", f"({expression}) unless ({expression})"
