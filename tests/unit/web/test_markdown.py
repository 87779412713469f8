"""Runbooks as HTML, against markdown-it-py, an implementation of CommonMark."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest
from markdown_it import MarkdownIt

from spinledger.web.markdown import html
from tests.fakes.scraped import ROOT

RUNBOOKS = sorted((ROOT / "rules" / "runbooks").glob("*.md"))


def plain(markup: str) -> str:
    """Without what may differ: paragraphs in tight lists, languages of code, blanks, entities."""
    markup = re.sub(r' class="[^"]*"|</?p>', "", markup)
    return unescape("\n".join(filter(None, map(str.strip, re.split(r"\n|(?=<)|(?<=>)", markup)))))


@pytest.mark.parametrize("path", RUNBOOKS, ids=[path.stem for path in RUNBOOKS])
def test_runbooks_are_what_commonmark_makes_of_them(path: Path) -> None:
    """Every shipped runbook gives the reference's HTML."""
    text = path.read_text(encoding="utf-8")
    assert plain(html(text)) == plain(MarkdownIt().render(text))


def test_markup_from_a_text_is_escaped() -> None:
    """Nothing that stands in a text becomes a tag or an attribute."""
    text = 'A <b>\n\n- `<i>` [x](a"onclick=)\n\n```\n<u>\n```\n'
    shown = html(text)
    assert "<b>" not in shown
    assert "<i>" not in shown
    assert "<u>" not in shown
    assert 'href="a&quot;onclick="' in shown
