"""`look` on a terminal and as a command: colour, watching, exit codes, what it requests."""

from __future__ import annotations

import argparse
import io
import json
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from threading import Thread
from urllib.parse import parse_qs, urlparse

import pytest

from spinledger.cli import look, screen
from spinledger.cli.exporter import histories
from spinledger.cli.look import Picture, render
from spinledger.cli.screen import Screen
from spinledger.model import State
from spinledger.web.snapshot_json import Json
from tests.fakes.looks import DAY_S, NOW_S, asleep, found, history, runaway, snapshot_of
from tests.fakes.snapshots import view

ESCAPE = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")


def test_colour_says_nothing_that_words_do_not() -> None:
    """With the codes taken out the page is the plain one; without a terminal there are none."""
    shown = snapshot_of(asleep(0), found(runaway(1)), view(2, State.UNKNOWN))
    for week in (False, True):
        picture = Picture(shown, histories(history(), NOW_S), UTC)
        plain = render(Screen(80), picture, week)
        coloured = render(Screen(80, coloured=True), picture, week)
        assert coloured != plain
        assert [ESCAPE.sub("", line) for line in coloured] == plain


class Terminal(io.StringIO):
    """Standard output that says it is a terminal."""

    def isatty(self) -> bool:
        """It is."""
        return True


@pytest.mark.parametrize(
    ("environment", "coloured"),
    [
        ({"TERM": "xterm"}, True),
        ({"TERM": "xterm", "NO_COLOR": "1"}, False),
        ({"TERM": "xterm", "NO_COLOR": ""}, True),
        ({"TERM": "dumb"}, False),
    ],
)
def test_who_gets_colour(
    environment: dict[str, str], coloured: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """no-color.org: set and not empty, regardless of its value, means no colour."""
    monkeypatch.setattr(sys, "stdout", Terminal())
    assert screen.of_terminal(environment).coloured == coloured
    monkeypatch.setattr(sys, "stdout", io.StringIO())
    assert not screen.of_terminal(environment).coloured


def test_watching_draws_over_the_last_page() -> None:
    """ECMA-48: CUP to the corner, EL after each line, ED at the end; no more lines than rows."""
    parts: list[str] = []
    screen.animate(Screen(80, rows=6), [f"line {n}" for n in range(9)], parts.append)
    drawn = "".join(parts)
    assert drawn.startswith("\x1b[Hline 0\x1b[K\n")
    assert drawn.endswith("(5 more lines; `spinledger look` shows all)\x1b[K\n\x1b[J")
    assert drawn.count("\n") == 5


@contextmanager
def exporter(shown: Json, history: Json | None) -> Iterator[tuple[int, list[str]]]:
    """An HTTP server with /snapshot and perhaps /history; its port and the requested paths."""
    requested: list[str] = []

    class Answers(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            requested.append(self.path)
            body = {"/snapshot": shown, "/history": history}.get(urlparse(self.path).path)
            self.send_response(404 if body is None else 200)
            self.end_headers()
            self.wfile.write(json.dumps(body).encode())

        def log_message(self, format: str, *args: object) -> None:
            """Silent."""

    server = HTTPServer(("127.0.0.1", 0), Answers)
    thread = Thread(target=server.serve_forever)
    thread.start()
    try:
        yield server.server_port, requested
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def command(folder: Path, port: int, *options: str) -> int:
    """Run the command against an exporter at that port; its exit code."""
    path = folder / "spinledger.yml"
    path.write_text(f"listen: 127.0.0.1:{port}\n")
    parser = argparse.ArgumentParser()
    look.add_arguments(parser)
    return look.run(parser.parse_args(["--config", str(path), *options]))


@pytest.mark.parametrize("held", [False, True])
def test_the_exit_code_says_whether_there_are_findings(
    tmp_path: Path, held: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    """1 with a finding, 0 without, in every form."""
    one = asleep(0)
    with exporter(snapshot_of(found(one) if held else one), history()) as (port, _):
        for options in ([], ["--week"], ["--json"], ["--week", "--json"]):
            assert command(tmp_path, port, *options) == int(held)
    assert "1 asleep" in capsys.readouterr().out


@pytest.mark.parametrize("options", [[], ["--week"]])
def test_the_history_is_requested_by_the_exporters_own_time(
    tmp_path: Path, options: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """A simulated exporter's now is not ours: `since` is counted from its snapshot."""
    with exporter(snapshot_of(asleep(0)), history()) as (port, requested):
        command(tmp_path, port, *options)
    assert requested[0] == "/snapshot"
    (since,) = parse_qs(urlparse(requested[1]).query)["since"]
    assert datetime.fromisoformat(since).timestamp() == NOW_S - DAY_S
    assert len(requested) == 2
    assert "7200" in capsys.readouterr().out


def test_json_has_the_week(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The snapshot as it came, with the week of each disk in it."""
    with exporter(snapshot_of(asleep(0)), None) as (port, _):
        command(tmp_path, port, "--week", "--json")
    shown = json.loads(capsys.readouterr().out)
    assert shown["from_exporter"]
    assert [sum(week["cycles_by_hour"]) for week in shown["week"]] == [7]
    assert shown["week"][0]["cycles"] == 7


def test_watching_ends_with_an_interrupt(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Three snapshots, the history requested once, and the exit code of the last snapshot."""
    pauses: list[float] = []

    def sleep(seconds: float) -> None:
        pauses.append(seconds)
        if len(pauses) == 3:
            raise KeyboardInterrupt

    monkeypatch.setattr("spinledger.cli.look.time.sleep", sleep)
    with exporter(snapshot_of(found(asleep(0))), history()) as (port, requested):
        assert command(tmp_path, port, "--watch") == 1
    assert sum(path == "/snapshot" for path in requested) == 3
    assert sum(path.startswith("/history") for path in requested) == 1
    assert "\x1b" not in capsys.readouterr().out
