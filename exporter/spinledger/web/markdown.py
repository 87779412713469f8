"""Runbooks as HTML: the part of Markdown that they are written in.

Rules: pure. Headings, paragraphs, lists that may hold blocks, fenced code; code spans, strong text
and links (CommonMark 0.31.2, sections 4.2, 4.5, 4.8, 5.2, 6.1 to 6.3). Everything is escaped.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from spinledger.web.html import safe

_ITEM = re.compile(r"(-|\d+\.) +")
_CODE = re.compile("`([^`]+)`")
_LINK = re.compile(r"\[([^\]]+)\]\(([^)\s]+)\)")
_STRONG = re.compile(r"\*\*([^*]+)\*\*")


def html(text: str) -> str:
    """The whole text."""
    return _blocks(text.splitlines())


def _blocks(lines: Sequence[str]) -> str:
    parts = []
    at = 0
    while at < len(lines):
        line = lines[at]
        end = at + 1
        if line.startswith("#"):
            level = len(line) - len(line.lstrip("#"))
            parts.append(f"<h{level}>{_inline(line[level:].strip())}</h{level}>")
        elif line.startswith("```"):
            while end < len(lines) and lines[end] != "```":
                end += 1
            code = "".join(f"{safe(one)}\n" for one in lines[at + 1 : end])
            parts.append(f"<pre><code>{code}</code></pre>")
            end += 1
        elif item := _ITEM.match(line):
            end = _list_end(lines, at, item[1] == "-")
            parts.append(_list(lines[at:end], "ul" if item[1] == "-" else "ol"))
        elif line:
            while end < len(lines) and lines[end] and not _begins(lines[end]):
                end += 1
            paragraph = "\n".join(lines[at:end])
            parts.append(f"<p>{_inline(paragraph)}</p>")
        at = end
    return "\n".join(parts)


def _begins(line: str) -> bool:
    """Whether a line ends the paragraph above it."""
    return line.startswith(("#", "```")) or _ITEM.match(line) is not None


def _list_end(lines: Sequence[str], at: int, bullets: bool) -> int:
    """Where the list that begins at a line is over: at an outer line that is no item of it."""
    for end in range(at + 1, len(lines)):
        line = lines[end]
        item = _ITEM.match(line)
        if line and not line.startswith(" ") and (item is None or (item[1] == "-") is not bullets):
            return end
    return len(lines)


def _list(lines: Sequence[str], kind: str) -> str:
    items: list[list[str]] = []
    indent = 0
    for line in lines:
        if item := _ITEM.match(line):
            indent = len(item[0])
            items.append([line[indent:]])
        else:
            items[-1].append(line[indent:])
    inside = "".join(f"<li>{_blocks(item)}</li>" for item in items)
    return f"<{kind}>{inside}</{kind}>"


def _inline(text: str) -> str:
    """Code spans first: nothing in them is markup."""
    parts = []
    at = 0
    for code in _CODE.finditer(text):
        parts.append(_marks(text[at : code.start()]))
        line = code[1].replace("\n", " ")
        parts.append(f"<code>{safe(line)}</code>")
        at = code.end()
    return "".join([*parts, _marks(text[at:])])


def _marks(text: str) -> str:
    linked = _LINK.sub(r'<a href="\2">\1</a>', safe(text))
    return _STRONG.sub(r"<strong>\1</strong>", linked)
