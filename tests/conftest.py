"""Every test carries the marker of the folder it stands in: unit, integration, packs and so on."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import settings

_TESTS = Path(__file__).parent

# A slow machine is no fault of an example's.
settings.register_profile("patient", deadline=None)
settings.load_profile("patient")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark each test with the name of its folder under tests/."""
    for item in items:
        if item.path.is_relative_to(_TESTS):
            item.add_marker(item.path.relative_to(_TESTS).parts[0])
