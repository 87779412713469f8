"""From a waking disk to the message that arrives, at real speed, through real servers.

Exporter with a simulated shelf -> Prometheus with the shipped rules -> Alertmanager with the sample
configuration -> a webhook. Hurried are: the shelf's tables (`tests.fakes.hurried`), the intervals
of both servers and of the rules' groups, each rule's `for`, how long a reached limit is held, and
for how long the exporter is down. Nothing else of the rules and of the sample is changed.

Outside authority: the installed Prometheus and Alertmanager; what a webhook gets is Alertmanager's
documentation, "webhook_config". What suppresses what is the sample's own promise.
"""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import sys
import threading
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
import yaml

from rules.build import HERE as RULES
from tests.fakes.hurried import CONFIG, INTERVAL_S
from tests.fakes.patience import PATIENCE_S, until
from tests.packs.overlay import overlay

ROOT = Path(__file__).parents[2]
FASTER = 300  # each `for` and each group's interval
HOLD_S = 12
FAULT_S = 24
FAULT_CYCLES = FAULT_S / INTERVAL_S
FAST, SLOW, DOWN = "DiskCyclesRunaway", "DiskCycleBudgetBurning", "SpinledgerDown"
ALIVE = "SpinledgerAlertsLoaded"


@dataclass(frozen=True, slots=True)
class Delivery:
    """One alert of one message, as the webhook got it."""

    path: str
    alert: dict[str, Any]

    @property
    def given(self) -> tuple[str, str]:
        """Name and status."""
        return self.alert["labels"]["alertname"], self.alert["status"]


@dataclass(slots=True)
class Story:
    """What happened, in order."""

    instance: str = ""
    deliveries: list[Delivery] = field(default_factory=list)
    while_fast: list[dict[str, Any]] = field(default_factory=list)  # Alertmanager's alerts
    cycles: float = 0.0  # of the woken disk, after the fault

    def first(self, name: str, status: str) -> int | None:
        """The number of the first such delivery."""
        given = [delivery.given for delivery in self.deliveries]
        return given.index((name, status)) if (name, status) in given else None


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def get(url: str) -> Any:
    """The JSON at an address."""
    with urllib.request.urlopen(url, timeout=PATIENCE_S) as answer:
        return json.load(answer)


def alertmanager_sample(webhook: int) -> str:
    """The sample Alertmanager configuration with our webhook's port, and without patience."""
    text = (RULES / "samples" / "alertmanager.yml").read_text(encoding="utf-8")
    text, ports = re.subn(r"127\.0\.0\.1:9095", f"127.0.0.1:{webhook}", text)
    text, waits = re.subn(r"(group_wait|group_interval): \w+", r"\1: 1s", text)
    assert (ports, waits) == (3, 3)
    return text


def prometheus_config(folder: Path, exporter: int, alertmanager: int) -> str:
    """Every interval is a second."""
    return yaml.safe_dump(
        {
            "global": {"scrape_interval": "1s", "evaluation_interval": "1s"},
            "rule_files": [str(file) for file in overlay(folder, FASTER, HOLD_S, "4s")],
            "scrape_configs": [_job("spinledger", exporter)],
            "alerting": {"alertmanagers": [{"static_configs": [_targets(alertmanager)]}]},
        }
    )


def _job(name: str, port: int) -> dict[str, Any]:
    return {"job_name": name, "static_configs": [_targets(port)]}


def _targets(port: int) -> dict[str, Any]:
    return {"targets": [f"127.0.0.1:{port}"]}


def webhook(deliveries: list[Delivery]) -> ThreadingHTTPServer:
    """A server that keeps what it receives."""

    class Hook(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            deliveries.extend(Delivery(self.path, alert) for alert in body["alerts"])
            self.send_response(200)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            pass

    return ThreadingHTTPServer(("127.0.0.1", 0), Hook)


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Story]:
    """The whole evening: a fault comes and goes, then the exporter is killed."""
    folder = tmp_path_factory.mktemp("story")
    given = Story()
    with ExitStack() as stack:
        hook = stack.enter_context(webhook(given.deliveries))
        threading.Thread(target=hook.serve_forever, daemon=True).start()
        stack.callback(hook.shutdown)
        ours, server, manager = free_port(), free_port(), free_port()
        given.instance = f"127.0.0.1:{ours}"
        (folder / "am.yml").write_text(alertmanager_sample(hook.server_port), encoding="utf-8")
        (folder / "prom.yml").write_text(prometheus_config(folder, ours, manager), encoding="utf-8")
        (folder / "ours.yml").write_text(CONFIG, encoding="utf-8")

        def start(command: list[str], ready: str) -> subprocess.Popen[bytes]:
            child = subprocess.Popen(command, cwd=ROOT, env=environment)
            stack.callback(child.wait, PATIENCE_S)
            stack.callback(child.terminate)

            def answers() -> bool:
                assert child.poll() is None, f"{command[0]} ended by itself"
                with urllib.request.urlopen(ready, timeout=PATIENCE_S):
                    return True

            until(answers, ready)
            return child

        environment = os.environ | {"PYTHONPATH": f"{ROOT / 'exporter'}:{ROOT}"}
        start(
            [
                "prometheus-alertmanager",
                f"--config.file={folder}/am.yml",
                f"--storage.path={folder}/am",
                f"--web.listen-address=127.0.0.1:{manager}",
                "--cluster.listen-address=",
                "--log.level=error",
            ],
            f"http://127.0.0.1:{manager}/-/ready",
        )
        start(
            [
                "prometheus",
                f"--config.file={folder}/prom.yml",
                f"--storage.tsdb.path={folder}/data",
                f"--web.listen-address=127.0.0.1:{server}",
                "--log.level=error",
            ],
            f"http://127.0.0.1:{server}/-/ready",
        )
        exporter = start(
            [
                *(sys.executable, "-m", "tests.fakes.hurried", "serve", "--shelf", "simulated"),
                *("--speed", "1", "--now", "--zone", "UTC", "--ledger", f"{folder}/ledger.db"),
                *("--fault", fault(), "--config", f"{folder}/ours.yml", "--listen", given.instance),
            ],
            f"http://{given.instance}/metrics",
        )
        play(given, f"http://127.0.0.1:{manager}", exporter)
        yield given


