"""A command that runs out of memory ends with one line."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from spinledger import cli
from spinledger.cli import config


def test_no_memory_is_one_line_and_exit_1(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """1, so that a supervisor starts it again."""

    def without_memory(*_: object) -> int:
        raise MemoryError

    run: Callable[..., int] = without_memory
    monkeypatch.setattr(config, "run", run)
    assert cli.main(["config", "--no-disks"]) == 1
    said = capsys.readouterr().err
    assert said.startswith("spinledger: no memory is left")
    assert said.count("\n") == 1
