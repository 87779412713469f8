"""The landing page: well formed, accessible, self-contained, and safe from what disks say."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import replace
from html.parser import HTMLParser

from spinledger.web.app import Application, application
from spinledger.web.pages import CONTENT_SECURITY_POLICY, landing
from tests.fakes.snapshots import attic, disk, snapshot, view

VOID = {"meta", "br", "link", "img", "input", "hr"}  # HTML, 13.1.2 (void elements, those used)


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

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open:
            self.text.setdefault(self.open[-1], []).append(data)

    def all(self, tag: str) -> list[dict[str, str | None]]:
        """Attributes of each element of a tag."""
        return [attributes for name, attributes in self.tags if name == tag]


def test_the_page_is_accessible() -> None:
    """WCAG 2.2: language (3.1.1), title (2.4.2), headings and table headers (1.3.1)."""
    page = _Reader(landing(attic(), history=True))
    assert page.all("html") == [{"lang": "en"}]
    assert page.text["title"] == ["Spinledger"]
    assert len(page.all("h1")) == len(page.all("main")) == len(page.all("caption")) == 1
    scopes = [attributes["scope"] for attributes in page.all("th")]
    assert scopes == ["col"] * 6 + ["row"] * 4


def test_there_is_one_line_a_disk() -> None:
    """Each disk has its row: state, why unknown, condition, and its findings' codes."""
    page = _Reader(landing(attic(), history=False))
    cells = page.text["td"]
    rows = [cells[start : start + 5] for start in range(0, len(cells), 5)]
    since = "2026-09-21 14:12:20 UTC"  # 1 790 000 000 s less 60 s, by date(1)
    assert rows == [
        ["sda", "LAB HDD 7200", "idle (idle_b)", since, "code_3"],
        ["sdb", "LAB HDD 7200", "active", since, "none"],
        ["sdc", "LAB HDD 7200", "standby", since, "none"],
        ["sdd", "LAB HDD 7200", "unknown: no answer at the deadline", since, "none"],
    ]


def status_of(app: Application, path: str) -> str:
    """The status line of a page."""
    got: list[str] = []
    app({"PATH_INFO": path}, lambda status, headers: got.append(status))
    return got[0]


def test_links_lead_to_pages_that_are_there() -> None:
    """Every link of the page is answered by the application; /history only where provided."""
    for books in (None, lambda query: iter([b"{}"])):
        linked = [
            str(attributes["href"])
            for attributes in _Reader(landing(attic(), books is not None)).all("a")
        ]
        assert ("/history" in linked) is (books is not None)
        for path in linked:
            assert status_of(application(attic, books), path) == "200 OK"


def test_nothing_comes_from_outside() -> None:
    """No script, image, form or foreign address; the style sheet is the one the policy admits."""
    text = landing(attic(), history=True)
    page = _Reader(text)
    assert not {"script", "img", "link", "form", "iframe", "object"} & {tag for tag, _ in page.tags}
    assert "//" not in text
    assert not [name for _, attributes in page.tags for name in attributes if name == "style"]
    # Content Security Policy Level 3, 6.7.3.2: the hash is over the element's text.
    (style,) = re.findall("<style>(.*?)</style>", text, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    directives = CONTENT_SECURITY_POLICY.split("; ")
    assert "default-src 'none'" in directives
    assert f"style-src 'sha256-{digest}'" in directives
    assert "unsafe" not in CONTENT_SECURITY_POLICY


def test_what_a_disk_says_is_only_text() -> None:
    """A model string with markup, or with bytes that are no text, is shown and does nothing."""
    odd = replace(view(0), disk=replace(disk(0), model="<script>&\"'</script>\udcff"))
    page = _Reader(landing(snapshot(odd), history=False))
    assert not page.all("script")
    assert "<script>&\"'</script>?" in page.text["td"]


def test_no_disk_is_said() -> None:
    """A host without rotating disks gets a sentence, and the number of devices passed over."""
    text = landing(snapshot(), history=False)
    assert "No rotating disk is watched." in text
    assert "Not watched: 2 block devices" in text
    assert "<table>" not in text
