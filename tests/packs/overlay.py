"""The shipped rules with their times shortened, for servers that run in a hurry."""

from __future__ import annotations

import re
from pathlib import Path

import yaml

from rules.headline import HOLD_S
from tests.packs.test_rules import FILES, rules_of

UNIT_S = {"s": 1, "m": 60, "h": 3600, "d": 86_400}
_TIME = re.compile(r"^( +(?:for|interval): )(\d+)([smhd])$", re.MULTILINE)


def overlay(folder: Path, faster: float, hold_s: int = HOLD_S, down: str = "10m") -> list[Path]:
    """Copies of the rule files in which each `for` and each group's `interval` is shorter; on
    demand also how long a reached limit is held, and for how long `up` is 0 when down."""
    copies = []
    for file in FILES:
        text, hurried = _TIME.subn(
            lambda found: f"{found[1]}{round(int(found[2]) * UNIT_S[found[3]] * 1000 / faster)}ms",
            file.read_text(encoding="utf-8"),
        )
        groups = yaml.safe_load(text)["groups"]
        assert hurried == sum("for" in rule for rule in rules_of(file)) + sum(
            "interval" in group for group in groups
        ), file
        text = text.replace(f"- {HOLD_S})", f"- {hold_s})").replace("up[10m]", f"up[{down}]")
        copy = folder / f"{file.parent.name}-{file.name}"
        copy.write_text(text, encoding="utf-8")
        copies.append(copy)
    return copies
