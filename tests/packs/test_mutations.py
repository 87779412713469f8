"""Some promtool test fails for every small change to every rule.

Outside authority: promtool of the installed Prometheus. A mutant that promtool cannot even parse
proves nothing and fails here. That the rules as they stand pass the same tests is in test_rules.
"""

from __future__ import annotations

import os
import re
import subprocess
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import yaml

from rules.build import HERE as RULES
from tests.packs import scenes
from tests.packs.cases import BASES
from tests.packs.cases_disk import FINDINGS
from tests.packs.mutations import Rule, mutants
from tests.packs.test_rules import ALERTS, rules_of

RECORDING = sorted(RULES.glob("recording/*.yml"))


def verdict(folder: Path, rules: Sequence[Rule], tests: Sequence[str], failed: Counter[str]) -> str:
    """promtool's words on a test that these rules do not pass; empty when they pass all.

    `failed` counts the tests that others did not pass: the likeliest to fail is tried first.
    """
    folder.mkdir()
    group = {"groups": [{"name": "mutant", "rules": list(rules)}]}
    (folder / "rules.yml").write_text(yaml.safe_dump(group), encoding="utf-8")
    file = folder / "test.yml"
    for test in sorted(tests, key=lambda one: -failed[one]):
        file.write_text(test, encoding="utf-8")
        done = subprocess.run(
            ["promtool", "test", "rules", file], capture_output=True, text=True, check=False
        )
        if done.returncode:
            failed[test] += 1
            return done.stdout + done.stderr
    return ""


def surviving(
    folder: Path,
    before: Sequence[Rule],
    rule: Rule,
    after: Sequence[Rule],
    tests: Sequence[str],
) -> list[str]:
    """Mutants that no test notices."""
    failed: Counter[str] = Counter()

    def given(numbered: tuple[int, Rule]) -> str:
        position, mutant = numbered
        return verdict(folder / str(position), [*before, mutant, *after], tests, failed)

    changes = list(mutants(rule))
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        words = list(pool.map(given, enumerate(mutant for _, mutant in changes)))
    assert [text for text in words if "parse error" in text or "unmarshal" in text] == []
    return [done for (done, _), text in zip(changes, words, strict=True) if not text]


# Expressions on findings differ in their codes alone (test_rules), and scenes have all codes.
SAME = {base.alert for base in FINDINGS} - {"DiskDisturbedByProbes", "DiskVanished"}
MUTATED = [
    rule
    for rule in ALERTS
    if rule["alert"] not in SAME and any(base.alert == rule["alert"] for base in BASES)
]


@pytest.mark.parametrize("rule", MUTATED, ids=[rule["alert"] for rule in MUTATED])
def test_every_mutant_of_an_alert_is_noticed(tmp_path: Path, rule: Rule) -> None:
    """Some scene of the alert fails for each of its mutants."""
    tests = [
        yaml.safe_dump({**document, "tests": [test]})
        for base in BASES
        if base.alert == rule["alert"]
        for document in [scenes.document(base, ["rules.yml"])]
        for test in document["tests"]
    ]
    assert surviving(tmp_path, [], rule, [], tests) == []


@pytest.mark.parametrize(
    ("file", "number"),
    [(file, number) for file in RECORDING for number in range(len(rules_of(file)))],
    ids=[rule["record"] for file in RECORDING for rule in rules_of(file)],
)
def test_every_mutant_of_a_recording_rule_is_noticed(
    tmp_path: Path, file: Path, number: int
) -> None:
    """Likewise; the tests of recording rules are one file for all rules of a file."""
    rules = rules_of(file)
    test = RULES / "tests" / f"recording_{file.stem}.yml"
    text = test.read_text(encoding="utf-8")
    tests = [re.sub(r"rule_files:\n(  - .*\n)+", "rule_files: [rules.yml]\n", text)]
    assert surviving(tmp_path, rules[:number], rules[number], rules[number + 1 :], tests) == []
