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
from spinledger.model import DAY, HOUR, SECOND, Severity, State
from spinledger.strip import DiskHistory, Period, SpinUp
from spinledger.web.app import Application, application
from spinledger.web.assets import CONTENT_SECURITY_POLICY, STYLE
from spinledger.web.context import PageContext
from spinledger.web.onedisk import one_disk
from spinledger.web.overview import overview
from tests.fakes.recorded import LONG, ZONE, bad_night, context_of, losing, shelf
from tests.fakes.series import changed
from tests.fakes.snapshots import WALL_NS, attic, disk, full_view, snapshot, view

VOID = {"meta", "br", "link", "img", "input", "hr"}  # HTML, 13.1.2 (void elements, those used)
EMPTY = PageContext()


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
    whole, histories = shelf(8)
    context = context_of(histories)
    return {
        "all disks": overview(whole, context),
        "a month": overview(whole, context, {"range": "30d"}),
        "one disk": one_disk(whole, whole.disks[0], context),
        "no history": overview(attic(), EMPTY),
        "one, no history": one_disk(attic(), attic().disks[1], EMPTY),
        "no disk": overview(snapshot(), EMPTY),
        "nothing yet": overview(None, EMPTY),
    }


PAGES = pages()


@pytest.mark.parametrize("name", PAGES)
def test_the_page_is_accessible(name: str) -> None:
    """WCAG 2.2: language (3.1.1), title (2.4.2), headings (1.3.1), images (1.1.1), bypass (2.4.1).

    A browser with an accessibility checker checks the pages too, in tests/browser.
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
    colours = dict(re.findall(r"--(spin|active|sleep|unknown|good): #([0-9a-f]{6})", STYLE))
    assert set(colours) == {"spin", "active", "sleep", "unknown", "good"}
    assert set(colours.values()) <= published
    assert len(set(colours.values())) == 5


def status_of(app: Application, path: str) -> str:
    """The status line of a page."""
    got: list[str] = []
    app({"PATH_INFO": path}, lambda status, headers: got.append(status))
    return got[0]


@pytest.mark.parametrize("history", [None, lambda query: iter([b"{}"])], ids=["none", "some"])
def test_links_lead_to_pages_that_are_there(history: object) -> None:
    """Every link is answered by the application; /history only where provided."""
    app = application(attic, history)  # type: ignore[arg-type]
    for text in (
        overview(attic(), EMPTY, history=history is not None),
        one_disk(attic(), attic().disks[0], EMPTY, history is not None),
    ):
        linked = {str(one["href"]) for one in _Reader(text).all("a")} - {"#main"}
        assert ("/history" in linked) is (history is not None)
        for path in linked:
            assert status_of(app, path.partition("?")[0]) == "200 OK"


def test_findings_come_first_and_once() -> None:
    """Three disks with one finding share one sentence, before any strip."""
    whole, histories = shelf(8)
    text = overview(whole, context_of(histories))
    assert text.count("This is finding over_cycle_limit<") == 1
    assert text.index("This is finding over_cycle_limit") < text.index('class="strip"')
    assert "<h2>1 finding</h2>" in text
    assert '<h2>Findings</h2><p class="soft">None.</p>' in overview(snapshot(view(1)), EMPTY)


def test_a_life_that_ends_soon_is_marked() -> None:
    """The horizon is named in years beside it: three years as configured, and 6 years left."""
    whole, histories = shelf(1)
    first = whole.disks[0]
    policy = replace(first.policy, horizon_s=7 * 365.25 * 86400)
    sooner = replace(first, facts=replace(first.facts, policy=policy))
    assert "! within" not in overview(whole, context_of(histories))
    text = overview(replace(whole, disks=(sooner,)), context_of(histories))
    assert '6 to 10 years <span class="bad">! within 7 years</span>' in text


def test_last_night_comes_first() -> None:
    """The sentence, then the disks that slept too little, worst first, with links and remedies."""
    whole, histories = bad_night()
    text = overview(whole, context_of(histories))
    sentence = "4 of 8 disks slept at least half of it; for 1 disk it is unknown."
    assert text.index(sentence) < text.index('<ol class="short">') < text.index("1 finding</h2>")
    (rows,) = re.findall('<ol class="short">(.*?)</ol>', text)
    assert re.findall(">(sd.)</a>", rows) == ["sda", "sdg", "sdd"]
    assert "<code>spinledger capture --disk sdd --for 24h</code>" in rows
    one = one_disk(whole, whole.disks[3], context_of(histories))
    assert "the disk did not sleep at least half of it." in one
    assert "Asleep 33 %: spun up 6 times." in one


def test_many_disks_are_sorted_and_selected_by_the_address() -> None:
    """Worst first, those with findings alone; an unknown word is the default."""
    whole, histories = shelf(20)
    context = context_of(histories)
    worst = overview(whole, context, {"sort": "worst", "show": "findings"})
    shown = re.findall('<li class="row"><div class="name"><h3><a href="/disk/([^"]*)"', worst)
    numbers = [int(one[-4:], 16) for one in shown]
    assert numbers == [*range(19, 6, -1), 6, 0, 3]  # 0 and 3 are equally near to their limits
    odd = overview(whole, context, {"sort": "<b>", "show": "no"})
    assert odd == overview(whole, context)
    assert "<b>" not in odd.replace("<b>3</b>", "")[: odd.index("<ol>")]


def test_the_zone_is_stated() -> None:
    """The page names its time zone and that of each schedule."""
    text = PAGES["all disks"]
    assert f"times in the time zone {ZONE}." in text
    assert f"quiet hours nights, {ZONE} time" in text
    # 1 790 000 000 s is 14:13:20 UTC (date -u -d @1790000000), 16:13 in Prague's summer.
    assert '<time datetime="2026-09-21T16:13+0200">Mon 21 Sep 2026, 16:13</time>' in text


@pytest.mark.parametrize(
    ("name", "title"),
    [("", "24 hours"), ("7d", "7 days"), ("30d", "30 days"), ("9y", "24 hours")],
)
def test_the_range_is_part_of_the_address(name: str, title: str) -> None:
    """A range is chosen by its link, without a script; an unknown one is the first."""
    whole, histories = shelf(1)
    text = overview(whole, context_of(histories), {"range": name})
    assert re.findall(r'aria-current="page">([^<]*)<', text) == [title]
    assert f'aria-label="Last {title}: ' in text


def test_a_disk_shows_its_history() -> None:
    """Spin-ups with cause and actor, days, wear with a date, energy and timers are on its page."""
    whole, histories = shelf(1)
    (identity,) = histories
    spin_up = SpinUp(WALL_NS - HOUR, True, "read", "backup <nightly>", 9 * SECOND)
    context = context_of(
        {identity: DiskHistory((Period(WALL_NS - DAY, WALL_NS, "standby", 0),), (spin_up,))}
    )
    text = one_disk(whole, whole.disks[0], context)
    assert "</time>, read by backup &lt;nightly&gt;, waited 9 s</li>" in text
    assert "1 spin-up on 2 recorded days" in text
    # 90 spin-ups in the 30 days of `state_seconds`, 1200 s timer: 3 a day.
    assert '<th scope="row">20 min</th><td class="num">3</td>' in text
    # Break-even, E / (P_idle - P_standby): 120 J / (5.7 W - 0.7 W). Albers, CACM May 2010, p. 91.
    assert "<dt>Sleep saves energy after</dt><dd>24 s</dd>" in text
    # 1 790 000 000 + 2e8 s and + 3e8 s, by date(1).
    assert "<dd>Jan 2033 to Mar 2036</dd>" in text
    assert "<dd>1.6 kWh</dd>" in text  # (6e6 - 1e5) J saved / 3.6e6 J per kWh


def test_a_disk_over_its_limit_is_marked() -> None:
    """The window that is furthest over its limit, with both counts, in words and a sign."""
    whole, histories = shelf(12)
    text = overview(whole, context_of(histories))
    # Disk n had n spin-ups in the hour, of 7, and n + 3 in the day, of 12: the hour is worse.
    found = re.findall("! over its limit: ([^<]*)", text)
    assert found == 2 * [f"{number} of 7 in 1 h" for number in range(7, 12)]  # rows, week
    assert "less than once in a thousand years" in text


def _odd(model: str) -> tuple[Snapshot, DiskView]:
    odd = changed(view(0), disk=replace(disk(0), model=model, pool=model, serial=model))
    return snapshot(odd), odd


def test_what_a_disk_says_is_only_text() -> None:
    """A model string with markup, or with bytes that are no text, is shown and does nothing."""
    whole, odd = _odd("<script>&\"'</script>\udcff")
    for text in (overview(whole, EMPTY), one_disk(whole, odd, EMPTY)):
        assert len(_Reader(text).all("script")) == 1  # ours
        assert "&lt;script&gt;&amp;&quot;&#x27;&lt;/script&gt;?" in text
        text.encode()


def test_a_finding_says_since_when_and_the_worst_comes_first() -> None:
    """A page is above a ticket; the second line of a folded finding begins with its time."""
    plain = full_view(0)
    (one, *_) = plain.findings
    ticket = replace(one, code="late", sentence="Later", severity=Severity.TICKET)
    page = replace(one, code="soon", sentence="At once", severity=Severity.PAGE)
    began = replace(page, since_wall_ns=WALL_NS - HOUR)
    shown = overview(snapshot(replace(plain, findings=(ticket, began))), PageContext())
    assert shown.index("At once") < shown.index("Later")
    assert '<span class="first">Since 13:13. First: ' in shown  # WALL_NS is 14:13 UTC
    assert shown.count("Since ") == 1


def test_unknown_states_say_why() -> None:
    """A disk that cannot be read is said to be so, with the reason; long names stay whole."""
    text = overview(attic(), EMPTY)
    assert "unknown for 1 min: no answer at the deadline" in text
    assert text.count("Nothing recorded in this time.") == 4
    whole, odd = _odd(LONG)
    assert LONG in one_disk(whole, odd, EMPTY)
    assert view(3, State.UNKNOWN).facts.why


@pytest.mark.parametrize(
    ("state", "changes", "words"),
    [
        (State.STANDBY, {}, "asleep for 1 min"),
        (State.STANDBY, {"since_seen": False}, "asleep for at least 1 min"),
        (
            State.STANDBY,
            {"since_seen": False, "untouched_wall_ns": WALL_NS - 7 * HOUR},
            "asleep for at least 1 min, no I/O for 7 h",
        ),
        (State.IDLE, {"untouched_wall_ns": WALL_NS - 20 * SECOND}, "idle for 20 s"),
        (
            State.IDLE,
            {"since_seen": False, "untouched_wall_ns": WALL_NS - HOUR},
            "idle for at least 1 min, no I/O for 1 h",
        ),
        (State.ACTIVE, {}, "active now, spinning for 1 min"),
        (State.ACTIVE, {"since_seen": False}, "active now, spinning for at least 1 min"),
    ],
)
def test_a_state_that_began_unobserved_is_older_than_its_first_sample(
    state: State, changes: dict[str, int], words: str
) -> None:
    """Its age is at least the time since; the last I/O is remembered."""
    seen = changed(view(0, state), None, **changes)
    assert f"{words}<" in overview(snapshot(seen), EMPTY)


def test_a_host_without_disks() -> None:
    """A host without rotating disks gets a sentence, and the number of devices left out."""
    text = PAGES["no disk"]
    assert "No rotating disk found." in text
    assert "2 other block devices not watched" in text
    assert "<table>" not in text
    assert "No data yet" in PAGES["nothing yet"]


def test_a_month_of_sixty_busy_disks_is_small() -> None:
    """Three hundred kilobytes at most; the time is measured in tests/bench/bench_page.py."""
    whole, histories = shelf(60)
    assert len(overview(whole, context_of(histories), {"range": "30d"}).encode()) < 300_000


TARIFF = Tariff("EUR", 0.30)


def test_cautions_stand_beside_the_other_timers() -> None:
    """Where timers are compared, and only there: maker, rating, backup, RAID and pools."""
    timers = re.compile(r"<h2>Other timers</h2>(.*?)</section>", re.DOTALL)
    (compared,) = timers.findall(PAGES["one disk"])
    assert "<table>" in compared
    for caution in ("maker", "is rated for", "backups", "RAID controller", "time-outs"):
        assert caution in compared.partition("</table>")[2]
    (young,) = timers.findall(PAGES["one, no history"])
    assert "<table>" not in young
    assert "maker" not in young


def test_counts_of_spin_ups_on_a_page_agree() -> None:
    """Two observed and one by the counter: the chart, the list and the limits say so alike."""
    whole, histories = shelf(1)
    (identity,) = histories
    spin_ups = tuple(SpinUp(WALL_NS - at * HOUR, at > 1) for at in (5, 3, 1))
    periods = (Period(WALL_NS - DAY, WALL_NS, "standby", 0),)
    facts = whole.disks[0].facts
    windows = {**facts.windows, "30d": replace(facts.windows["30d"], count=2)}
    view = replace(whole.disks[0], facts=replace(facts, windows=windows))
    context = context_of({identity: DiskHistory(periods, spin_ups)})
    text = one_disk(replace(whole, disks=(view,)), view, context)
    assert "3 spin-ups on 2 recorded days, 1 by the drive&#x27;s counter alone;" in text
    assert "The newest 3 of 3 in 30 days." in text
    assert text.count("(from the drive's counter)") == 1
    assert 'class="num">Observed spin-ups</th>' in text
    assert '<th scope="row">30 d</th><td class="num">2</td>' in text


def test_without_a_tariff_there_is_energy_alone() -> None:
    """A page names kilowatt-hours, and no money without a price."""
    whole, histories = shelf(2)
    for text in (
        overview(whole, context_of(histories)),
        one_disk(whole, whole.disks[0], context_of(histories)),
    ):
        assert "kWh" in text
        assert "EUR" not in text
        assert "Tariff" not in text


def test_a_tariff_makes_money_of_energy() -> None:
    """What a disk saves in a year costs joules / 3.6e6 x the price: NIST SP 811 (2008), B.8, kW h.

    In 30 days: 9.1 MJ used, 5.9 MJ saved. A Julian year has 365.25 days, so 30.8 kWh and
    20.0 kWh; at 0.30 a kWh 9.23 and 5.99. Two such disks together have twice as much.
    """
    whole, histories = shelf(2)
    context = replace(context_of(histories), tariff=lambda: TARIFF)
    table = overview(whole, context)
    assert "minus what spin-ups cost at 0.30 EUR a kWh" in table
    assert table.count('data-title="Energy a year">30.8 kWh</td>') == 2
    assert table.count('data-title="Saved a year">20.0 kWh, 5.99 EUR</td>') == 2
    (foot,) = re.findall("<tfoot.*?>(.*?)</tfoot>", table)
    assert "61.6 kWh<" in foot
    assert "39.9 kWh, 11.97 EUR" in foot
    one = one_disk(whole, whole.disks[0], context)
    assert "<dt>Used a year, at this pace</dt><dd>30.8 kWh, 9.23 EUR</dd>" in one
    assert "<dt>Saved a year, at this pace</dt><dd>20.0 kWh, 5.99 EUR</dd>" in one
    assert "<dt>Tariff</dt><dd>0.30 EUR a kWh</dd>" in one


def test_a_loss_is_called_one() -> None:
    """A disk whose spin-ups cost more than its sleep saved has lost, by that amount."""
    whole, histories = shelf(1)
    bad = losing(whole.disks[0], 3.6e6)
    context = replace(context_of(histories), tariff=lambda: TARIFF)
    # 1 kWh in 30 days is 12.175 kWh in 365.25.
    assert "lost 12.2 kWh, 3.65 EUR</span>" in overview(replace(whole, disks=(bad,)), context)
    assert '<span class="bad">lost 1 kWh</span>' in one_disk(whole, bad, context)


def test_half_a_day_gives_no_figures_a_year() -> None:
    """Before a whole day was observed, neither energy nor money a year is shown."""
    whole, histories = shelf(1)
    first = whole.disks[0]
    short = changed(first, {"state_seconds": {("idle",): 43_200.0, ("standby",): 0}})
    context = replace(context_of(histories), tariff=lambda: TARIFF)
    assert "EUR</td>" not in overview(replace(whole, disks=(short,)), context)
    assert "a year, at this pace" not in one_disk(whole, short, context)
