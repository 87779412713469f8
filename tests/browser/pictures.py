"""Takes the pictures of the README: python -m tests.browser.pictures.

Rules: of a rehearsed archive, at its real size and in the browser's own colours; small files. The
pages and the terminal are at eight in the morning after a month, in the archive's own time zone; a
waker ran away the evening before. Prometheus knows the present alone, so its consoles are of now.
"""

from __future__ import annotations

import base64
import re
import struct
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from html import escape
from pathlib import Path
from typing import cast
from unittest.mock import patch
from zoneinfo import ZoneInfo

import numpy as np
from playwright.sync_api import Browser, Page, sync_playwright

from spinledger.app.pages import RecentHistories
from spinledger.cli import look
from spinledger.cli.exporter import histories, listening
from spinledger.cli.screen import Screen
from spinledger.config.load import load
from spinledger.facts import Snapshot
from spinledger.model import DAY, SECOND
from spinledger.sim.rehearse import Rehearsal, rehearse
from spinledger.store.export import answer
from spinledger.store.history import read
from spinledger.web.context import PageContext
from spinledger.web.server import WebServer
from tests.browser.conftest import ARGUMENTS, CHROMIUM
from tests.fakes.recorded import nights
from tests.fakes.scraped import INSTANCE, ROOT, STEP_NS, Scrape, fires, month

PICTURES = ROOT / "dashboards" / "pictures"
WIDE = 1040  # pixels: read well at the width that a page of text gives a picture
COLUMNS = 100  # of the terminal
ZONE = "Europe/Prague"
DAYS = 29 + 9 / 24  # from 21:00 UTC to 06:00 UTC, which is 08:00 in Prague's summer
FAULT = "runaway_waker@2026-03-30T16:00"
DISK = "sim-attic-frames-1"
CONFIGURATION = f"""
schedules:
  nights: {{zone: {ZONE}, windows: ["daily 22:00-07:00"]}}
tariff: {{currency: EUR, per_kwh: 0.30}}
"""
TERMINAL = """<style>body { margin: 0; background: #16181c; color: #ececec; }
pre { margin: 1rem; font: 15px/1.3 monospace; } b { color: #fff; } i { font-style: normal; }
.c1-31 { color: #ff9a55; font-weight: bold; } .c34 { color: #56b4e9; } .c33 { color: #f0e442; }
.c1 { font-weight: bold; }</style>"""


Array = np.ndarray[tuple[int, ...], np.dtype[np.int_]]

PIXELS = """async (taken) => {
  const file = await (await fetch("data:image/png;base64," + taken)).blob();
  const image = await createImageBitmap(file);
  const canvas = new OffscreenCanvas(image.width, image.height).getContext("2d");
  canvas.drawImage(image, 0, 0);
  const pixels = canvas.getImageData(0, 0, image.width, image.height).data;
  let text = "";
  for (let at = 0; at < pixels.length; at += 32768)
    text += String.fromCharCode(...pixels.subarray(at, at + 32768));
  return [image.width, btoa(text)];
}"""


def main() -> None:
    """Rehearse, serve, look."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        config = Path(folder) / "spinledger.yaml"
        config.write_text(CONFIGURATION, encoding="utf-8")
        _pages(browser, Path(folder), config)
        _consoles(browser, Path(folder), config)
        browser.close()


class _Last(Scrape):
    """Keeps the newest snapshot, and writes nothing."""

    last: Snapshot | None = None

    def publish(self, snapshot: Snapshot) -> None:
        """Take it."""
        self._next_ns = snapshot.at_ns + STEP_NS
        _Last.last = snapshot


def _pages(browser: Browser, folder: Path, config: Path) -> None:
    ledger = folder / "month.db"
    planned = Rehearsal(days=DAYS, faults=(FAULT,), zone=ZONE, config=config)
    with patch("spinledger.sim.rehearse.Backfill", _Last), (folder / "none").open("w") as out:
        done = rehearse(planned, ledger, out)
    tariff, calendar = load(config).tariff, nights(ZONE)
    context = PageContext(
        RecentHistories(lambda: read(ledger)),
        lambda: {"nights": calendar},
        ZoneInfo(ZONE),
        ZONE,
        "attic",
        lambda: tariff,
    )
    server = WebServer(
        ("127.0.0.1", 0),
        lambda: _Last.last,
        lambda query: answer(read(ledger), query, done.clock.wall()),
        context,
    )
    server.start()
    try:
        _take(browser, server.url, "page.png")
        _take(browser, f"{server.url}disk/{DISK}", "disk.png")
        _terminal(browser, server)
    finally:
        server.stop()


def _terminal(browser: Browser, server: WebServer) -> None:
    """What `spinledger look` prints, in a browser: its signs and colours, not a terminal's font."""
    address = ("127.0.0.1", int(server.url.rstrip("/").rpartition(":")[2]))
    exporter = listening(address)
    snapshot = exporter.snapshot()
    history = exporter.history(snapshot["at_wall"] - DAY / SECOND)
    assert history is not None
    page = Screen(COLUMNS, coloured=True)
    recent = histories(history, snapshot["at_wall"])
    lines = look.render(page, look.Picture(snapshot, recent, ZoneInfo(ZONE)))
    inside = re.sub(
        r"\x1b\[([\d;]+)m(.*?)\x1b\[0m",
        lambda found: f'<i class="c{found.group(1).replace(";", "-")}">{found.group(2)}</i>',
        escape("\n".join(lines), quote=False),
    )
    with _opened(browser) as shown:
        shown.set_content(f"{TERMINAL}<pre>$ spinledger look\n{inside}</pre>")
        _save(shown, "look.png")


