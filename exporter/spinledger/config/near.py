"""How an error message shows what somebody wrote, and guesses what was meant.

Rules of this room: a shown value is one printable line of bounded length, whatever was written.
"""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

LONGEST = 60


def printable(text: str) -> str:
    """The text on one line; what cannot be printed is escaped."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def shown(text: str) -> str:
    """The text in double quotes, cut to a readable length."""
    line = printable(text)
    return f'"{line}"' if len(line) <= LONGEST else f'"{line[:LONGEST]}..."'


def nearest(text: str, known: Iterable[str]) -> str:
    """The known word that is most like the text; empty when none is near."""
    spelled = {word.lower(): word for word in known}
    found = get_close_matches(text[:LONGEST].lower(), spelled, n=1, cutoff=0.6)
    return spelled[found[0]] if found else ""
