"""Text that is safe in HTML. Rule: every text that comes from outside passes `safe`."""

from __future__ import annotations

import re
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
