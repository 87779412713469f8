"""Quiet hours: from weekly windows in local time to intervals of wall time.

Rules of this room: pure; the time zone is handed in as a `tzinfo` that knows `fold` (PEP 495).
Wall times are integer nanoseconds since the Unix epoch; intervals are half open.

A window is one unbroken interval of real time, the smallest that holds every instant at which a
local clock reads a time inside it. From that one rule follow the nights when clocks change:

- 22:00-06:00 lasts 7 h or 9 h of real time where the clock moves by an hour.
- A boundary the clock shows twice: a window begins at the first showing and ends at the last.
  A window that ends at 02:00 where 02:00-03:00 is repeated ends when the clock first comes to
  02:00, since every reading from then on is 02:00 or later.
- A boundary the clock skips is the moment of the skip. A window wholly inside the skip is empty.

Windows that overlap or touch are one. Windows beginning on an excepted local date are dropped.
A schedule that leaves no minute of the week out never ends; it is cut at each local Monday 00:00,
so that there are complete windows to judge.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from functools import lru_cache

from spinledger.errors import Misuse
from spinledger.model import DAY, SECOND
from spinledger.schedule import Schedule, Window

FOREVER = (1 << 63) - 1  # later than any time here

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_INSTANT = timedelta(microseconds=1)
_WEEK_MINUTES = 7 * 24 * 60
# A schedule that has a break has one in the week; where the break falls in a skipped hour, in
# the next week. So no merged window reaches further than this.
_REACH = 16 * DAY
_CHUNK = 64 * DAY  # windows are worked out, and kept, by the chunk
_FAR = 400 * DAY  # how far to look where exceptions empty the weeks

Interval = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Calendar:
    """A schedule with its time zone resolved. `tz` is the zone named by `schedule.zone`."""

    schedule: Schedule
    tz: tzinfo


@dataclass(frozen=True, slots=True)
class Moment:
    """What the calendar says between two boundaries."""

    quiet: bool
    since_wall_ns: int  # the boundary before; -FOREVER: none within reach
    until_wall_ns: int  # the next boundary; FOREVER: none within reach
    began_wall_ns: int | None  # when the present window began, else the last one; None: none


class Cursor:
    """A calendar read at moments near each other: one comparison a call between boundaries.

    Correct for any order of calls, so a wall clock that jumps needs no care.
    """

    def __init__(self, calendar: Calendar) -> None:
        self.calendar = calendar
        self._moment = Moment(False, 0, 0, None)

    def at(self, wall_ns: int) -> Moment:
        """The moment that holds `wall_ns`."""
        held = self._moment
        if held.since_wall_ns <= wall_ns < held.until_wall_ns:
            return held
        self._moment = moment_at(self.calendar, wall_ns)
        return self._moment


def windows_between(calendar: Calendar, start_wall_ns: int, end_wall_ns: int) -> Iterator[Interval]:
    """Whole windows (began, ended) that share time with [start, end), merged, ascending."""
    done = -FOREVER
    for number in range(start_wall_ns // _CHUNK, (end_wall_ns - 1) // _CHUNK + 1):
        for began, ended in _chunk(calendar, number):
            if began < end_wall_ns and ended > max(start_wall_ns, done):
                yield began, ended
                done = ended


def split(calendar: Calendar, began: int, ended: int) -> Iterator[tuple[int, int, bool]]:
    """The wall interval cut at every boundary: (began, ended, quiet), ascending, no holes."""
    at = began
    for opened, closed in windows_between(calendar, began, ended):
        if opened > at:
            yield at, opened, False
            at = opened
        upto = min(closed, ended)
        if upto > at:
            yield at, upto, True
            at = upto
    if at < ended:
        yield at, ended, False


def quiet_ns(calendar: Calendar, start_wall_ns: int, end_wall_ns: int) -> int:
    """Nanoseconds of [start, end) inside quiet hours."""
    return sum(
        min(ended, end_wall_ns) - max(began, start_wall_ns)
        for began, ended in windows_between(calendar, start_wall_ns, end_wall_ns)
    )


def next_boundary(calendar: Calendar, wall_ns: int) -> int:
    """The first beginning or end of a window after `wall_ns`; FOREVER: none in 400 days."""
    for reach in (_REACH, _FAR):
        for began, ended in windows_between(calendar, wall_ns, wall_ns + reach):
            return began if began > wall_ns else ended
    return FOREVER


def last_window(calendar: Calendar, wall_ns: int, complete: bool) -> Interval | None:
    """The latest window begun (or, if `complete`, ended) by `wall_ns`; None in 400 days."""
    for reach in (_REACH, _FAR):
        found = None
        for window in windows_between(calendar, wall_ns - reach, wall_ns + 1):
            if not complete or window[1] <= wall_ns:
                found = window
        if found is not None:
            return found
    return None


def last_complete_window(calendar: Calendar, wall_ns: int) -> Interval | None:
    """The latest window that has ended by `wall_ns`; None: none in 400 days."""
    return last_window(calendar, wall_ns, complete=True)


def moment_at(calendar: Calendar, wall_ns: int) -> Moment:
    """What the calendar says at `wall_ns`, and how long it says so. Pure, uncached."""
    if not calendar.schedule.windows:
        return Moment(False, -FOREVER, FOREVER, None)
    until = next_boundary(calendar, wall_ns)
    window = last_window(calendar, wall_ns, complete=False)
    if window is None:
        return Moment(False, -FOREVER, until, None)
    began, ended = window
    quiet = wall_ns < ended
    return Moment(quiet, began if quiet else ended, until, began)


@lru_cache(maxsize=256)
def _chunk(calendar: Calendar, number: int) -> tuple[Interval, ...]:
    """Whole windows that share time with one chunk of 64 days since the epoch."""
    start, end = number * _CHUNK, (number + 1) * _CHUNK
    first = _local_date(calendar, start - _REACH)
    last = _local_date(calendar, end + _REACH)
    windows = _merged(_windows(calendar, first, last))
    if _unbroken(calendar.schedule):
        windows = _cut_weekly(calendar, windows)
    return tuple((began, ended) for began, ended in windows if began < end and ended > start)


def _windows(calendar: Calendar, first: date, last: date) -> Iterator[Interval]:
    """Windows beginning on the local dates first..last, by beginning; not merged."""
    days = _by_day(calendar.schedule.windows)
    tz = calendar.tz
    today = first
    while today <= last:
        if today not in calendar.schedule.except_dates:
            midnight = datetime(today.year, today.month, today.day)
            for window in days[today.weekday()]:
                began = _first_reading(tz, midnight + timedelta(minutes=window.start_minute))
                closes = timedelta(days=window.days_later, minutes=window.end_minute)
                ended = _end_of_reading(tz, midnight + closes)
                if began < ended:
                    yield began, ended
        today += timedelta(days=1)


def _merged(windows: Iterable[Interval]) -> Iterator[Interval]:
    """Ascending intervals, those that overlap or touch made one."""
    held: Interval | None = None
    for began, ended in windows:
        if held is None:
            held = began, ended
        elif began <= held[1]:
            held = held[0], max(held[1], ended)
        else:
            yield held
            held = began, ended
    if held is not None:
        yield held


def _cut_weekly(calendar: Calendar, windows: Iterable[Interval]) -> Iterator[Interval]:
    """Intervals cut at every local Monday 00:00 inside them."""
    for began, ended in windows:
        at = began
        today = _local_date(calendar, began)
        monday = datetime(today.year, today.month, today.day) - timedelta(days=today.weekday())
        while at < ended:
            monday += timedelta(days=7)
            upto = min(ended, _first_reading(calendar.tz, monday))
            if upto > at:
                yield at, upto
                at = upto


@lru_cache(maxsize=64)
def _by_day(windows: Sequence[Window]) -> tuple[tuple[Window, ...], ...]:
    """The windows of each weekday, Monday first, by beginning."""
    ordered = sorted(windows, key=lambda window: window.start_minute)
    return tuple(tuple(w for w in ordered if w.day == day) for day in range(7))


@lru_cache(maxsize=64)
def _unbroken(schedule: Schedule) -> bool:
    """True when the windows leave no minute of the week out, exceptions aside."""
    reached = 0
    spans = sorted(
        (began + shift, began + shift + length)
        for began, length in map(_in_week, schedule.windows)
        for shift in (-2 * _WEEK_MINUTES, -_WEEK_MINUTES, 0)
    )
    for began, ended in spans:
        if began > reached:
            return False
        reached = max(reached, ended)
    return reached >= _WEEK_MINUTES


def _in_week(window: Window) -> tuple[int, int]:
    """Minute of the week the window begins at, and its length in minutes by the clock."""
    length = window.days_later * 1440 + window.end_minute - window.start_minute
    return window.day * 1440 + window.start_minute, length


def _local_date(calendar: Calendar, wall_ns: int) -> date:
    return (_EPOCH + timedelta(seconds=wall_ns // SECOND)).astimezone(calendar.tz).date()


def _offset(tz: tzinfo, local: datetime, fold: int) -> timedelta:
    offset = local.replace(tzinfo=tz, fold=fold).utcoffset()
    if offset is None:
        raise Misuse("a calendar needs a time zone with an offset")
    return offset


def _ns(utc: datetime) -> int:
    """Nanoseconds since the epoch of a naive UTC time."""
    return (utc - _EPOCH.replace(tzinfo=None)) // _INSTANT * 1000


def _first_reading(tz: tzinfo, local: datetime) -> int:
    """The first instant at which the clock reads `local` or, where it is skipped, later."""
    before, after = _offset(tz, local, 0), _offset(tz, local, 1)
    if before < after:
        return _skip(tz, local - after, local - before)
    return _ns(local - before)


def _end_of_reading(tz: tzinfo, local: datetime) -> int:
    """The end of the last instant at which the clock reads earlier than `local`, nearby."""
    reading = local - _INSTANT
    before, after = _offset(tz, reading, 0), _offset(tz, reading, 1)
    if before < after:
        return _skip(tz, reading - after, reading - before)
    return _ns(reading - after + _INSTANT)


def _skip(tz: tzinfo, low: datetime, high: datetime) -> int:
    """The instant in (low, high] (naive UTC) at which the offset changes; to the second."""
    base = low.replace(microsecond=0)
    steps_low, steps_high = 0, int((high - base).total_seconds()) + 1
    old = _utc_offset(tz, base)
    while steps_high - steps_low > 1:
        middle = (steps_low + steps_high) // 2
        if _utc_offset(tz, base + timedelta(seconds=middle)) == old:
            steps_low = middle
        else:
            steps_high = middle
    return _ns(base + timedelta(seconds=steps_high))


def _utc_offset(tz: tzinfo, utc: datetime) -> timedelta | None:
    return utc.replace(tzinfo=UTC).astimezone(tz).utcoffset()
