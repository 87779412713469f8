"""Weekly windows as text.

    Mon-Fri 22:00-06:30      five windows, each to the next morning
    Fri 22:00-Mon 06:30      one window across the weekend
    Sat,Sun 00:00-24:00      two whole days
    daily 22:00-06:00        seven windows

Rules of this room: times are local, on a 24-hour clock; a window whose end is not after its
beginning ends on the next day; a day range may run over the end of the week; day names are English
and short, in any case. ISO 8601 numbers the days from Monday; here Monday is 0.
"""

from __future__ import annotations

import re

from spinledger.config.near import nearest, shown
from spinledger.errors import BadConfig
from spinledger.schedule import Window

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
DAILY = "daily"
FIX = 'write a window such as "Mon-Fri 22:00-06:30" or "Fri 22:00-Mon 06:30"'
WHOLE_DAY = 24 * 60

_SHAPE = re.compile(r"(\S+) ([0-9:]+)-(?:([A-Za-z]+) )?([0-9:]+)", re.ASCII)


def parse(text: str) -> tuple[Window, ...]:
    """The windows of one line, one for each day that begins one, ascending."""
    found = _SHAPE.fullmatch(re.sub(r" *([-,]) *", r"\1", " ".join(text.split())))
    if not found:
        raise BadConfig("", f"{shown(text)} is not a window", FIX)
    first, began, last, ended = found.groups()
    days = _days(first, text)
    start = _minute(began, text)
    end = _minute(ended, text)
    if start == WHOLE_DAY:
        raise BadConfig("", f"{shown(text)} begins at 24:00", "begin at 00:00 of the next day")
    if last is None:
        later = int(end < start)
    else:
        if len(days) > 1:
            what = f"{shown(text)} begins on several days and ends on one"
            raise BadConfig("", what, FIX)
        (first_day,) = days
        later = (_day(last, text) - first_day) % 7
        later += 7 if later == 0 and end < start else 0
    if later == 0 and end == start:
        what = f"{shown(text)} ends when it begins"
        raise BadConfig("", what, "write 00:00-24:00 for a whole day")
    if end == WHOLE_DAY:
        later, end = later + 1, 0
    return tuple(Window(day, start, later, end) for day in sorted(days))


def window_text(window: Window) -> str:
    """One window, which `parse` reads back as the same."""
    later, end = window.days_later, window.end_minute
    if end == 0:
        later, end = later - 1, WHOLE_DAY
    end_day = f"{DAYS[(window.day + later) % 7]} " if later else ""
    return f"{DAYS[window.day]} {_clock(window.start_minute)}-{end_day}{_clock(end)}"


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


def _minute(text: str, whole: str) -> int:
    found = re.fullmatch(r"([0-9]{1,2}):([0-9]{2})", text, re.ASCII)
    if not found:
        raise BadConfig("", f"{shown(whole)} holds {shown(text)}, which is no time of day", FIX)
    minute = int(found[1]) * 60 + int(found[2])
    if int(found[2]) > 59 or minute > WHOLE_DAY:
        what = f"{shown(whole)} holds {shown(text)}, which is no time of day"
        raise BadConfig("", what, "write times from 00:00 to 24:00")
    return minute


def _day(text: str, whole: str) -> int:
    name = text.capitalize()
    if name in DAYS:
        return DAYS.index(name)
    guess = nearest(text, DAYS)
    names = f"{', '.join(DAYS)} or {DAILY}"
    what = f"{shown(whole)} holds {shown(text)}, which is no day"
    raise BadConfig("", what, f"write {guess or names}")


def _days(text: str, whole: str) -> set[int]:
    if text.lower() == DAILY:
        return set(range(7))
    days: set[int] = set()
    for part in text.split(","):
        first, _, last = part.partition("-")
        begin = _day(first, whole)
        end = _day(last, whole) if "-" in part else begin
        days |= {(begin + step) % 7 for step in range((end - begin) % 7 + 1)}
    return days
