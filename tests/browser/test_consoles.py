"""The console templates, served by a real Prometheus that holds a rehearsed day, in a browser.

Outside authorities: Prometheus, which fills them in, Chromium and axe-core, as for the pages.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from spinledger.sim.rehearse import Rehearsal
from tests.browser.conftest import EYES, WIDE, Eyes, faults, opened, overflow
from tests.fakes.scraped import INSTANCE, Month, month

DISK = f"spinledger-disk.html?instance={INSTANCE}&disk=sim-attic-flats-1"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Month]:
    """Eight disks, a day and a half."""
    with month(tmp_path_factory.mktemp("consoles"), Rehearsal(days=1.5)) as running:
        yield running


@pytest.mark.parametrize("eyes", EYES, ids=str)
@pytest.mark.parametrize("path", ["spinledger.html", DISK, "spinledger-disk.html"])
def test_consoles_can_be_used_by_anybody(
    browser: Browser, axe: str, served: Month, path: str, eyes: Eyes
) -> None:
    """Nothing serious is found, and nothing sticks out sideways."""
    with opened(browser, eyes, f"{served.consoles}/consoles/{path}") as page:
        assert faults(page, axe) == []
        assert overflow(page) == 0


def test_a_disk_is_reached_from_the_list(browser: Browser, served: Month) -> None:
    """The name of a disk leads to its own console, and back."""
    url = f"{served.consoles}/consoles/spinledger.html"
    with opened(browser, Eyes(WIDE, "light"), url) as page:
        assert page.locator("svg.strip").count() == 8
        page.locator("tbody a").first.click()
        assert "ATTIC" in page.locator("h1").inner_text()
        page.get_by_role("link", name="All disks").click()
        assert page.locator("svg.strip").count() == 8
