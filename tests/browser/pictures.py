"""Takes the pictures of the README: python -m tests.browser.pictures.

Rules: of a rehearsed archive, at its real size and in the browser's own colours; small files. The
page is at eight in the morning after a month; a waker that ran away in its last day is on it.
"""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest.mock import patch
from zoneinfo import ZoneInfo

from playwright.sync_api import Browser, sync_playwright

from spinledger.app.rehearsing import Rehearsal, rehearse
from spinledger.app.sights import Books
from spinledger.config.load import host_zone
from spinledger.model import Snapshot
from spinledger.store.books import read
from spinledger.web.server import WebServer
from spinledger.web.sight import Sight
from tests.browser.conftest import ARGUMENTS, CHROMIUM, WIDE
from tests.fakes.booked import nights
from tests.fakes.scraped import INSTANCE, ROOT, STEP_NS, Scrape, month

PICTURES = ROOT / "dashboards" / "pictures"
DAYS = 29 + 11 / 24  # from 21:00 UTC to 08:00 UTC
DISK = "sim-attic-frames-1"
TALLEST = 1100  # of a picture, in pixels


def main() -> None:
    """Rehearse, serve, look."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        _pages(browser, Path(folder))
        _consoles(browser, Path(folder))
        browser.close()


class _Last(Scrape):
    """Keeps the newest snapshot, and writes nothing."""

    last: Snapshot | None = None

    def publish(self, snapshot: Snapshot) -> None:
        """Take it."""
        self._next_ns = snapshot.at_ns + STEP_NS
        _Last.last = snapshot


def _pages(browser: Browser, folder: Path) -> None:
    ledger = folder / "month.db"
    with patch("spinledger.app.rehearsing.Backfill", _Last), (folder / "none").open("w") as out:
        rehearse(Rehearsal(days=DAYS, faults=("runaway_waker@2026-03-30T22:00",)), ledger, out)
    zone = host_zone() or "UTC"
    calendar = nights(zone)
    sight = Sight(
        Books(lambda: read(ledger)),
        lambda: {"nights": calendar},
        ZoneInfo(zone),
        zone,
        "attic",
    )
    server = WebServer(("127.0.0.1", 0), lambda: _Last.last, sight=sight)
    server.start()
    try:
        _take(browser, server.url, "page.png")
        _take(browser, f"{server.url}disk/{DISK}", "disk.png")
    finally:
        server.stop()


def _consoles(browser: Browser, folder: Path) -> None:
    since = datetime.now(UTC) - timedelta(hours=12)
    fault = f"runaway_waker@{since:%Y-%m-%dT%H:%M}"
    with month(folder, Rehearsal(days=DAYS, faults=(fault,))) as running:
        _take(browser, f"{running.url}/consoles/spinledger.html", "console.png")
        one = f"spinledger-disk.html?instance={INSTANCE}&disk={DISK}"
        _take(browser, f"{running.url}/consoles/{one}", "console-disk.png")


def _take(browser: Browser, url: str, name: str) -> None:
    page = browser.new_page(viewport={"width": WIDE, "height": 800}, color_scheme="light")
    page.goto(url)
    tall = page.evaluate("document.documentElement.scrollHeight")
    page.set_viewport_size({"width": WIDE, "height": min(TALLEST, tall)})
    page.screenshot(path=PICTURES / name)
    page.close()
    print(name, (PICTURES / name).stat().st_size)


if __name__ == "__main__":
    main()
