"""The exporter's pages in a real browser, at desktop and phone width, light and dark.

Outside authorities: Chromium, which draws them and enforces their policy, and axe-core, which
checks them by WCAG 2.2.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest
from playwright.sync_api import Browser

from spinledger.app.packed import runbooks
from spinledger.config.settings import Tariff
from spinledger.facts import Snapshot
from spinledger.web.context import PageContext
from spinledger.web.server import WebServer
from tests.browser.conftest import EYES, NARROW, WIDE, Eyes, faults, opened, overflow
from tests.fakes.recorded import bad_night, context_of, losing, shelf
from tests.fakes.snapshots import attic, snapshot

EMPTY = PageContext()
LIGHT_WIDE, PHONE = Eyes(WIDE, "light"), Eyes(NARROW, "dark")

Scene = tuple[Callable[[], Snapshot | None], PageContext]


def _shelf(disks: int, long_names: bool = False) -> Scene:
    whole, histories = shelf(disks, long_names)
    return lambda: whole, context_of(histories)


def _priced() -> Scene:
    """A tariff is set, and one of the disks loses by its short sleeps."""
    whole, histories = shelf(3)
    disks = (whole.disks[0], losing(whole.disks[1], 4e6), whole.disks[2])
    priced = replace(context_of(histories), tariff=lambda: Tariff("EUR", 0.30))
    return lambda: replace(whole, disks=disks), priced


def _bad_night() -> Scene:
    whole, histories = bad_night()
    return lambda: whole, replace(context_of(histories), runbooks=runbooks())


SCENES: dict[str, Scene] = {
    "1 disk": _shelf(1),
    "8 disks": _shelf(8),
    "60 disks": _shelf(60),
    "100 disks": _shelf(100),
    "long names": _shelf(8, long_names=True),
    "tariff": _priced(),
    "bad night": _bad_night(),
    "nothing recorded": (attic, EMPTY),
    "no disk": (lambda: snapshot(), EMPTY),
    "no reading yet": (lambda: None, EMPTY),
}
# Common scenes in all widths and colours; the largest and the emptiest in two.
VIEWS = [
    *(
        (scene, path, eyes)
        for scene, path in (
            ("1 disk", "/"),
            ("8 disks", "/"),
            ("8 disks", "/disk/first"),
            ("long names", "/"),
            ("nothing recorded", "/"),
            ("bad night", "/"),
        )
        for eyes in EYES
    ),
    ("60 disks", "/", LIGHT_WIDE),
    ("60 disks", "/?range=30d", PHONE),
    ("8 disks", "/?range=30d", Eyes(WIDE, "dark")),
    ("8 disks", "/?range=7d", Eyes(NARROW, "light")),
    ("long names", "/disk/first", PHONE),
    ("tariff", "/", LIGHT_WIDE),
    ("tariff", "/disk/first", PHONE),
    ("nothing recorded", "/disk/first", PHONE),
    ("bad night", "/runbooks/DiskCyclesRunaway", PHONE),
    ("bad night", "/runbooks/", PHONE),
    ("no disk", "/", LIGHT_WIDE),
    ("no reading yet", "/", PHONE),
]


@pytest.fixture(scope="module")
def urls() -> Iterator[dict[str, str]]:
    """A server for each scene."""
    servers = {
        name: WebServer(("127.0.0.1", 0), current, context=context)
        for name, (current, context) in SCENES.items()
    }
    for server in servers.values():
        server.start()
    yield {name: server.url.rstrip("/") for name, server in servers.items()}
    for server in servers.values():
        server.stop()


def address(urls: dict[str, str], scene: str, path: str) -> str:
    """The address; `first` stands for the scene's first disk."""
    now = SCENES[scene][0]()
    first = now.disks[0].disk.identity if now and now.disks else ""
    return urls[scene] + path.replace("first", first)


