"""The rule pack: valid for promtool, inside the metric contract, each alert tested and explained.

Outside authority: promtool of the installed Prometheus, and the rule engine of VictoriaMetrics in
its dry run. The style that is asked of an alert is the project's own, stated in rules/README.md.
"""

from __future__ import annotations

import re
import subprocess
import textwrap
from pathlib import Path
from typing import Any

import pytest
import yaml
from scipy.stats import poisson

from rules.build import ALERTS as TABLE
from rules.build import HERE as RULES
from rules.build import texts
from rules.latency import PAGE, TICKET, reached_s
from spinledger.findings.judge import ALWAYS, CODES
from spinledger.findings.texts import POOL_TABLE as POOL_ROWS
from spinledger.findings.texts import TABLE as ROWS
from spinledger.model import MINUTE, SECOND, Cycle, Policy, Severity
from spinledger.wear.budget import EARLY, RecentCycles, early_limit
from tests.packs.cases import BASES
from tests.packs.contract import CONTRACT, EVERY_LABEL
from tests.packs.promql import strangers, uses
from tests.packs.scenes import Base, document, rule_file

FILES = sorted([*RULES.glob("alerts/*.yml"), *RULES.glob("recording/*.yml")])
TESTS = sorted(RULES.glob("tests/*.yml"))
SAMPLES = ["prometheus.yml", "part.yml", "federation.yml", "remote-write.yml"]
SEVERITIES = {"page", "ticket", "none"}
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


