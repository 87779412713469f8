"""Every command of Spinledger in a runbook does what the page says, on a simulated host.

The commands run as they stand, apart from the paths and the disk that a reader puts in. `capture`
needs root and tracefs, so its arguments are read by the program's own parser and it is not run.
"""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from rules.build import HERE as RULES
from spinledger.cli import parser
from tests.fakes.patience import PATIENCE_S, until

DISK = "sim-attic-frames-1"
COMMANDS = sorted(
    {
        line.strip().removeprefix("sudo ")
        for file in RULES.glob("runbooks/*.md")
        for block in re.findall(r"```sh\n(.*?)```", file.read_text("utf-8"), re.DOTALL)
        for line in block.splitlines()
        if re.match(r"(?:sudo )?spinledger ", line.strip())
    }
)
NAMED = {
    match
    for file in RULES.glob("runbooks/*.md")
    for match in re.findall(r"`(spinledger [a-z]+)", file.read_text("utf-8"))
}


@dataclass(frozen=True, slots=True)
class Host:
    """A simulated host: what a reader puts in place of the pages' paths."""

    config: Path
    ledger: Path

    def arguments(self, command: str) -> list[str]:
        """Of a command in a runbook."""
        given = command.replace("/etc/spinledger/config.yml", str(self.config))
        given = given.replace("/var/lib/spinledger/ledger.db", str(self.ledger))
        return shlex.split(re.sub(r"\bDISK\b", DISK, given))[1:]


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    """The program."""
    command = [sys.executable, "-m", "spinledger", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def host(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Host]:
    """A day and a half of history, and an exporter that runs."""
    folder = tmp_path_factory.mktemp("host")
    made = Host(folder / "config.yml", folder / "ledger.db")
    done = run("rehearse", "--days", "1.5", "--ledger", str(made.ledger))
    assert done.returncode == 0, done.stderr
    made.config.write_text("listen: 127.0.0.1:0\n", encoding="utf-8")
    command = [sys.executable, "-m", "spinledger", "serve", "--shelf", "simulated"]
    command += ["--ledger", "memory", "--config", str(made.config)]
    child = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    try:
        assert child.stderr is not None
        line = child.stderr.readline()
        found = re.search(r"http://([\d.:]+)", line)
        assert found is not None, line
        made.config.write_text(f"listen: {found[1]}\n", encoding="utf-8")

        def ready() -> bool:
            with urllib.request.urlopen(f"http://{found[1]}/-/ready", timeout=PATIENCE_S) as got:
                return bool(got.status == 200)

        until(ready, "the exporter is ready")
        yield made
    finally:
        child.terminate()
        child.wait(timeout=PATIENCE_S)


def test_there_are_commands() -> None:
    """So the tests below check something, and every command named in a sentence exists."""
    assert len(COMMANDS) >= 5
    for command in NAMED:
        assert command.split()[1] in parser().format_help()


@pytest.mark.parametrize("command", [one for one in COMMANDS if " capture " not in one])
def test_a_command_of_a_runbook_runs(host: Host, command: str) -> None:
    """It ends with 0, or with 1 for a finding, and has something to show."""
    done = run(*host.arguments(command))
    assert done.returncode in (0, 1), done.stderr
    assert done.stdout.strip()
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("command", [one for one in COMMANDS if " capture " in one])
def test_the_arguments_of_capture_are_accepted(command: str) -> None:
    """The program's own parser takes them."""
    given = parser().parse_args(shlex.split(command)[1:])
    assert given.command == "capture"