@pytest.mark.parametrize(("scene", "path", "eyes"), VIEWS, ids=str)
def test_pages_can_be_used_by_anybody(
    browser: Browser, axe: str, urls: dict[str, str], scene: str, path: str, eyes: Eyes
) -> None:
    """Nothing serious is found, nothing sticks out sideways, and nothing is complained of."""
    with opened(browser, eyes, address(urls, scene, path)) as page:
        assert faults(page, axe) == []
        assert overflow(page) == 0
        ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
        assert (ground == "rgb(255, 255, 255)") is (eyes.scheme == "light")


def test_the_checker_sees(browser: Browser, axe: str, urls: dict[str, str]) -> None:
    """The same check of a page that was spoilt finds a picture without words and a pale text."""
    with opened(browser, LIGHT_WIDE, urls["8 disks"]) as page:
        page.evaluate(
            "document.querySelector('.strip').removeAttribute('aria-label');"
            "document.querySelector('h1').style.color = '#ddd'"
        )
        found = " ".join(faults(page, axe))
    assert "svg-img-alt" in found
    assert "color-contrast" in found


def test_pages_need_no_script(browser: Browser, urls: dict[str, str]) -> None:
    """Without scripts the strips, the ranges by their links, and a disk's page are all there."""
    with opened(browser, PHONE, urls["8 disks"], scripts=False) as page:
        assert page.locator("svg.strip").count() == 8
        page.get_by_role("link", name="30 days").click()
        assert page.get_by_role("link", name="30 days").get_attribute("aria-current") == "page"
        page.locator("li a").first.click()
        assert page.locator("svg.strip").count() == 3
        assert page.locator("button").count() == 0


def test_the_pointer_shows_time_and_state(browser: Browser, urls: dict[str, str]) -> None:
    """Over a strip a line shows the local time of the page's zone, and the state drawn there.

    At half of the last 24 h before 16:13 in Prague it is 04:13, whatever the browser's own zone.
    """
    with opened(browser, LIGHT_WIDE, urls["8 disks"]) as page:
        box = page.locator("svg.strip").first.bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] - 3)
        shown = page.locator("#hair span").inner_text()
        assert "04:13" in shown or "04:12" in shown
        assert shown.rpartition(", ")[2] in ("spinning", "asleep", "unknown")
        page.mouse.move(5, 5)
        assert page.locator("#hair").count() == 0


def test_a_tap_reads_a_strip(browser: Browser, urls: dict[str, str]) -> None:
    """A finger gets what the pointer gets, and the reading stays until the next tap elsewhere."""
    context = browser.new_context(viewport={"width": NARROW, "height": 800}, has_touch=True)
    page = context.new_page()
    page.goto(urls["8 disks"])
    strip = page.locator("svg.strip").first
    strip.scroll_into_view_if_needed()
    box = strip.bounding_box()
    assert box is not None
    page.touchscreen.tap(box["x"] + box["width"] / 2, box["y"] + box["height"] - 3)
    shown = page.locator("#hair span").inner_text()
    assert "04:13" in shown or "04:12" in shown
    page.touchscreen.tap(5, box["y"] - 30)
    assert page.locator("#hair").count() == 0
    context.close()


def test_order_and_selection_are_links(browser: Browser, urls: dict[str, str]) -> None:
    """Of many disks those with findings can be shown, worst first, without a script."""
    with opened(browser, LIGHT_WIDE, urls["60 disks"], scripts=False) as page:
        assert page.locator("svg.strip").count() == 60
        page.get_by_role("link", name="worst first").click()
        page.get_by_role("link", name="with findings").click()
        assert page.locator("h2", has_text="Worst first").is_visible()
        assert 0 < page.locator("svg.strip").count() < 60
        chosen = page.locator("nav a[aria-current]").all_inner_texts()
        assert chosen == ["24 hours", "worst first", "with findings"]