def _consoles(browser: Browser, folder: Path, config: Path) -> None:
    since = datetime.now(UTC) - timedelta(hours=20)
    fault = f"runaway_waker@{since:%Y-%m-%dT%H:%M}+00:00"
    planned = Rehearsal(days=DAYS, faults=(fault,), zone=ZONE, config=config)
    with month(folder, planned) as running:
        assert fires(running, "DiskCyclesRunaway")
        _take(browser, f"{running.consoles}/consoles/spinledger.html", "console.png")
        one = f"spinledger-disk.html?instance={INSTANCE}&disk={DISK}"
        _take(browser, f"{running.consoles}/consoles/{one}", "console-disk.png")


@contextmanager
def _opened(browser: Browser) -> Iterator[Page]:
    page = browser.new_page(viewport={"width": WIDE, "height": 200}, color_scheme="light")
    yield page
    page.close()


def _take(browser: Browser, url: str, name: str) -> None:
    with _opened(browser) as page:
        page.goto(url)
        _save(page, name)


def _save(page: Page, name: str) -> None:
    """The whole page, with a palette: a fifth of the size of the browser's own file."""
    taken = base64.b64encode(page.screenshot(full_page=True)).decode()
    with _opened(cast(Browser, page.context.browser)) as blank:
        wide, encoded = blank.evaluate(PIXELS, taken)
    pixels = np.frombuffer(base64.b64decode(encoded), np.uint8).reshape(-1, 4)[:, :3]
    found, places, counts = np.unique(pixels, axis=0, return_inverse=True, return_counts=True)
    colours = _palette(found[np.argsort(-counts)].astype(int))
    apart = np.abs(found[:, None].astype(int) - colours[None]).sum(axis=2)
    places = apart.argmin(axis=1)[places]
    rows = places.astype(np.uint8).reshape(-1, wide)
    even = np.pad(rows, ((0, 0), (0, wide % 2)))
    pairs = even[:, 0::2] << 4 | even[:, 1::2]
    lines = np.insert(pairs, 0, 0, axis=1).tobytes()  # filter type 0 before each line
    head = struct.pack(">IIBBBBB", wide, len(rows), 4, 3, 0, 0, 0)  # PNG, 11.2.2: 4 bit, indexed
    parts = (
        (b"IHDR", head),
        (b"PLTE", colours.astype(np.uint8).tobytes()),
        (b"IDAT", zlib.compress(lines, 9)),
    )
    file = b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(*part) for part in (*parts, (b"IEND", b"")))
    (PICTURES / name).write_bytes(file)
    print(name, len(file), f"{len(colours)} colours")


def _palette(found: Array) -> Array:
    """At most 16 colours: the frequent ones as they are, no other far from one of them."""
    apart = 0
    while True:
        chosen = found[:1]
        for colour in found[1:]:
            if len(chosen) <= 16 and np.abs(chosen - colour).sum(axis=1).min() > apart:
                chosen = np.vstack((chosen, colour))
        if len(chosen) <= 16:
            return chosen
        apart += 6


def _chunk(kind: bytes, inside: bytes) -> bytes:
    """PNG, 5.3: length, type, data, CRC of type and data."""
    checksum = zlib.crc32(kind + inside)
    return struct.pack(">I", len(inside)) + kind + inside + struct.pack(">I", checksum)


if __name__ == "__main__":
    main()
