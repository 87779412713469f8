"""A strip as characters, one an hour, and the hours of the day over it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo

from spinledger.model import DAY, HOUR
from spinledger.strip import Range, Strip
from spinledger.words import local

LAST_DAY = Range("24h", "24 hours", DAY, HOUR)
BY_HOUR = "00    06    12    18"
"""Over 24 characters that begin at midnight."""

_SIGNS = {"standby": "_", "spinning": "-", "active": "=", "unknown": "?", "unobserved": "."}
_MEANINGS = {
    "_": "_ asleep",
    "-": "- spinning",
    "=": "= mostly active",
    "?": "? unknown",
    ".": ". unobserved",
}


def signs(strip: Strip) -> str:
    """One sign a bin: its spin-ups, else the state that lasted longest; blank: nothing recorded."""
    return "".join(_sign(strip, at) for at in range(strip.shown.bins))


def _sign(strip: Strip, at: int) -> str:
    if strip.spin_ups[at]:
        return digit(strip.spin_ups[at])
    times = {state: row[at] for state, row in strip.states.items()}
    longest = max(times, key=lambda state: times[state])
    if not times[longest]:
        return " "
    if longest == "spinning" and 2 * strip.active[at] >= times[longest]:
        longest = "active"
    return _SIGNS[longest]


def digit(count: int) -> str:
    """1 to 9, + for more."""
    return str(count) if count < 10 else "+"


def legend(drawn: Sequence[str]) -> str:
    """What the signs that occur mean."""
    found = set("".join(drawn))
    words = [meaning for sign, meaning in _MEANINGS.items() if sign in found]
    if found & set("123456789+"):
        words.append("1-9, + spin-ups in that hour")
    return "  ".join(words)


def ruler(now: int, tz: tzinfo) -> str:
    """Local hours over the strip of a day: 00, 06, 12 and 18, each where that hour begins."""
    bins = LAST_DAY.bins
    marks = [" "] * (bins + 1)
    for at in range(bins):
        begins = local(now - (bins - 1 - at) * HOUR - 1, tz).hour  # within this sign's hour
        if begins % 6 == 0:
            marks[at : at + 2] = f"{begins:02}"
    return "".join(marks[:bins]).rstrip()


def hours(counts: Sequence[int]) -> str:
    """Spin-ups by hour of the day; a dot for none."""
    return "".join(digit(count) if count else "." for count in counts)
