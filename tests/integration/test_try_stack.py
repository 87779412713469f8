"""`./exporter/try --stack` as somebody runs it, with a month of two days.

Outside authority: the installed Prometheus and Alertmanager, by what they answer; the
process table and the file system, for what is left.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from tests.fakes.patience import PATIENCE_S, until

ROOT = Path(__file__).parents[2]
FIRING = {"DiskCyclesRunaway", "DiskTimerNotHolding"}


class Start:
    """One start of the stack, in a checkout."""

    def __init__(self, checkout: Path, listen: str) -> None:
        began = time.monotonic()
        self.cache = checkout / ".cache" / "stack"
        self._given = checkout / "output"
        # A process that a shell started with & ignores SIGINT, and so do its children.
        command = [
            "env",
            "--default-signal=INT",
            sys.executable,
            "exporter/stack.py",
            str(checkout / "spinledger"),
            listen,
            "",
        ]
        with self._given.open("w") as out:
            self.process = subprocess.Popen(
                command, cwd=checkout, stdout=out, stderr=out, start_new_session=True
            )
        until(lambda: "Ctrl-C ends" in self.given or self.process.poll() is not None)
        self.took_s = time.monotonic() - began
        assert self.process.poll() is None, self.given

    @property
    def given(self) -> str:
        """What it printed."""
        return self._given.read_text(encoding="utf-8")

    def probe(self, beside: str, path: str) -> Any:
        """The JSON of the server whose printed address goes on with `beside`."""
        base = re.findall(rf"(http://[\d.:]+)/{beside} ", self.given)[-1]
        with urllib.request.urlopen(f"{base}{path}", timeout=PATIENCE_S) as answer:
            return json.load(answer)

    def interrupt(self) -> int:
        """Ctrl-C: its exit status."""
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(timeout=PATIENCE_S)


def running(word: str) -> set[int]:
    """Processes with that word in a command line, by the kernel's table (proc(5))."""
    found = set()
    for folder in Path("/proc").iterdir():
        with suppress(OSError):
            if folder.name.isdigit() and word.encode() in (folder / "cmdline").read_bytes():
                found.add(int(folder.name))
    return found


def journal_of(process: int) -> set[Path]:
    """The folder a process was given for its live journal, by its environment (proc(5))."""
    with suppress(OSError):
        for setting in Path(f"/proc/{process}/environ").read_bytes().split(b"\0"):
            name, _, value = setting.partition(b"=")
            if name == b"RUNTIME_DIRECTORY":
                return {Path(os.fsdecode(value))}
    return set()


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A checkout with the stack as it is, but for the length of its month, and our package."""
    (tmp_path / "exporter").mkdir()
    text = (ROOT / "exporter" / "stack.py").read_text(encoding="utf-8")
    short, months = re.subn(r'"--days", "30"', '"--days", "2"', text)
    assert months == 1
    (tmp_path / "exporter" / "stack.py").write_text(short, encoding="utf-8")
    for folder in ("rules", "dashboards"):
        (tmp_path / folder).symlink_to(ROOT / folder)
    program = tmp_path / "spinledger"
    package = ROOT / "exporter"
    program.write_text(
        f'#!/bin/sh\nPYTHONPATH={package} exec {sys.executable} -m spinledger "$@"\n'
    )
    program.chmod(0o755)
    return tmp_path


@pytest.mark.slow
def test_the_stack_fires_at_once_is_kept_and_leaves_nothing(checkout: Path) -> None:
    """Both faults fire, and the page is delivered and printed; the past is in Prometheus; Ctrl-C
    ends all of it and leaves the rehearsed month alone, with which the next start is fast and knows
    the same past."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        listen = f"127.0.0.1:{probe.getsockname()[1]}"
    first = Start(checkout, listen)
    try:
        began = time.monotonic()
        until(lambda: fired(first) >= FIRING)
        print(f"alerts fired {time.monotonic() - began:.0f} s after the addresses were printed")
        page = r"^[\d:]{8}  page +firing +DiskCyclesRunaway\n +frames on .* spins up far too often"
        until(lambda: re.search(page, first.given, re.MULTILINE) is not None)
        print(f"a page arrived {time.monotonic() - began:.0f} s after the addresses were printed")
        assert "what to do: rules/runbooks/DiskCyclesRunaway.md" in first.given
        given = {one["labels"]["alertname"] for one in first.probe("", "/api/v2/alerts")}
        assert given >= FIRING
        journals = set().union(*map(journal_of, running(str(checkout))))
        assert [folder for folder in journals if folder.is_dir()]
        past = counted_past(first)
        assert len(past) == 8
        assert max(past.values()) > 50
    finally:
        status = first.interrupt()
    assert status == 0
    assert running(str(checkout)) == set()
    assert not [folder for folder in journals if folder.exists()]
    kept = first.cache / "month.db"
    month = kept.read_bytes()
    second = Start(checkout, listen)
    try:
        assert counted_past(second) == past
    finally:
        second.interrupt()
    assert kept.read_bytes() == month
    shutil.rmtree(checkout / ".cache")
    print(f"first start {first.took_s:.0f} s, second {second.took_s:.0f} s; {os.cpu_count()} cores")


def fired(start: Start) -> set[str]:
    """The names of the alerts that fire, by Prometheus."""
    alerts = start.probe("alerts", "/api/v1/alerts")["data"]["alerts"]
    return {one["labels"]["alertname"] for one in alerts if one["state"] == "firing"}


def counted_past(start: Start) -> dict[str, float]:
    """Each disk's spin-ups at the end of the backfilled time."""
    ended = json.loads((start.cache / "month.json").read_text())["ended"]
    query = "max+by+(disk)+(last_over_time(spinledger_disk_cycles_total[1d]))"
    series = start.probe("alerts", f"/api/v1/query?query={query}&time={ended}")["data"]["result"]
    return {one["metric"]["disk"]: float(one["value"][1]) for one in series}
