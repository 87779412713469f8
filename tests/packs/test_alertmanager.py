"""The sample Alertmanager configuration, in a real Alertmanager: who is told, what silences what.

Outside authority: the installed Alertmanager and amtool. The alerts posted are those that the rule
tests expect, so a label that a rule stopped giving is missed here too.
"""

from __future__ import annotations

import json
import socket
import subprocess
import time
import urllib.request
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import yaml

from rules.build import HERE as RULES
from tests.fakes.patience import PATIENCE_S
from tests.packs.test_rules import ALERTS

SAMPLE = RULES / "samples" / "alertmanager.yml"
SAME = 10  # answers in a row, 0.1 s apart
Labels = dict[str, str]


def expected(name: str) -> Labels:
    """The labels of the first alert that a rule test expects."""
    document = yaml.safe_load((RULES / "tests" / f"{name}.yml").read_text(encoding="utf-8"))
    return next(
        {"alertname": name, **alert["exp_labels"]}
        for test in document["tests"]
        for check in test["alert_rule_test"]
        for alert in check["exp_alerts"]
    )


def without(labels: Labels, *names: str) -> Labels:
    """The same labels, some left out."""
    return {name: value for name, value in labels.items() if name not in names}


Inhibited = Callable[[list[Labels]], list[bool]]


@pytest.fixture(scope="module")
def inhibited(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Inhibited]:
    """Posts alerts to a real Alertmanager and says which of them are inhibited, in order."""
    folder = tmp_path_factory.mktemp("alertmanager")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    base = f"http://127.0.0.1:{port}/api/v2"
    child = subprocess.Popen(
        [
            "prometheus-alertmanager",
            f"--config.file={SAMPLE}",
            f"--storage.path={folder}",
            f"--web.listen-address=127.0.0.1:{port}",
            "--cluster.listen-address=",
            "--log.level=error",
        ]
    )

    def get(path: str) -> Any:
        with urllib.request.urlopen(base + path, timeout=PATIENCE_S) as answer:
            return json.load(answer)

    def inhibited_of(alerts: list[Labels]) -> list[bool]:
        marked = [{**labels, "number": str(number)} for number, labels in enumerate(alerts)]
        # Sources first: a target that comes before its source is active for a moment.
        body = json.dumps([{"labels": labels} for labels in marked]).encode()
        head = {"Content-Type": "application/json"}
        urllib.request.urlopen(
            urllib.request.Request(f"{base}/alerts", body, head), timeout=PATIENCE_S
        )
        ends = time.monotonic() + PATIENCE_S
        given: list[list[bool]] = []
        while time.monotonic() < ends:
            found = {alert["labels"]["number"]: alert["status"] for alert in get("/alerts")}
            if len(found) == len(marked) and "unprocessed" not in str(found):
                given.append([bool(found[labels["number"]]["inhibitedBy"]) for labels in marked])
            # Its inhibitor takes a source in on its own time: wait until nothing changes for 1 s.
            if len(given) > SAME and all(one == given[-1] for one in given[-SAME:]):
                return given[-1]
            time.sleep(0.1)
        raise AssertionError(f"not all alerts were processed within {PATIENCE_S} s: {found}")

    try:
        ends = time.monotonic() + PATIENCE_S
        while time.monotonic() < ends and child.poll() is None:
            try:
                get("/status")
                break
            except OSError:
                time.sleep(0.1)
        yield inhibited_of
    finally:
        child.terminate()
        child.wait(timeout=PATIENCE_S)


def test_amtool_accepts_the_sample() -> None:
    """The file is valid."""
    done = subprocess.run(["amtool", "check-config", SAMPLE], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("rule", ALERTS, ids=[rule["alert"] for rule in ALERTS])
def test_severity_decides_who_is_told(rule: dict[str, Any]) -> None:
    """A page goes to the receiver `page`, a ticket to `ticket`."""
    labels = [f"{name}={value}" for name, value in rule["labels"].items()]
    done = subprocess.run(
        ["amtool", "config", "routes", "test", f"--config.file={SAMPLE}", *labels],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == rule["labels"]["severity"]


def test_one_alert_makes_another_needless_on_its_own_host_only(inhibited: Inhibited) -> None:
    """Fast over slow within a wake group, down over all of a host; never another host, job, wake
    group or pack, nor an alert that lacks the labels to compare (a missing label counts as equal:
    Alertmanager documentation, "Inhibition")."""
    fast, slow = expected("DiskCyclesRunaway"), expected("DiskCycleBudgetBurning")
    down = {**expected("SpinledgerDown"), "instance": "attic:9787"}
    others = [expected(rule["alert"]) for rule in ALERTS if rule["alert"] != "SpinledgerDown"]
    cases = [
        (fast, False),
        (down, False),
        (slow, True),
        ({**slow, "wake_group": "flats"}, False),
        ({**slow, "instance": "dome:9786"}, False),
        ({**slow, "job": "other"}, False),
        ({**expected("DiskRatedLifeUsedUp"), "wake_group": slow["wake_group"]}, False),
        (without(fast, "wake_group"), False),
        (without(slow, "wake_group"), False),
        *((without(down, name), False) for name in ("job", "instance")),
        *(({**labels, "instance": "attic:9787"}, True) for labels in others),
        # A third host, with all alerts of its own: only its slow burn is needless there.
        *(({**labels, "instance": "dome:9787"}, labels == slow) for labels in others),
        *((without(labels, "instance"), False) for labels in others),
        *((without({**labels, "instance": "attic:9787"}, "job"), False) for labels in others),
        ({**slow, "instance": "attic:9787", "pack": "other"}, False),
        ({"alertname": "DiskFull", "job": down["job"], "instance": "attic:9787"}, False),
    ]
    found = inhibited([labels for labels, _ in cases])
    wrong = [labels for (labels, due), given in zip(cases, found, strict=True) if given != due]
    assert wrong == []