def fault() -> str:
    """The order of a runaway waker, from soon on."""
    begins = datetime.now(UTC).replace(microsecond=0) + timedelta(seconds=12)
    ends = begins + timedelta(seconds=FAULT_S)
    return f"runaway_waker@{begins:%Y-%m-%dT%H:%M:%S}/{ends:%Y-%m-%dT%H:%M:%S}"


def play(story: Story, manager: str, exporter: subprocess.Popen[bytes]) -> None:
    """Wait for one event after the other."""

    def delivered(name: str, status: str) -> None:
        until(lambda: story.first(name, status) is not None, f"{name} is {status}")

    def inhibited() -> bool:
        story.while_fast = get(f"{manager}/api/v2/alerts")
        return any(
            alert["labels"]["alertname"] == SLOW and alert["status"]["inhibitedBy"]
            for alert in story.while_fast
        )

    delivered(FAST, "firing")
    until(inhibited, "the slow alert is inhibited")
    delivered(FAST, "resolved")
    disks = get(f"http://{story.instance}/snapshot")["disks"]
    (woken,) = (disk for disk in disks if disk["disk"] == "sim-attic-frames-1")
    story.cycles = sum(sample["value"] for sample in woken["samples"]["cycles"])
    # Fires before Prometheus knows its Alertmanager, and is sent again after a minute.
    delivered(ALIVE, "firing")
    exporter.kill()
    delivered(DOWN, "firing")


def test_the_runaway_is_delivered_and_says_what_and_where(story: Story) -> None:
    """The page names the wake group and host, and how to go on; the disk really cycled."""
    number = story.first(FAST, "firing")
    assert number is not None
    delivery = story.deliveries[number]
    assert delivery.path == "/page"
    assert delivery.alert["labels"] == {
        "alertname": FAST,
        "instance": story.instance,
        "job": "spinledger",
        "pack": "spinledger",
        "severity": "page",
        "wake_group": "frames",
    }
    given = delivery.alert["annotations"]
    assert given["summary"].startswith(f"frames on {story.instance} ")
    assert (RULES / "runbooks" / f"{given['runbook']}.md").is_file()
    # On a busy machine a sample may come too late for a sleep of a second.
    assert 0 < story.cycles <= FAULT_CYCLES


def test_it_is_resolved_once_the_fault_is_over(story: Story) -> None:
    """One firing and then one resolved message, with an end after its start."""
    given = [one.alert for one in story.deliveries if one.given[0] == FAST]
    assert [alert["status"] for alert in given] == ["firing", "resolved"]
    began, ended = (datetime.fromisoformat(given[1][key]) for key in ("startsAt", "endsAt"))
    assert HOLD_S < (ended - began).total_seconds() < FAULT_S + HOLD_S + PATIENCE_S


def test_the_page_suppresses_the_ticket_on_the_same_budget(story: Story) -> None:
    """While the runaway fires Alertmanager holds the ticket back; both end together."""
    alerts = {alert["labels"]["alertname"]: alert for alert in story.while_fast}
    assert alerts[SLOW]["status"]["state"] == "suppressed"
    assert alerts[SLOW]["status"]["inhibitedBy"] == [alerts[FAST]["fingerprint"]]
    assert alerts[SLOW]["labels"]["wake_group"] == alerts[FAST]["labels"]["wake_group"]
    assert story.first(SLOW, "firing") is None


def test_the_heartbeat_arrives(story: Story) -> None:
    """The alert that always fires is delivered to its own receiver."""
    number = story.first(ALIVE, "firing")
    assert number is not None
    assert story.deliveries[number].path == "/heartbeat"


def test_nothing_is_delivered_about_other_disks(story: Story) -> None:
    """Whatever was delivered concerns the woken disk, its wake group, or the killed exporter."""
    for one in story.deliveries:
        labels = one.alert["labels"]
        assert (
            labels["alertname"] in (DOWN, ALIVE)
            or labels.get("disk") == "sim-attic-frames-1"
            or (labels["alertname"] in (FAST, SLOW) and labels["wake_group"] == "frames")
        ), labels


def test_a_killed_exporter_is_delivered(story: Story) -> None:
    """It is a ticket of its host, after its `for`."""
    number = story.first(DOWN, "firing")
    assert number is not None
    delivery = story.deliveries[number]
    assert delivery.path == "/ticket"
    assert delivery.alert["labels"]["instance"] == story.instance
