"""Every command of every page does what the page says, on a simulated host.

Outside authority: the real bash, promtool, amtool, sqlite3, openssl and curl, by their exit status,
and the help of the programs that cannot run here.
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from spinledger.cli import COMMANDS, parser
from tests.packs.reader import (
    CHECKED,
    EXPLAIN,
    ROOT,
    Host,
    Step,
    bare,
    checked,
    options,
    steps,
)

RUNBOOKS = "rules/runbooks"
PAGES = ["README.md", "DEVELOPERS.md", "rules/README.md", "dashboards/README.md"]
PAGES += sorted(str(file.relative_to(ROOT)) for file in ROOT.glob("exporter/guides/*.md"))
PAGES += [RUNBOOKS]
FINDINGS = (0, 1)  # of our own commands: 1 for a finding


def text_of(page: str) -> str:
    """A page; of the runbooks, all of them together."""
    if page != RUNBOOKS:
        return (ROOT / page).read_text(encoding="utf-8")
    files = sorted((ROOT / RUNBOOKS).glob("*.md"))
    return "\n".join(file.read_text(encoding="utf-8") for file in files)


def steps_of(page: str) -> list[Step]:
    """The steps of a page, each once among the runbooks."""
    found = list(steps(text_of(page)))
    return list(dict.fromkeys(found)) if page == RUNBOOKS else found


WITH_STEPS = [page for page in PAGES if any(step.command for step in steps_of(page))]
ALL = sorted({step.command for page in PAGES for step in steps_of(page) if step.command})


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ledger with a day of three simulated disks."""
    ledger = tmp_path_factory.mktemp("rehearsed") / "ledger.db"
    command = [sys.executable, "-m", "spinledger", "rehearse", "--days", "1", "--disks", "3"]
    subprocess.run([*command, "--ledger", str(ledger)], check=True, stdout=subprocess.DEVNULL)
    return ledger


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory, rehearsed: Path) -> Iterator[str]:
    """The address of an exporter, for the pages that do not start one."""
    host = Host(tmp_path_factory.mktemp("running"), rehearsed)
    host.start()
    try:
        yield host.address
    finally:
        host.stop()


def test_there_are_commands() -> None:
    """So the tests below check something, and each row of the closed list is needed."""
    assert len(WITH_STEPS) >= 10
    assert {checked(command) for command in ALL} - {""} == CHECKED.keys()


@pytest.mark.parametrize("page", WITH_STEPS)
def test_the_commands_of_a_page_run(
    page: str, tmp_path: Path, rehearsed: Path, running: str
) -> None:
    """In their order; each ends with 0, ours also with 1 for a finding, and has something to say
    unless it writes a file."""
    host = Host(tmp_path, rehearsed, running)
    if "systemctl stop" in text_of(page):
        host.start()
    try:
        for step in steps_of(page):
            if step.file:
                host.write(step)
            elif checked(step.command):
                follow(host, step.command)
            else:
                done = host.run(step.command)
                ours = bare(step.command)[0] == "spinledger"
                assert done.status in (FINDINGS if ours else (0,)), (step, done)
                assert "Traceback" not in done.err, done.err
                assert done.out.strip() or not ours or " > " in step.command, (step, done)
        if page.endswith("ledger.md"):
            assert "older copy of the ledger" in host.log
    finally:
        host.stop()


def follow(host: Host, command: str) -> None:
    """What a command of systemd does to the exporter."""
    match bare(command):
        case ["systemctl", "start" | "restart", "spinledger"]:
            host.start()
        case ["systemctl", "stop", "spinledger"]:
            host.stop()


def test_every_command_is_bash() -> None:
    """The shell can read each, behind a pipe as well."""
    for command in ALL:
        subprocess.run(["bash", "-n", "-c", command], check=True)


@pytest.mark.parametrize("command", [one for one in ALL if checked(one)])
def test_what_cannot_run_has_known_words(command: str) -> None:
    """Its options and verbs are in the closed list; our own are read by the parser or are in the
    help, and the help of others, where they have one, lists them."""
    name = checked(command)
    known = set(CHECKED[name][1].split())
    words = bare(command)[len(name.split()) :]
    assert options(words) <= known
    if name in ("apt-get", "pipx", "systemctl", "podman") and words:
        assert words[0] in known
    if name.startswith("spinledger"):
        parser().parse_args(bare(command)[1:])
    if name == "python":
        shown = help_of(sys.executable, "-m", words[1])
        assert options(words[2:]) <= set(re.findall(r"--?[a-z]+", shown))
    if name in EXPLAIN:
        shown = help_of(str(ROOT / name) if name.startswith("./") else name)
        given = options(words) - {"-x", "-k"} if name == "./tests/run" else options(words)
        assert [one for one in given if one not in shown] == []


@cache
def help_of(*program: str) -> str:
    """What a program says of itself."""
    done = subprocess.run(
        [*program, "--help"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return done.stdout + done.stderr


def test_commands_in_sentences_exist() -> None:
    """`spinledger X --option`: both are the program's."""
    checked_ones = 0
    for page in PAGES:
        prose = re.sub(r"\s+", " ", re.sub(r"```.*?```", "", text_of(page), flags=re.DOTALL))
        for name, rest in re.findall(r"`(?:sudo )?spinledger ([a-z]+)([^`]*)`", prose):
            assert name in COMMANDS, name
            shown = subcommand_help(name)
            assert options(rest.replace("[", " ").split()) <= set(
                re.findall(r"--[a-z-]+", shown)
            ), (page, name, rest)
            checked_ones += 1
    assert checked_ones > 10


@cache
def subcommand_help(name: str) -> str:
    """The help of one of our commands."""
    (subparsers,) = (one for one in parser()._actions if one.dest == "command")
    assert isinstance(subparsers.choices, dict)
    return str(subparsers.choices[name].format_help())