@pytest.mark.parametrize(("disks", "most"), [("60 disks", 4000), ("100 disks", 6000)])
def test_many_disks_fit(browser: Browser, urls: dict[str, str], disks: str, most: int) -> None:
    """A hundred disks in 6,000 pixels at desktop width."""
    with opened(browser, LIGHT_WIDE, urls[disks]) as page:
        assert page.evaluate("document.documentElement.scrollHeight") <= most


def test_the_keyboard_reaches_everything(browser: Browser, urls: dict[str, str]) -> None:
    """The first stop leads past the header; links, findings and the table can be reached."""
    with opened(browser, LIGHT_WIDE, urls["8 disks"]) as page:
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        reached = set()
        for _ in range(60):
            page.keyboard.press("Tab")
            reached.add(page.evaluate("document.activeElement.tagName"))
        assert {"A", "BUTTON", "SUMMARY", "DIV"} <= reached
        page.locator("summary").first.focus()
        page.keyboard.press("Enter")
        assert page.locator("details[open]").count() == 1


def test_the_page_updates_itself(browser: Browser, urls: dict[str, str]) -> None:
    """After a minute the page has the newest state, opened findings stay open, and it can be
    stopped.
    """
    context = browser.new_context()
    page = context.new_page()
    page.clock.install()
    page.goto(urls["8 disks"])
    page.locator("summary").first.click()
    page.evaluate("document.activeElement.blur()")
    page.evaluate("document.querySelector('#live').dataset.old = 'yes'")
    page.clock.run_for(61_000)
    page.locator("#live:not([data-old])").wait_for(state="attached")
    assert page.locator("details[open]").count() == 1
    assert page.locator("svg.strip").count() == 8
    page.get_by_role("button", name="Pause updates").click()
    page.evaluate("document.querySelector('#live').dataset.old = 'yes'")
    requested: list[str] = []
    page.on("request", lambda request: requested.append(request.url))
    page.clock.run_for(180_000)
    assert requested == []
    assert page.get_by_role("button", name="Update every minute").is_visible()
    context.close()


def test_forced_colours_show_what_is_chosen(browser: Browser, urls: dict[str, str]) -> None:
    """Where the system sets all colours, the chosen range still differs from the others, and strips
    keep their shapes.
    """
    with opened(browser, LIGHT_WIDE, urls["8 disks"]) as page:
        page.emulate_media(forced_colors="active")
        colour = "one => getComputedStyle(one).backgroundColor"
        chosen = page.locator("nav.range a[aria-current]").first.evaluate(colour)
        others = page.locator("nav.range a:not([aria-current])").first.evaluate(colour)
        assert chosen != others
        fill = page.locator(".strip path.t").first.evaluate("one => getComputedStyle(one).fill")
        assert fill == "rgb(230, 159, 0)"  # E69F00 of the palette, not replaced


def test_print_is_light_and_has_no_controls(browser: Browser, urls: dict[str, str]) -> None:
    """On paper a dark page is light, strips keep their colours, findings are unfolded, and buttons
    are left out.
    """
    with opened(browser, Eyes(WIDE, "dark"), urls["8 disks"]) as page:
        page.emulate_media(media="print", color_scheme="dark")
        ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
        assert ground == "rgb(255, 255, 255)"
        assert not page.locator("nav").is_visible()
        assert not page.locator("button").is_visible()
        for event, opened_findings in (("beforeprint", 1), ("afterprint", 0)):
            page.evaluate(f"dispatchEvent(new Event('{event}'))")
            assert page.locator(".found[open]").count() == opened_findings
        adjust = page.evaluate(
            "getComputedStyle(document.querySelector('.strip path')).printColorAdjust"
        )
        assert adjust == "exact"
        page.set_viewport_size({"width": 718, "height": 1000})  # A4 less 10 mm margins, at 96 dpi
        assert overflow(page) == 0
        table = "document.querySelector('.wide-table')"
        assert page.evaluate(f"{table}.scrollWidth <= {table}.clientWidth")
        assert page.pdf().startswith(b"%PDF-")
