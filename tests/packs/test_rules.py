"""The rule pack: valid for promtool, inside the metric contract, each alert tested and explained.

Outside authority: promtool of the installed Prometheus. The style that is asked of an alert is the
project's own, stated in rules/README.md.
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.packs.promql import EVERY_LABEL, strangers

RULES = Path(__file__).parents[2] / "rules"
FILES = sorted([*RULES.glob("alerts/*.yml"), *RULES.glob("recording/*.yml")])
TESTS = sorted(RULES.glob("tests/*.yml"))
INDEX = (RULES / "README.md").read_text(encoding="utf-8")
SEVERITIES = {"page", "ticket"}
HEADINGS = ["Meaning", "Impact", "Diagnosis", "Mitigation"]

Rule = dict[str, Any]


def rules_of(file: Path) -> list[Rule]:
    """All rules of a file, in order."""
    document = yaml.safe_load(file.read_text(encoding="utf-8"))
    return [rule for group in document["groups"] for rule in group["rules"]]


RULE_LIST = [rule for file in FILES for rule in rules_of(file)]
ALERTS = [rule for rule in RULE_LIST if "alert" in rule]
RECORDED = frozenset(rule["record"] for rule in RULE_LIST if "record" in rule)

every_alert = pytest.mark.parametrize("alert", ALERTS, ids=[rule["alert"] for rule in ALERTS])


def promtool(*arguments: str | Path) -> None:
    """Run promtool and fail with its words."""
    done = subprocess.run(
        ["promtool", *map(str, arguments)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_there_are_alerts() -> None:
    """The pack is not empty, so the checks of every alert check something."""
    assert ALERTS


def test_promtool_accepts_the_rules() -> None:
    """Every rule file passes promtool's syntax check and all of its lint."""
    promtool("check", "rules", "--lint=all", "--lint-fatal", *FILES)


@pytest.mark.parametrize("file", TESTS, ids=[file.stem for file in TESTS])
def test_promtool_runs_the_rule_tests(file: Path) -> None:
    """The rules fire and stay silent as their test file says."""
    promtool("test", "rules", file)


@every_alert
def test_alert_has_a_test_that_fires_and_one_that_does_not(alert: Rule) -> None:
    """The test file of an alert, named like it, expects it at one time and not at another."""
    document = yaml.safe_load((RULES / "tests" / f"{alert['alert']}.yml").read_text("utf-8"))
    expected = [
        bool(check["exp_alerts"])
        for test in document["tests"]
        for check in test["alert_rule_test"]
        if check["alertname"] == alert["alert"]
    ]
    assert set(expected) == {True, False}


@every_alert
def test_alert_has_a_runbook(alert: Rule) -> None:
    """The runbook named like the alert has its title and the four headings in order."""
    name = alert["alert"]
    assert alert["annotations"]["runbook_url"] == f"runbooks/{name}.md"
    text = (RULES / "runbooks" / f"{name}.md").read_text(encoding="utf-8")
    assert text.startswith(f"# {name}\n")
    assert re.findall(r"^## (.+)$", text, re.MULTILINE) == HEADINGS


@every_alert
def test_alert_keeps_the_style(alert: Rule) -> None:
    """CamelCase name, a known severity, a static summary and a description with values."""
    assert re.fullmatch(r"(?:[A-Z][a-z0-9]+){2,}", alert["alert"])
    assert alert["labels"]["severity"] in SEVERITIES
    assert "{{" not in alert["annotations"]["summary"]
    assert "{{" in alert["annotations"]["description"]
    assert "keep_firing_for" not in alert, "refused by one of the rule engines we support"


@every_alert
def test_alert_is_in_the_index(alert: Rule) -> None:
    """The table of rules/README.md has the alert's severity, summary and runbook."""
    name, severity = alert["alert"], alert["labels"]["severity"]
    summary = alert["annotations"]["summary"]
    assert f"| `{name}` | {severity} | {summary} | [runbook](runbooks/{name}.md) |" in INDEX


@pytest.mark.parametrize(
    "rule", RULE_LIST, ids=[rule.get("alert") or rule["record"] for rule in RULE_LIST]
)
def test_rule_stays_inside_the_contract(rule: Rule) -> None:
    """Expressions use only metrics and labels of the contract, templates only its labels."""
    assert strangers(rule["expr"], RECORDED) == []
    templates = " ".join([*rule.get("annotations", {}).values(), *rule.get("labels", {}).values()])
    assert set(re.findall(r"\$labels\.(\w+)", templates)) <= EVERY_LABEL


@pytest.mark.parametrize("folder", ["tests", "runbooks"])
def test_nothing_is_left_over(folder: str) -> None:
    """No test file and no runbook belongs to an alert that is gone."""
    names = {rule["alert"] for rule in ALERTS}
    assert {file.stem for file in (RULES / folder).iterdir()} <= names
