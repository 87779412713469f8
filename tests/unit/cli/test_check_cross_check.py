"""What `check` says of the cross-check, before it is ever run."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from spinledger.app.examining import Examined
from spinledger.cli import check
from spinledger.cli.check_report import render
from spinledger.cli.screen import Screen
from spinledger.config.load import parse
from spinledger.model import Command, Policy, Watch
from tests.fakes.series import changed
from tests.fakes.snapshots import snapshot, view


def words(
    monkeypatch: pytest.MonkeyPatch, text: str, policy: Policy | None = None, **disk: object
) -> str:
    """The report on one disk under a configuration, in words."""
    plain = view(0)
    seen = changed(
        plain,
        disk=replace(plain.disk, **disk),  # type: ignore[arg-type]
        policy=policy or plain.policy,
    )
    found = Examined(snapshot(seen), {})
    monkeypatch.setattr("spinledger.app.examining.examine", lambda config, probe: found)
    return render(check.examine(parse(text, "c.yml"), probe=False), Screen(200))


@pytest.mark.parametrize(
    ("method", "interface"),
    [
        (Command.CHECK_POWER_MODE_16, "sat"),
        (Command.CHECK_POWER_MODE_12, "sat,12"),
        (Command.REQUEST_SENSE, "scsi"),
    ],
)
def test_its_command_line_is_shown(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, method: Command, interface: str
) -> None:
    """The whole line, with the guard of smartctl(8), -n, first; and nothing is wrong."""
    program = tmp_path / "smartctl"
    program.touch(mode=0o755)
    shown = words(monkeypatch, f"wear: {{cross_check: {program}}}", probe_method=method)
    line = f"{program} -n standby,3,5 -d {interface} --all /dev/sda"
    assert f"while in use, once a day this runs: {line}" in shown
    assert "wear.cross_check" not in shown


def test_it_is_not_shown_where_it_is_not_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither without the key, nor for a disk that is not probed."""
    assert "once a day" not in words(monkeypatch, "")
    shown = words(monkeypatch, "wear: {cross_check: /bin/sh}", Policy(watch=Watch.COUNTERS))
    assert "once a day" not in shown


@pytest.mark.parametrize(
    ("mode", "what"), [(None, "is not there"), (0o644, "cannot be run")], ids=["absent", "text"]
)
def test_a_program_that_cannot_be_run_is_a_fault(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, mode: int | None, what: str
) -> None:
    """One line says which, why, and how to fix it."""
    program = tmp_path / "smartctl"
    if mode is not None:
        program.touch(mode=mode)
    shown = words(monkeypatch, f"wear: {{cross_check: {program}}}")
    assert f"! wear.cross_check: {program} {what}; install it, or remove the key" in shown
