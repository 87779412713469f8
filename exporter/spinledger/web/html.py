"""Text that is safe in HTML. Rule: every text that comes from outside passes `safe`."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import tzinfo
from html import escape

from spinledger.words import local, moment


def safe(text: str) -> str:
    """HTML text, attribute values included; what is not UTF-8 becomes a question mark."""
    return escape(text).encode("utf-8", "replace").decode()


def marked_up(text: str) -> str:
    """HTML of a text whose commands and keys stand in backticks."""
    return re.sub("`([^`]+)`", r"<code>\1</code>", safe(text))


def time_tag(wall_ns: int, tz: tzinfo) -> str:
    """The moment for people and for programs."""
    return f'<time datetime="{local(wall_ns, tz):%Y-%m-%dT%H:%M%z}">{moment(wall_ns, tz)}</time>'


def wide_table(title: str, columns: Sequence[tuple[str, str]], rows: str, foot: str = "") -> str:
    """A table with many columns, each a title and a class. On a narrow screen a row is a block, and
    each cell shows its title; roles keep it a table there.
    """
    head = "".join(
        f'<th role="columnheader" scope="col"{class_of(kind)}>{text}</th>' for text, kind in columns
    )
    return (
        f'<div class="wide-table" role="region" aria-label="{title}" tabindex="0">'
        f'<table role="table"><thead role="rowgroup"><tr role="row">{head}</tr></thead>'
        f'<tbody role="rowgroup">{rows}</tbody>{foot}</table></div>'
    )


def wide_row(columns: Sequence[tuple[str, str]], name: str, cells: Sequence[str]) -> str:
    """One of its rows: its name, which is the first column, and the other cells, safe."""
    made = "".join(
        f'<td{class_of(kind)} role="cell" data-title="{title}">{cell}</td>' if cell else "<td></td>"
        for (title, kind), cell in zip(columns[1:], cells, strict=True)
    )
    return f'<tr role="row"><th role="rowheader" scope="row">{name}</th>{made}</tr>'


def class_of(kind: str) -> str:
    """The attribute, or none."""
    return f' class="{kind}"' if kind else ""
