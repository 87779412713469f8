"""Some promtool test fails for every small change to every rule.

Outside authority: promtool of the installed Prometheus. A mutant that promtool cannot even parse
proves nothing and fails here.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import yaml

from rules.build import HERE as RULES
from tests.packs.mutations import Rule, mutants
from tests.packs.test_rules import FILES, rules_of

CASES = [
    pytest.param(file, number, id=rule.get("alert") or rule["record"])
    for file in FILES
    for number, rule in enumerate(rules_of(file))
]


def verdict(folder: Path, file: Path, rules: list[Rule], test: Path) -> str:
    """promtool's words on a test of a file that holds these rules, beside the recording rules as
    they are; empty when it passes."""
    inside = folder / file.parent.name
    shutil.copytree(RULES / "recording", folder / "recording")
    inside.mkdir(exist_ok=True)
    (folder / "tests").mkdir()
    group = {"groups": [{"name": "mutant", "rules": rules}]}
    (inside / file.name).write_text(yaml.safe_dump(group), encoding="utf-8")
    shutil.copy(test, folder / "tests")
    done = subprocess.run(
        ["promtool", "test", "rules", folder / "tests" / test.name],
        capture_output=True,
        text=True,
        check=False,
    )
    return "" if done.returncode == 0 else done.stdout + done.stderr


@pytest.mark.parametrize(("file", "number"), CASES)
def test_every_mutant_is_noticed(tmp_path: Path, file: Path, number: int) -> None:
    """The tests of a rule pass as it stands, and fail for each of its mutants."""
    rules = rules_of(file)
    rule = rules[number]
    if "alert" in rule:
        test, before, after = RULES / "tests" / f"{rule['alert']}.yml", [], []
    else:  # the tests of recording rules ask for all of their file
        test, before, after = (
            RULES / "tests" / f"recording_{file.stem}.yml",
            rules[:number],
            rules[number + 1 :],
        )

    def given(numbered: tuple[int, Rule]) -> str:
        position, mutant = numbered
        return verdict(tmp_path / str(position), file, [*before, mutant, *after], test)

    changes = list(mutants(rule))
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        words = list(pool.map(given, enumerate([rule, *(mutant for _, mutant in changes)])))
    assert words[0] == ""
    assert [text for text in words if "parse error" in text or "unmarshal" in text] == []
    assert [done for (done, _), text in zip(changes, words[1:], strict=True) if not text] == []
