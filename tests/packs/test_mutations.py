"""Some promtool test fails for every small change to every rule.

Outside authority: promtool of the installed Prometheus. A mutant that promtool cannot even parse
proves nothing and fails here. That the rules as they stand pass the same tests is in test_rules.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
import yaml

from rules.build import HERE as RULES
from tests.packs import scenes
from tests.packs.cases import BASES
from tests.packs.cases_disk import FINDINGS
from tests.packs.mutations import Rule, mutants
from tests.packs.test_rules import ALERTS, rules_of

Document = dict[str, Any]

RECORDING = sorted(RULES.glob("recording/*.yml"))
_FAILED = re.compile(r"(?:alertname|rule): (Mutant\d+),")


def promtool(*arguments: str | Path) -> str:
    """What promtool says; empty where it has nothing to complain of."""
    done = subprocess.run(["promtool", *arguments], capture_output=True, text=True, check=False)
    return done.stdout + done.stderr if done.returncode else ""


def write(file: Path, rules: Sequence[Rule]) -> None:
    """A rule file of one group."""
    group = {"groups": [{"name": "mutants", "rules": list(rules)}]}
    file.write_text(yaml.safe_dump(group), encoding="utf-8")


def unnoticed(folder: Path, rule: Rule, documents: Sequence[Document]) -> list[str]:
    """Mutants of an alert that pass these tests, one a document: each test is run on all that
    passed so far, under names of their own."""
    changes = list(mutants(rule))
    alerts = {f"Mutant{number}": mutant for number, (_, mutant) in enumerate(changes)}
    rules = folder / "rules.yml"
    write(rules, [{**mutant, "alert": name} for name, mutant in alerts.items()])
    assert promtool("check", "rules", rules) == ""
    for document in documents:
        (test,) = document["tests"]
        while alerts:  # a query that fails at some time ends the test of the others, too
            write(rules, [{**mutant, "alert": name} for name, mutant in alerts.items()])
            steps = [
                {**step, "alertname": name} for name in alerts for step in test["alert_rule_test"]
            ]
            made = {**document, "tests": [{**test, "alert_rule_test": steps}]}
            (folder / "test.yml").write_text(yaml.safe_dump(made), encoding="utf-8")
            words = promtool("test", "rules", folder / "test.yml")
            noticed = set(_FAILED.findall(words))
            assert bool(words) == bool(noticed), words
            alerts = {name: one for name, one in alerts.items() if name not in noticed}
            if "err:" not in words:
                break
    return [words for number, (words, _) in enumerate(changes) if f"Mutant{number}" in alerts]


def unnoticed_of_many(folder: Path, rules: Sequence[Rule], number: int, test: str) -> list[str]:
    """Mutants of one recording rule of a file that pass the file's tests."""
    (folder / "test.yml").write_text(test, encoding="utf-8")
    passed = []
    for words, mutant in mutants(rules[number]):
        write(folder / "rules.yml", [*rules[:number], mutant, *rules[number + 1 :]])
        assert promtool("check", "rules", folder / "rules.yml") == ""
        if not promtool("test", "rules", folder / "test.yml"):
            passed.append(words)
    return passed


# Expressions on findings differ in their codes alone (test_rules), and scenes have all codes.
SAME = {base.alert for base in FINDINGS} - {"DiskDisturbedByProbes", "DiskVanished"}
MUTATED = [
    rule
    for rule in ALERTS
    if rule["alert"] not in SAME and any(base.alert == rule["alert"] for base in BASES)
]
# Each takes longer than half a minute: `python -m tests.proof mutants` plays them.
LONG = {
    "DiskCycleBudgetBurning",
    "DiskCyclesRunaway",
    "DiskSleptTooLittleInQuietHours",
    "SpinledgerDown",
    "SpinledgerMetricsMissing",
}
PLAYED = [
    pytest.param(rule, id=rule["alert"], marks=(pytest.mark.long,) if rule["alert"] in LONG else ())
    for rule in MUTATED
]


@pytest.mark.parametrize("rule", PLAYED)
def test_every_mutant_of_an_alert_is_noticed(tmp_path: Path, rule: Rule) -> None:
    """Some scene of the alert fails for each of its mutants."""
    documents = [
        {**document, "tests": [test]}
        for base in BASES
        if base.alert == rule["alert"]
        for document in [scenes.document(base, ["rules.yml"])]
        for test in document["tests"]
    ]
    assert unnoticed(tmp_path, rule, documents) == []


@pytest.mark.parametrize(
    ("file", "number"),
    [(file, number) for file in RECORDING for number in range(len(rules_of(file)))],
    ids=[rule["record"] for file in RECORDING for rule in rules_of(file)],
)
def test_every_mutant_of_a_recording_rule_is_noticed(
    tmp_path: Path, file: Path, number: int
) -> None:
    """Likewise; the tests of recording rules are one file for all rules of a file."""
    text = (RULES / "tests" / f"recording_{file.stem}.yml").read_text(encoding="utf-8")
    test = re.sub(r"rule_files:\n(  - .*\n)+", "rule_files: [rules.yml]\n", text)
    assert unnoticed_of_many(tmp_path, rules_of(file), number, test) == []
