"""The sample Alertmanager configuration, in a real Alertmanager: receivers and inhibition.

Outside authority: the installed Alertmanager and amtool. The alerts posted are those that the rule
tests expect, so a label that a rule stopped giving is missed here too.
"""

from __future__ import annotations

import itertools
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
from tests.packs.cases import BASES
from tests.packs.scenes import document
from tests.packs.test_rules import ALERTS

SAMPLE = RULES / "samples" / "alertmanager.yml"
HOST = "attic:9786"
SAME = 10  # answers in a row, 0.1 s apart
Labels = dict[str, str]


def expected(name: str) -> Labels:
    """The labels of the first alert that a rule test expects, on the first host."""
    documents = [document(base, []) for base in BASES if base.alert == name]
    if not documents:
        file = RULES / "tests" / f"{name}.yml"
        documents = [yaml.safe_load(file.read_text(encoding="utf-8"))]
    return next(
        {"alertname": name, **alert["exp_labels"]}
        for one in documents
        for test in one["tests"]
        for check in test["alert_rule_test"]
        for alert in check["exp_alerts"]
        if alert["exp_labels"].get("instance", HOST) == HOST
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

    numbers = itertools.count()

    def inhibited_of(alerts: list[Labels]) -> list[bool]:
        marked = [{**labels, "number": str(next(numbers))} for labels in alerts]
        # Sources first: a target that comes before its source is active for a moment.
        body = json.dumps([{"labels": labels} for labels in marked]).encode()
        head = {"Content-Type": "application/json"}
        urllib.request.urlopen(
            urllib.request.Request(f"{base}/alerts", body, head), timeout=PATIENCE_S
        )
        ends = time.monotonic() + PATIENCE_S
        given: list[list[bool]] = []
        while time.monotonic() < ends:
            every = {alert["labels"]["number"]: alert["status"] for alert in get("/alerts")}
            ours = [one["number"] for one in marked]
            found = {number: every[number] for number in ours if number in every}
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
def test_severity_decides_the_receiver(rule: dict[str, Any]) -> None:
    """A page goes to the receiver `page`, a ticket to `ticket`, the heartbeat to its own."""
    labels = [f"{name}={value}" for name, value in rule["labels"].items()]
    done = subprocess.run(
        ["amtool", "config", "routes", "test", f"--config.file={SAMPLE}", *labels],
        capture_output=True,
        text=True,
        check=True,
    )
    severity = rule["labels"]["severity"]
    assert done.stdout.strip() == ("heartbeat" if severity == "none" else severity)


# What each source suppresses on its own host: of its pool, of its disk, or of all.
RUNAWAY = {"DiskCycleBudgetBurning", "DiskSleptTooLittleInQuietHours", "DiskSleepDoesNotPay"}
WHOLE_HOST = ("SpinledgerDown", "SpinledgerOutputFrozen", "SpinledgerMetricsMissing")


SOURCES = ("DiskCyclesRunaway", "DiskSampleStale", *WHOLE_HOST)


@pytest.mark.parametrize("source", SOURCES)
def test_an_alert_suppresses_others_on_its_own_host_only(inhibited: Inhibited, source: str) -> None:
    """Never on another host or in another job, of another pool or disk, nor an alert of another
    pack or one that lacks the labels to compare (a missing label counts as equal: Alertmanager
    documentation, "Inhibition")."""
    host = f"attic:{source}"  # each case on hosts of its own: they share one Alertmanager
    first = {**expected(source), "instance": host}
    others = [
        {**expected(rule["alert"]), "instance": host}
        for rule in ALERTS
        if rule["alert"] not in SOURCES and rule["labels"]["severity"] != "none"
    ]
    suppressed = [one for one in others if due(first, one)]
    assert len(suppressed) >= 2
    cases = [
        (first, False),
        *((one, due(first, one)) for one in others),
        *(({**one, "instance": f"dome:{source}"}, False) for one in suppressed),
        *(({**one, "job": "other"}, False) for one in suppressed),
        *(({**one, "pack": "other"}, False) for one in suppressed),
        *((without(one, name), False) for one in suppressed for name in ("job", "instance")),
    ]
    if source == "DiskCyclesRunaway":
        cases += [({**one, "wake_group": "flats"}, False) for one in suppressed]
        cases += [(without(one, "wake_group"), False) for one in suppressed]
    if source == "DiskSampleStale":
        cases += [({**one, "disk": "another"}, False) for one in suppressed]
        cases += [(without(one, "disk"), False) for one in suppressed]
    found = inhibited([labels for labels, _ in cases])
    wrong = [(one, given) for one, given in zip(cases, found, strict=True) if given != one[1]]
    assert wrong == []


def due(source: Labels, other: Labels) -> bool:
    """The sample's own promise."""
    name, other_name = source["alertname"], other["alertname"]
    if name == "DiskCyclesRunaway":
        return other_name in RUNAWAY
    if name == "DiskSampleStale":
        return other.get("disk") == source["disk"]
    return True


def test_of_alerts_about_a_whole_host_one_stays(inhibited: Inhibited) -> None:
    """Down suppresses the two others; without it both stay, and suppress the alert on a disk."""
    down, *rest = ({**expected(name), "instance": "dome:9788"} for name in WHOLE_HOST)
    there = [{**one, "instance": "dome:9789"} for one in rest]
    disk = {**expected("DiskCyclesRunaway"), "instance": "dome:9789"}
    given = inhibited([down, *rest, *there, disk])
    assert given == [False, True, True, False, False, True]
