"""A disk that is named where a file is written is refused, in one line, before it is opened.

st_size of a block device is 0 (inode(7), from memory), so it would pass for an empty ledger. The
path here is a file that stat(2) calls a block device.

USES is closed: every option and every configuration key that accepts a path must be in it, and
every row that is written must have a trial.
"""

from __future__ import annotations

import argparse
import builtins
import io
import os
import sqlite3
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from spinledger import cli
from spinledger.config import web_file
from spinledger.config.schema import FIELDS
from spinledger.errors import BadConfig
from spinledger.store import plain

NODE = "/dev/sdx"
READ, WRITTEN, RUN, SOCKET, NO_PATH = "read", "written", "run", "socket", "no path"

USES = {
    "capture --config": READ,
    "capture --disk": NO_PATH,
    "capture --out": WRITTEN,
    "check --config": READ,
    "check --ledger": READ,
    "check --report": WRITTEN,
    "decode hex": NO_PATH,
    "history --config": READ,
    "history --disk": NO_PATH,
    "history --ledger": READ,
    "history --openmetrics": WRITTEN,
    "history --since": NO_PATH,
    "look --config": READ,
    "pack --runbook-base": NO_PATH,
    "pack dir": WRITTEN,
    "rehearse --config": READ,
    "rehearse --end": NO_PATH,
    "rehearse --fault": NO_PATH,
    "rehearse --host": NO_PATH,
    "rehearse --instance": NO_PATH,
    "rehearse --job": NO_PATH,
    "rehearse --ledger": WRITTEN,
    "rehearse --openmetrics": WRITTEN,
    "rehearse --zone": NO_PATH,
    "replay --absorb": NO_PATH,
    "replay --budget": NO_PATH,
    "replay --config": READ,
    "replay --disk": NO_PATH,
    "replay --hold": NO_PATH,
    "replay --ledger": READ,
    "replay --plot": WRITTEN,
    "replay --spinup": NO_PATH,
    "replay --timers": NO_PATH,
    "replay --trace": READ,
    "replay --without": NO_PATH,
    "serve --config": READ,
    "serve --fault": NO_PATH,
    "serve --ledger": WRITTEN,
    "serve --prober": SOCKET,
    "serve --textfile": WRITTEN,
    "serve --zone": NO_PATH,
    "wear --config": READ,
    "wear --disk": NO_PATH,
    "wear --ledger": READ,
    "wear --rated": NO_PATH,
    "wear --readings": READ,
    "config disks.#.match.model": NO_PATH,
    "config ledger.path": WRITTEN,
    "config wear.cross_check": RUN,
    "config web.tls_and_users": READ,
    "web tls_server_config.cert_file": READ,
    "web tls_server_config.client_allowed_sans": NO_PATH,
    "web tls_server_config.client_ca_file": READ,
    "web tls_server_config.key_file": READ,
    **{f"web http_server_config.headers.{name}": NO_PATH for name in web_file.HEADERS},
}
"""By command and option, or form of file and key: what is done with what it names."""

_SERVE = "serve --shelf simulated --listen 127.0.0.1:0 --for 1"
TRIALS = (
    ("capture --out", "capture --for 1 --out {0}/sdx", "sdx"),
    ("check --report", "check --config {0}/own.yml --report {0}/sdx", "sdx"),
    ("check --report", "check --config {0}/own.yml --report {0}/report", "report.partial"),
    ("history --openmetrics", "history --ledger {0}/none.db --openmetrics {0}/sdx", "sdx"),
    ("history --openmetrics", "history --ledger {0}/none.db --openmetrics {0}/h", "h.partial"),
    ("pack dir", "pack {0}/pack", "pack/rules/README.md"),
    ("rehearse --ledger", "rehearse --days 1 --ledger {0}/sdx", "sdx"),
    ("rehearse --ledger", "rehearse --continue --end now --ledger {0}/sdx", "sdx"),
    ("rehearse --openmetrics", "rehearse --days 1 --openmetrics {0}/sdx", "sdx"),
    ("replay --plot", "replay --trace {0}/none.csv --plot {0}/sdx", "sdx"),
    ("serve --ledger", _SERVE + " --ledger {0}/sdx", "sdx"),
    ("serve --textfile", _SERVE + " --textfile {0}", "spinledger.prom"),
    ("serve --textfile", _SERVE + " --textfile {0}", "spinledger.prom.partial"),
    ("config ledger.path", "serve --for 1 --config {0}/own.yml", "sdx"),
)
"""The row of USES, arguments with the folder as {0}, and the disk's name in the folder."""


