"""Writes the tables of rules/README.md anew, from the rule files: `python -m tests.packs.index`.

Between the marks `<!-- index: NAME -->` and `<!-- end -->` stands what is made here; the rest of
the page is written by hand.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import yaml

RULES = Path(__file__).parents[2] / "rules"
_PART = re.compile(r"(<!-- index: (\w+) -->\n).*?(<!-- end -->)", re.DOTALL)


def index(text: str) -> str:
    """The page with its tables made from the rule files as they are."""
    made = {"alerts": _alerts(), "recording": _recording()}
    return _PART.sub(lambda part: part[1] + "\n" + made[part[2]] + "\n" + part[3], text)


def _groups(folder: str) -> list[tuple[str, list[dict[str, Any]]]]:
    return [
        (file.name, [rule for group in document["groups"] for rule in group["rules"]])
        for file in sorted((RULES / folder).glob("*.yml"))
        for document in [yaml.safe_load(file.read_text(encoding="utf-8"))]
    ]


def _alerts() -> str:
    rows = ["| alert | severity | waits | says | |", "|---|---|---|---|---|"]
    for _, rules in _groups("alerts"):
        for rule in rules:
            name = rule["alert"]
            severity, summary = rule["labels"]["severity"], rule["annotations"]["summary"]
            wait = rule.get("for", "-")
            book = f"[runbook](runbooks/{name}.md)"
            rows.append(f"| `{name}` | {severity} | {wait} | {summary} | {book} |")
    return "\n".join(rows) + "\n"


def _recording() -> str:
    rows = ["| series | file |", "|---|---|"]
    for file, rules in _groups("recording"):
        rows += [f"| `{rule['record']}` | [{file}](recording/{file}) |" for rule in rules]
    return "\n".join(rows) + "\n"


if __name__ == "__main__":
    page = RULES / "README.md"
    page.write_text(index(page.read_text(encoding="utf-8")), encoding="utf-8")
