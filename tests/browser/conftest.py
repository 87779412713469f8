"""A browser, an accessibility checker, and the widths and colours of a page."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-background-networking",
]
AXE = "axe-core@4.10.3"
CACHE = Path(__file__).parents[2] / ".cache" / "browser"
WIDE, NARROW = 1280, 320


@dataclass(frozen=True, slots=True)
class Eyes:
    """Width of the window, and the colours the reader prefers."""

    width: int
    scheme: Literal["dark", "light"]

    def __str__(self) -> str:
        return f"{self.width}-{self.scheme}"


EYES = [Eyes(width, scheme) for width in (WIDE, NARROW) for scheme in ("light", "dark")]


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One browser for all tests."""
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield started
        started.close()


@pytest.fixture(scope="session")
def axe() -> str:
    """The checker's script, fetched by npm once."""
    script = CACHE / "node_modules" / "axe-core" / "axe.min.js"
    if not script.is_file():
        CACHE.mkdir(parents=True, exist_ok=True)
        npm = ["npm", "install", "--prefix", str(CACHE), "--no-save", "--ignore-scripts", AXE]
        subprocess.run(npm, check=True, capture_output=True)
    return script.read_text(encoding="utf-8")


@contextmanager
def opened(browser: Browser, eyes: Eyes, url: str, scripts: bool = True) -> Iterator[Page]:
    """A page, loaded. Afterwards it must have complained of nothing: no script fault, no load
    that its own policy refused.
    """
    context = browser.new_context(
        viewport={"width": eyes.width, "height": 800},
        color_scheme=eyes.scheme,
        java_script_enabled=scripts,
        timezone_id="America/New_York",  # not that of any page here
    )
    complaints: list[str] = []
    page = context.new_page()
    page.on("pageerror", lambda fault: complaints.append(str(fault)))
    page.on(
        "console",
        lambda message: (
            complaints.append(message.text)
            if message.type == "error" and "favicon" not in str(message.location)
            else None
        ),
    )
    page.goto(url)
    yield page
    context.close()
    assert complaints == []


def faults(page: Page, axe: str) -> list[str]:
    """What the checker finds that is serious or critical, by rule and place."""
    # By the debugger, since the page's policy admits no other script.
    page.evaluate(axe)
    found: Any = page.evaluate("axe.run({resultTypes: ['violations']})")
    return [
        f"{one['id']}: {one['help']}: {[node['html'][:120] for node in one['nodes'][:3]]}"
        for one in found["violations"]
        if one["impact"] in ("serious", "critical")
    ]


def overflow(page: Page) -> int:
    """How many pixels the page is wider than its window."""
    wider: int = page.evaluate(
        "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    )
    return wider
