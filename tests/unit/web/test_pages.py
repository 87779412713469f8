"""The pages for people: well formed, accessible, self-contained, and safe from what disks say."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from spinledger.config.settings import Tariff
from spinledger.facts import DiskView, Snapshot
from spinledger.model import DAY, HOUR, SECOND, State
from spinledger.web.app import Application, application
from spinledger.web.dress import CONTENT_SECURITY_POLICY, STYLE
from spinledger.web.onedisk import one_disk
from spinledger.web.overview import overview
from spinledger.web.sight import Booked, Piece, Sight, Wake
from tests.fakes.recorded import LONG, ZONE, losing, shelf, sight_of
from tests.fakes.series import changed
from tests.fakes.snapshots import WALL_NS, attic, disk, snapshot, view

VOID = {"meta", "br", "link", "img", "input", "hr"}  # HTML, 13.1.2 (void elements, those used)
DARK = Sight()


class _Reader(HTMLParser):
    """Collects tags, and fails on one closed out of order."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: dict[str, list[str]] = {}
        self.feed(page)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open:
            self.text.setdefault(self.open[-1], []).append(data)

    def all(self, tag: str) -> list[dict[str, str | None]]:
        """Attributes of each element of a tag."""
        return [attributes for name, attributes in self.tags if name == tag]


def pages() -> dict[str, str]:
    """Every kind of page."""
    whole, books = shelf(8)
    sight = sight_of(books)
    return {
        "all disks": overview(whole, sight),
        "a month": overview(whole, sight, "30d"),
        "one disk": one_disk(whole, whole.disks[0], sight),
        "no books": overview(attic(), DARK),
        "one, no books": one_disk(attic(), attic().disks[1], DARK),
        "no disk": overview(snapshot(), DARK),
        "nothing yet": overview(None, DARK),
    }


PAGES = pages()


@pytest.mark.parametrize("name", PAGES)
def test_the_page_is_accessible(name: str) -> None:
    """WCAG 2.2: language (3.1.1), title (2.4.2), headings (1.3.1), images (1.1.1), bypass (2.4.1).

    A browser with an accessibility checker looks at the pages too, in tests/browser.
    """
    page = _Reader(PAGES[name])
    assert [one["lang"] for one in page.all("html")] == ["en"]
    assert page.text["title"]
    assert len(page.all("h1")) == len(page.all("main")) == 1
    assert all(one.get("scope") in ("col", "row") for one in page.all("th"))
    for svg in page.all("svg"):
        assert svg.get("aria-hidden") == "true" or (svg["role"] == "img" and svg["aria-label"])
    targets = {one["id"] for _, one in page.tags if one.get("id")}
    used = [one["href"] for one in page.all("use")] + [page.all("a")[0]["href"]]
    assert {str(one).removeprefix("#") for one in used} <= targets
    ids = [one["id"] for _, one in page.tags if one.get("id")]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("name", PAGES)