def taken(parse: Callable[[str], Any]) -> bool:
    """Whether an option or key takes a path as its value."""
    try:
        parse(NODE)
    except (BadConfig, argparse.ArgumentTypeError, ValueError):
        return False
    return True


def options() -> Iterator[str]:
    """Every option, of every command, that takes a path."""
    (commands,) = (one for one in cli.parser()._actions if one.choices)
    assert isinstance(commands.choices, dict)
    for name, command in commands.choices.items():
        for option in command._actions:
            plain_text = option.type or str
            assert callable(plain_text)
            if option.nargs == 0 or option.choices or plain_text.__name__ == "url":
                continue
            if taken(plain_text):
                yield f"{name} {(option.option_strings or [option.dest])[-1]}"


def keys() -> Iterator[str]:
    """Every key of both forms of file that takes a path. `defaults` has the keys of a disk."""
    for form, rows in (("config", FIELDS), ("web", web_file.SCHEMA.leaves.values())):
        for row in rows:
            if taken(row.kind.parse):
                yield f"{form} {row.path}"


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Callable[[Path], None]:
    """Makes a path a disk; whoever opens, replaces or removes it fails the test."""

    def make(path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
        stated = os.stat

        def as_block(name: Any, *rest: Any, **more: Any) -> os.stat_result:
            found = stated(name, *rest, **more)
            if str(name) != str(path):
                return found
            return os.stat_result((stat.S_IFBLK | 0o660, *found[1:]))

        for module, function in (
            *((module, "open") for module in (builtins, io, os)),
            *((os, name) for name in ("replace", "rename", "unlink", "truncate")),
            (sqlite3, "connect"),
        ):
            monkeypatch.setattr(module, function, guarded(getattr(module, function), path))
        monkeypatch.setattr(os, "stat", as_block)

    return make


def guarded(function: Callable[..., Any], path: Path) -> Callable[..., Any]:
    """The function, which must not be given the path."""

    def checked(*given: Any, **more: Any) -> Any:
        named = [str(one) for one in (*given[:2], *more.values())]
        assert not any(one.removeprefix("file:").split("?")[0] == str(path) for one in named)
        return function(*given, **more)

    return checked


def test_every_option_and_key_that_takes_a_path_is_in_the_table() -> None:
    """An option or key that is added is red until it has a row."""
    assert sorted([*options(), *keys()]) == sorted(USES)


def test_every_written_one_is_tried() -> None:
    """A row that is written is red until it has a trial."""
    assert {row for row, _, _ in TRIALS} == {row for row, use in USES.items() if use == WRITTEN}


@pytest.mark.parametrize(("row", "arguments", "name"), TRIALS)
def test_each_refuses_a_disk(
    disk: Callable[[Path], None],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    row: str,
    arguments: str,
    name: str,
) -> None:
    """Exit code 2 and one line; nothing is opened, and no file is left beside it."""
    own = tmp_path / "own.yml"
    own.write_text(f"ledger: {{path: {tmp_path}/sdx}}\nlisten: 127.0.0.1:0\n")
    disk(tmp_path / name)
    assert cli.main(arguments.format(tmp_path).split()) == 2, row
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    if row != "rehearse --ledger":  # which says that the name is taken already, or is no file
        assert f"{tmp_path / name}" in said
        assert plain.IS_A_DISK in said
    left = {path for path in tmp_path.rglob("*") if path.is_file()} - {own}
    assert left <= {tmp_path / name}