def test_the_other_rule_engine_accepts_the_rules() -> None:
    """vmalert's dry run takes every rule file, templates included."""
    rules = [f"-rule={file}" for file in FILES]
    done = subprocess.run(["vmalert", "-dryRun", *rules], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("sample", SAMPLES)
def test_promtool_accepts_the_sample(sample: str) -> None:
    """The sample configurations are whole ones, and the rule files they name are there."""
    promtool("check", "config", RULES / "samples" / sample)


@pytest.mark.parametrize("file", TESTS, ids=[file.stem for file in TESTS])
def test_promtool_runs_the_rule_tests(file: Path) -> None:
    """The rules fire and stay silent as their test file says."""
    promtool("test", "rules", file)


@pytest.mark.parametrize("base", BASES, ids=[base.alert for base in BASES])
def test_promtool_runs_the_scenes(tmp_path: Path, base: Base) -> None:
    """An alert fires and stays silent as its scenes say, with these labels and this text."""
    made = document(base, [str(rule_file(base.alert))])
    (tmp_path / "test.yml").write_text(yaml.safe_dump(made), encoding="utf-8")
    promtool("test", "rules", tmp_path / "test.yml")


@every_alert
def test_alert_is_tested_firing_and_silent(alert: Rule) -> None:
    """Its scenes, or the test file named like it, expect it at one time and not at another. The
    heartbeat alone always fires."""
    documents = [document(base, []) for base in BASES if base.alert == alert["alert"]]
    file = RULES / "tests" / f"{alert['alert']}.yml"
    if not documents:
        documents = [yaml.safe_load(file.read_text(encoding="utf-8"))]
    expected = [
        check["exp_alerts"]
        for document in documents
        for test in document["tests"]
        for check in test["alert_rule_test"]
    ]
    always = alert["labels"]["severity"] == "none"
    assert {len(alerts) > 0 for alerts in expected} == ({True} if always else {True, False})
    for labels in [one["exp_labels"] for alerts in expected for one in alerts]:
        assert {"pack", "severity"} <= labels.keys()
        assert always or {"job", "instance"} <= labels.keys()
        assert "kernel_name" not in labels, "a new name would make it another alert"
        if alert["alert"].startswith("Disk"):
            assert labels.get("disk") or labels.get("wake_group")


def test_each_expression_on_a_finding_is_the_same_but_for_its_codes() -> None:
    """So what the mutants of one show holds for all of them. Frozen output is evidence of absence
    alone: that has no `unless`."""
    shapes = {
        re.sub(r'code=~?"[^"]*"', "code", rule["expr"]): rule["alert"]
        for rule in ALERTS
        if "spinledger_disk_finding{" in rule["expr"]
    }
    plain, *others = sorted(shapes, key=len)
    assert shapes[plain] == "DiskVanished"
    assert len(others) == 1
    assert others[0].startswith(plain.rstrip())


def test_every_alert_about_a_disk_has_its_finding() -> None:
    """Each names codes that the exporter has, no code belongs to two alerts, and the finding has
    the alert's severity; findings without an alert are notes."""
    named = [(code, alert.severity) for alert in TABLE for code in alert.codes]
    assert all(bool(alert.codes) == alert.name.startswith("Disk") for alert in TABLE)
    rows = [row.words for row in ROWS] + [row.words for row in POOL_ROWS]
    severities = {words.code: words.severity for words in rows}
    asked = {code: one.value for code, one in severities.items() if one is not Severity.NOTE}
    assert dict(named) == asked
    assert len(named) == len(dict(named))


def test_findings_that_alerts_read_are_exported_from_zero() -> None:
    """Each code is one that the exporter has, and is there before it holds."""
    read = {
        code
        for rule in ALERTS
        for codes in re.findall(r'code=~?"([^"]*)"', rule["expr"])
        for code in codes.split("|")
    }
    assert read <= set(CODES)
    assert read == ALWAYS


@every_alert
def test_alert_has_a_runbook(alert: Rule) -> None:
    """The runbook named like the alert has its title and the four headings in order."""
    name = alert["alert"]
    assert alert["annotations"]["runbook"] == name
    assert "runbook_url" not in alert["annotations"], "it would lead nowhere"
    text = (RULES / "runbooks" / f"{name}.md").read_text(encoding="utf-8")
    assert text.startswith(f"# {name}\n")
    assert re.findall(r"^## (.+)$", text, re.MULTILINE) == HEADINGS


def test_runbooks_ask_what_can_be_asked(tmp_path: Path) -> None:
    """Every query of a runbook is inside the contract, and promtool can parse it."""
    queries = [
        query
        for file in sorted(RULES.glob("runbooks/*.md"))
        for block in re.findall(r"```promql\n(.*?)```", file.read_text("utf-8"), re.DOTALL)
        for query in re.split(r"\n(?=\S)", textwrap.dedent(block).strip())
    ]
    assert len(queries) > len(ALERTS)
    assert [found for query in queries if (found := strangers(query, RECORDED))] == []
    rules = [{"record": f"q{number}", "expr": query} for number, query in enumerate(queries)]
    document = {"groups": [{"name": "runbooks", "rules": rules}]}
    (tmp_path / "queries.yml").write_text(yaml.safe_dump(document), encoding="utf-8")
    promtool("check", "rules", tmp_path / "queries.yml")


@pytest.mark.parametrize("budget", [2, 6, 12, 24])
@pytest.mark.parametrize("minutes", [10, 30, 60, 240])
def test_a_waker_is_noticed_as_soon_as_the_table_says(minutes: int, budget: int) -> None:
    """The ledger's own fold, given one spin-up each interval, reaches its limits at those times."""
    policy = Policy(budget_per_day=budget)
    fold = RecentCycles()
    first: dict[str, int] = {}
    for number in range(31 * 1440 // minutes):
        at_ns = number * minutes * MINUTE
        fold.step(Cycle(number, "disk", at_ns, at_ns, True), policy)
        reached = {**fold.totals(at_ns, 0, policy), **fold.early(at_ns, 0, policy)}
        for name, window in reached.items():
            if window.reached_wall_ns is not None:
                first.setdefault(name, at_ns)
    for windows in (PAGE, TICKET):
        found = min((first[one] for one in windows if one in first), default=None)
        due = reached_s(minutes * 60, budget, windows)
        assert found == (None if due is None else due * SECOND)


def test_a_half_hourly_waker_is_noticed_within_two_days_on_the_default_budget() -> None:
    """README's figures: by the limit of two days, after 84 intervals; chance reaches the 48 of a
    day once in five years of a disk (scipy's Poisson distribution; the count steps to 48 at most
    as often as budget x P(N >= 47))."""
    budget = Policy().budget_per_day
    assert budget == 24
    assert [early_limit(budget, length) for length in EARLY.values()] == [51, 85]
    assert reached_s(1800, budget, TICKET) == 84 * 1800 == 42 * 3600
    assert round(1 / (365.25 * budget * poisson.sf(46, budget))) == 5
    text = " ".join((RULES / "README.md").read_text(encoding="utf-8").split())
    assert "On the default budget of 24 these limits are 51 and 85 spin-ups" in text
    assert "With a limit of 48 for a day chance would cause a ticket once in five years" in text


def test_the_sample_of_own_rules_is_valid() -> None:
    """promtool accepts it, and it stays inside the contract."""
    sample = RULES / "samples" / "own-rules.yml"
    promtool("check", "rules", "--lint=all", "--lint-fatal", sample)
    assert [found for rule in rules_of(sample) if (found := strangers(rule["expr"]))] == []


@every_alert
def test_runbook_has_something_to_run(alert: Rule) -> None:
    """Diagnosis gives a query or a command."""
    text = (RULES / "runbooks" / f"{alert['alert']}.md").read_text(encoding="utf-8")
    diagnosis = text.partition("## Diagnosis")[2].partition("## Mitigation")[0]
    assert "```promql\n" in diagnosis or "```sh\n" in diagnosis


@every_alert
def test_alert_keeps_the_style(alert: Rule) -> None:
    """CamelCase name, a known severity; a summary that says which host and disk; no query."""
    assert re.fullmatch(r"(?:[A-Z][a-z0-9]+){2,}", alert["alert"])
    assert alert["labels"]["severity"] in SEVERITIES
    assert alert["labels"]["pack"] == "spinledger"
    summary = alert["annotations"]["summary"]
    assert "{{ $labels.instance }}" in summary or alert["labels"]["severity"] == "none"
    words = " ".join(alert["annotations"].values())
    assert "query" not in words, "a query that fails sends an error as text, or no alert at all"
    assert " First " in words, "the description ends with the first thing to do"
    assert "keep_firing_for" not in alert, "refused by one of the rule engines we support"


def test_files_are_those_that_are_built() -> None:
    """Rule files, keep-list and README's tables are what the builder writes; none is left over."""
    made = texts()
    assert set(FILES) <= set(made)
    differing = [path.name for path, text in made.items() if path.read_text("utf-8") != text]
    assert differing == [], "run: python -m rules.build"


every_rule = pytest.mark.parametrize(
    "rule", RULE_LIST, ids=[rule.get("alert") or rule["record"] for rule in RULE_LIST]
)


@every_rule
def test_rule_stays_inside_the_contract(rule: Rule) -> None:
    """Expressions use only metrics and labels of the contract, templates only its labels."""
    assert strangers(rule["expr"], RECORDED) == []
    templates = " ".join([*rule.get("annotations", {}).values(), *rule.get("labels", {}).values()])
    assert set(re.findall(r"\$labels\.(\w+)", templates)) <= EVERY_LABEL


@every_rule
def test_rule_joins_host_by_host(rule: Rule) -> None:
    """Every join is on the job and the instance, and on the disk where there is one; of both sides
    of an info series that was relabelled, one is taken."""
    joins = re.findall(r"\b(?:on|ignoring) \(([^)]*)\)", rule["expr"])
    assert {tuple(re.split(r",\s*", labels)) for labels in joins} <= {
        ("job", "instance"),
        ("job", "instance", "disk"),
        ("job", "instance", "disk", "kind"),
    }
    assert "ignoring" not in rule["expr"]
    for after in re.split(r"group_left \([^)]+\)\s*", rule["expr"])[1:]:
        one = "topk by (job, instance, disk) (1, last_over_time(spinledger_disk_info[15m]))"
        assert re.sub(r"^\(\s*", "", after).startswith(one)


def test_groups_are_evaluated_before_a_server_forgets() -> None:
    """Every group names an interval of 2 to 4 minutes: a server forgets a series after 5
    (Prometheus documentation, "Staleness")."""
    groups = [
        group for file in FILES for group in yaml.safe_load(file.read_text("utf-8"))["groups"]
    ]
    own = {group["name"]: group["interval"] for group in groups}
    assert own.pop("spinledger-exporter") == "2m"
    assert set(own.values()) == {"4m"}


@every_rule
def test_rule_reads_no_more_than_6_hours_of_a_disk(rule: Rule) -> None:
    """Raw ranges longer than 6 h are over a host's own series only."""
    hours = {"s": 1 / 3600, "m": 1 / 60, "h": 1.0, "d": 24.0, "w": 168.0}
    found = re.findall(r"\[(\d+)([a-z])\]", rule["expr"] + str(rule.get("annotations", "")))
    longest = max((int(number) * hours[unit] for number, unit in found), default=0)
    a_disk = any("disk" in CONTRACT.get(name, ()) for name in uses(rule["expr"]).metrics)
    assert longest <= (6 if a_disk else 24)


@pytest.mark.parametrize("name", sorted(RECORDED))
def test_recorded_name_has_its_parts(name: str) -> None:
    """level:metric:operations (Prometheus documentation, "Recording rules")."""
    assert re.fullmatch(r"instance(_disk)?:spinledger_[a-z_]+:[a-z]+(_[a-z]+)?(1h|1d)?", name)


def test_nothing_is_left_over() -> None:
    """No test file and no runbook belongs to a rule that is gone."""
    names = {rule["alert"] for rule in ALERTS}
    recordings = {f"recording_{file.stem}" for file in RULES.glob("recording/*.yml")}
    assert {file.stem for file in (RULES / "runbooks").iterdir()} == names
    scenes = {base.alert for base in BASES}
    assert scenes <= names
    assert {file.stem for file in (RULES / "tests").iterdir()} == names - scenes | recordings
