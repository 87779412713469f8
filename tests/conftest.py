"""Every test carries the marker of the folder it stands in: unit, integration, packs and so on.

With several processes (pytest-xdist) the tests of a file stay in one process, those of the
laboratory that share a machine in one together; the longest folders begin first.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from spinledger.cli import exporter
from spinledger.config import load
from tests.fakes.patience import PATIENCE_S

_TESTS = Path(__file__).parent
_LONGEST_FIRST = ("lab", "proof", "browser", "integration", "packs", "unit")
_MACHINE_OF_THEIR_OWN = ("test_ledger.py", "test_systemd.py", "test_wakes.py")  # in tests/lab

# A slow machine is no fault of an example's.
settings.register_profile("patient", deadline=None)
settings.load_profile("patient")


@pytest.fixture(autouse=True)
def this_host_is_no_part_of_a_test(monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither its configuration nor how busy it is."""
    monkeypatch.setattr(load, "USUAL", _TESTS / "no" / "config.yml")
    monkeypatch.setattr(exporter, "TIMEOUT_S", PATIENCE_S)
    monkeypatch.setattr(exporter, "HISTORY_TIMEOUT_S", PATIENCE_S)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Mark each test with the name of its folder under tests/; order them for many processes."""
    for item in items:
        if item.path.is_relative_to(_TESTS):
            item.add_marker(item.path.relative_to(_TESTS).parts[0])
    if hasattr(config, "workerinput"):
        items.sort(key=lambda item: _LONGEST_FIRST.index(_folder(item.nodeid)))


@pytest.hookimpl(optionalhook=True)  # without pytest-xdist the tests run in one process
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """The scheduler of `--dist=loadscope`; its scopes are files, and the laboratory's machine."""
    from xdist.scheduler import LoadScopeScheduling

    class Together(LoadScopeScheduling):  # type: ignore[misc]
        def _split_scope(self, nodeid: str) -> str:
            file = nodeid.partition("::")[0]
            shared = _folder(file) == "lab" and not file.endswith(_MACHINE_OF_THEIR_OWN)
            return "tests/lab" if shared else file

    return Together(config, log)


def _folder(nodeid: str) -> str:
    return nodeid.split("/")[1]
