"""What the web pages show beside the snapshot: the newest books, quiet hours, zone, host, tariff.

Rules: a request never reads the ledger file: books come from the store's memory. A UTC day that has
been over for an hour no longer changes, so it is read once and kept in the form that the pages
draw; the rest is read at each request. Any thread may ask: what is kept is replaced, not changed.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Mapping
from zoneinfo import ZoneInfo

from spinledger.config.current import CurrentConfig
from spinledger.config.load import host_zone
from spinledger.model import DAY, HOUR
from spinledger.store.history import History
from spinledger.web.sight import NOTHING, Booked, Piece, Sight, Wake

KEPT_DAYS = 31  # as the stores' memories
LATE_NS = HOUR  # an entry is booked at most minutes after its end


def sight(owner: CurrentConfig, remembered: Callable[[], History], host: str) -> Sight:
    """For the web server. `remembered` gives the books of memory alone."""
    zone = zone_of(owner)
    return Sight(
        books=Books(remembered),
        hours=lambda: dict(owner.calendars),
        tz=ZoneInfo(zone),
        zone=zone,
        host=host,
        tariff=lambda: owner.config.tariff,
    )


def zone_of(owner: CurrentConfig) -> str:
    """The schedules' zone where they share one, else the host's."""
    zones = {schedule.zone for schedule in owner.config.schedules.values()}
    return zones.pop() if len(zones) == 1 else host_zone() or "UTC"


class Books:
    """web.sight.Books over a store's memory."""

    def __init__(self, remembered: Callable[[], History]) -> None:
        self._remembered = remembered
        self._kept: tuple[int, Mapping[str, Booked]] | None = None  # up to this day, and what

    def __call__(self, since: int, now: int) -> Mapping[str, Booked]:
        """Every disk's books from `since` to now, the span still going on included."""
        history = self._remembered()
        until = (now - LATE_NS) // DAY
        old = self._settled(history, until)
        fresh = read(history, until * DAY)
        given: dict[str, Booked] = {}
        for disk in history.disks():
            both = _joined(old.get(disk, NOTHING), fresh.get(disk, NOTHING), since)
            span = history.open_span(disk)
            if span is not None and span.ended_wall_ns > span.began_wall_ns:
                last = Piece(span.began_wall_ns, span.ended_wall_ns, span.state, span.active_ns)
                both = Booked((*both.pieces, last), both.wakes)
            given[disk] = both
        return given

    def _settled(self, history: History, until: int) -> Mapping[str, Booked]:
        """What ended before a day that no longer changes."""
        first = (until - KEPT_DAYS) * DAY
        kept = self._kept
        if kept is not None and kept[0] == until:
            return kept[1]
        if kept is None or kept[0] > until:  # at the start, or when the clock was set back
            books = _before(read(history, first), until * DAY)
        else:
            newer = _before(read(history, kept[0] * DAY), until * DAY)
            books = {
                disk: _joined(kept[1].get(disk, NOTHING), newer.get(disk, NOTHING), first)
                for disk in kept[1].keys() | newer.keys()
            }
        self._kept = until, books
        return books


def read(history: History, since: int) -> dict[str, Booked]:
    """What ended on the UTC day of `since` or later, by disk."""
    pieces: dict[str, list[Piece]] = {}
    turned: dict[str, list[tuple[int, bool, int]]] = {}
    causes: dict[tuple[str, int], tuple[str, str, int | None]] = {}
    for disk, sheet in history.given(since):
        pieces.setdefault(disk, []).extend(map(Piece._make, sheet.span_rows()))
        turned.setdefault(disk, []).extend(sheet.cycle_rows())
        for number, cause, actor, wait in sheet.cause_rows():
            causes[disk, number] = cause, actor, wait
    return {
        disk: Booked(
            tuple(sorted(pieces[disk], key=_ended)),
            tuple(
                Wake(at, observed, *causes.get((disk, number), ()))
                for at, observed, number in sorted(turned[disk])
            ),
        )
        for disk in pieces
    }


def _ended(piece: Piece) -> int:
    return piece.ended


def _at(wake: Wake) -> int:
    return wake.at


def _before(books: Mapping[str, Booked], end: int) -> dict[str, Booked]:
    return {
        disk: Booked(
            one.pieces[: bisect_left(one.pieces, end, key=_ended)],
            one.wakes[: bisect_left(one.wakes, end, key=_at)],
        )
        for disk, one in books.items()
    }


def _joined(old: Booked, new: Booked, since: int) -> Booked:
    """Both, less what ended by `since`."""
    pieces, wakes = old.pieces + new.pieces, old.wakes + new.wakes
    return Booked(
        pieces[bisect_right(pieces, since, key=_ended) :],
        wakes[bisect_left(wakes, since, key=_at) :],
    )