def test_nothing_comes_from_outside(name: str) -> None:
    """No image, form or foreign address; style and script are those the policy admits."""
    text = PAGES[name]
    page = _Reader(text)
    assert not {"img", "link", "form", "iframe", "object"} & {tag for tag, _ in page.tags}
    assert "//" not in text
    assert not [one for _, attributes in page.tags for one in attributes if one == "style"]
    # Content Security Policy Level 3, 6.7.3.2: the hash is over the element's text.
    directives = CONTENT_SECURITY_POLICY.split("; ")
    assert "default-src 'none'" in directives
    assert "unsafe" not in CONTENT_SECURITY_POLICY
    for tag in ("style", "script"):
        (inside,) = re.findall(f"<{tag}>(.*?)</{tag}>", text, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in directives


def test_colours_are_of_the_published_palette() -> None:
    """State colours are Okabe and Ito's, as in Nature Methods 8 (2011), 441, figure 2."""
    published = {"e69f00", "56b4e9", "009e73", "f0e442", "0072b2", "d55e00", "cc79a7", "000000"}
    given = dict(re.findall(r"--(turn|used|rest|doubt|good): #([0-9a-f]{6})", STYLE))
    assert set(given) == {"turn", "used", "rest", "doubt", "good"}
    assert set(given.values()) <= published
    assert len(set(given.values())) == 5


def status_of(app: Application, path: str) -> str:
    """The status line of a page."""
    got: list[str] = []
    app({"PATH_INFO": path}, lambda status, headers: got.append(status))
    return got[0]


@pytest.mark.parametrize("books", [None, lambda query: iter([b"{}"])], ids=["no books", "books"])
def test_links_lead_to_pages_that_are_there(books: object) -> None:
    """Every link is answered by the application; /history only where provided."""
    app = application(attic, books)  # type: ignore[arg-type]
    for text in (
        overview(attic(), DARK, history=books is not None),
        one_disk(attic(), attic().disks[0], DARK, books is not None),
    ):
        linked = {str(one["href"]) for one in _Reader(text).all("a")} - {"#main"}
        assert ("/history" in linked) is (books is not None)
        for path in linked:
            assert status_of(app, path.partition("?")[0]) == "200 OK"


def test_findings_come_first_and_once() -> None:
    """Three disks with one finding are told in one sentence, before any strip."""
    whole, books = shelf(8)
    text = overview(whole, sight_of(books))
    assert text.count("A question restarts this drive&#x27;s timer<") == 1
    assert text.index("A question restarts") < text.index('class="strip"')
    assert "<h2>1 finding</h2>" in text
    assert '<h2>Findings</h2><p class="soft">None.</p>' in overview(snapshot(view(1)), DARK)


def test_the_zone_is_stated() -> None:
    """The page says whose clock its times are, and which zone a schedule keeps."""
    text = PAGES["all disks"]
    assert f"times are those of {ZONE}." in text
    assert f"quiet hours: nights, in {ZONE}" in text
    # 1 790 000 000 s is 14:13:20 UTC (date -u -d @1790000000), 16:13 in Prague's summer.
    assert '<time datetime="2026-09-21T16:13+0200">Mon 21 Sep 2026, 16:13</time>' in text


@pytest.mark.parametrize(
    ("wanted", "title"),
    [("", "24 hours"), ("7d", "7 days"), ("30d", "30 days"), ("9y", "24 hours")],
)
def test_the_range_is_part_of_the_address(wanted: str, title: str) -> None:
    """A range is chosen by its link, without a script; an unknown one is the first."""
    whole, books = shelf(1)
    text = overview(whole, sight_of(books), wanted)
    assert re.findall(r'aria-current="page">([^<]*)<', text) == [title]
    assert f'aria-label="Last {title}: ' in text


def test_a_disk_shows_its_books() -> None:
    """Spin-ups with cause and actor, days, wear with a date, energy and timers are on its page."""
    whole, books = shelf(1)
    (identity,) = books
    wake = Wake(WALL_NS - HOUR, True, "read", "backup <nightly>", 9 * SECOND)
    sight = sight_of({identity: Booked((Piece(WALL_NS - DAY, WALL_NS, "standby", 0),), (wake,))})
    text = one_disk(whole, whole.disks[0], sight)
    assert "</time>, read, by backup &lt;nightly&gt;, waited 9 s</li>" in text
    assert "1 spin-up on 2 days" in text
    # 90 spin-ups in the 30 days of `state_seconds`, 1200 s timer: 3 a day.
    assert '<th scope="row">20 min</th><td class="num">3</td>' in text
    # Break-even, E / (P_idle - P_standby): 120 J / (5.7 W - 0.7 W). Albers, CACM May 2010, p. 91.
    assert "<dt>A sleep saves from</dt><dd>24 s</dd>" in text
    # 1 790 000 000 + 2e8 s and + 3e8 s, by date(1).
    assert "<dd>Jan 2033 to Mar 2036</dd>" in text
    assert "<dd>1.6 kWh</dd>" in text  # (6e6 - 1e5) J saved / 3.6e6 J per kWh


def test_a_disk_over_its_limit_is_marked() -> None:
    """From the snapshot's ratio of the longest window at or above one, in words and a sign."""
    whole, books = shelf(12)
    text = overview(whole, sight_of(books))
    assert text.count("! over its limit in 1 d") == 3  # 12, 13 and 14 of 12


def _odd(model: str) -> tuple[Snapshot, DiskView]:
    odd = changed(view(0), disk=replace(disk(0), model=model, pool=model, serial=model))
    return snapshot(odd), odd


def test_what_a_disk_says_is_only_text() -> None:
    """A model string with markup, or with bytes that are no text, is shown and does nothing."""
    whole, odd = _odd("<script>&\"'</script>\udcff")
    for text in (overview(whole, DARK), one_disk(whole, odd, DARK)):
        assert len(_Reader(text).all("script")) == 1  # ours
        assert "&lt;script&gt;&amp;&quot;&#x27;&lt;/script&gt;?" in text
        text.encode()


def test_unknown_states_say_why() -> None:
    """A disk that cannot be read is said to be so, with the reason; long names stay whole."""
    text = overview(attic(), DARK)
    assert "not known for 1 min: no answer at the deadline" in text
    assert text.count("Nothing booked in this time.") == 4
    whole, odd = _odd(LONG)
    assert LONG in one_disk(whole, odd, DARK)
    assert view(3, State.UNKNOWN).facts.why


@pytest.mark.parametrize(
    ("state", "changes", "words"),
    [
        (State.STANDBY, {}, "asleep for 1 min"),
        (State.STANDBY, {"since_seen": False}, "asleep for at least 1 min"),
        (
            State.STANDBY,
            {"since_seen": False, "untouched_wall_ns": WALL_NS - 7 * HOUR},
            "asleep for at least 1 min, untouched for 7 h",
        ),
        (State.IDLE, {"untouched_wall_ns": WALL_NS - 20 * SECOND}, "idle for 20 s"),
        (
            State.IDLE,
            {"since_seen": False, "untouched_wall_ns": WALL_NS - HOUR},
            "idle for at least 1 min, untouched for 1 h",
        ),
        (State.ACTIVE, {}, "in use now, turning for 1 min"),
        (State.ACTIVE, {"since_seen": False}, "in use now, turning for at least 1 min"),
    ],
)
def test_how_long_is_never_said_from_the_first_look(
    state: State, changes: dict[str, int], words: str
) -> None:
    """What was so when watching began again was so before: at least; the last use is remembered."""
    seen = replace(view(0, state), **changes)  # type: ignore[arg-type]
    assert f"{words}<" in overview(snapshot(seen), DARK)


def test_no_disk_is_said() -> None:
    """A host without rotating disks gets a sentence, and the number of devices passed over."""
    text = PAGES["no disk"]
    assert "No rotating disk is watched." in text
    assert "Not watched: 2 block devices" in text
    assert "<table>" not in text
    assert "No reading yet." in PAGES["nothing yet"]


def test_a_month_of_sixty_busy_disks_is_small() -> None:
    """Three hundred kilobytes at most; the time is measured in tests/bench/bench_page.py."""
    whole, books = shelf(60)
    assert len(overview(whole, sight_of(books), "30d").encode()) < 300_000


TARIFF = Tariff("EUR", 0.30)


def test_without_a_tariff_there_is_energy_alone() -> None:
    """A page names kilowatt-hours, and no money that nobody told it the price of."""
    whole, books = shelf(2)
    for text in (
        overview(whole, sight_of(books)),
        one_disk(whole, whole.disks[0], sight_of(books)),
    ):
        assert "kWh" in text
        assert "EUR" not in text
        assert "Tariff" not in text


def test_a_tariff_makes_money_of_energy() -> None:
    """What a disk saves in a year costs joules / 3.6e6 x the price: NIST SP 811 (2008), B.8, kW h.

    Seen in 30 days: 9.1 MJ spent, 5.9 MJ saved. A Julian year has 365.25 days, so 30.8 kWh and
    20.0 kWh; at 0.30 a kWh 9.23 and 5.99. Two such disks together have twice as much.
    """
    whole, books = shelf(2)
    sight = replace(sight_of(books), tariff=lambda: TARIFF)
    table = overview(whole, sight)
    assert "less what spin-ups cost at 0.30 EUR a kWh" in table
    assert table.count('<td class="num">30.8 kWh</td>') == 2
    assert table.count('<td class="num">20.0 kWh, 5.99 EUR</td>') == 2
    (foot,) = re.findall("<tfoot>(.*?)</tfoot>", table)
    assert "61.6 kWh<" in foot
    assert "39.9 kWh, 11.97 EUR" in foot
    one = one_disk(whole, whole.disks[0], sight)
    assert "<dt>Spent a year, at this pace</dt><dd>30.8 kWh, 9.23 EUR</dd>" in one
    assert "<dt>Saved a year, at this pace</dt><dd>20.0 kWh, 5.99 EUR</dd>" in one
    assert "<dt>Tariff</dt><dd>0.30 EUR a kWh</dd>" in one


def test_a_loss_is_called_one() -> None:
    """A disk whose spin-ups cost more than its sleep saved has lost, by that amount."""
    whole, books = shelf(1)
    bad = losing(whole.disks[0], 3.6e6)
    sight = replace(sight_of(books), tariff=lambda: TARIFF)
    # 1 kWh in 30 days is 12.175 kWh in 365.25.
    assert "lost 12.2 kWh, 3.65 EUR</span>" in overview(replace(whole, disks=(bad,)), sight)
    assert '<span class="bad">lost 1 kWh</span>' in one_disk(whole, bad, sight)


def test_a_year_is_not_told_from_half_a_day() -> None:
    """Before a whole day was watched, neither energy nor money a year is told."""
    whole, books = shelf(1)
    first = whole.disks[0]
    short = changed(first, {"state_seconds": {("idle",): 43_200.0, ("standby",): 0}})
    sight = replace(sight_of(books), tariff=lambda: TARIFF)
    assert "EUR</td>" not in overview(replace(whole, disks=(short,)), sight)
    assert "a year, at this pace" not in one_disk(whole, short, sight)
