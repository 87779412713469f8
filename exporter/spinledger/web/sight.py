"""What a page is drawn from, beside the snapshot: the newest books, quiet hours, a place, a price.

Rules: plain data and callables, all of memory; whoever wires the server provides them, so that this
room knows neither the ledger nor a clock. Times are nanoseconds of wall time, UTC.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import NamedTuple

from spinledger.config.settings import Tariff
from spinledger.quiet.hours import Calendar


class Piece(NamedTuple):
    """A stretch of one kind: spinning, standby, unknown or unobserved, as in the ledger."""

    began: int
    ended: int
    state: str
    active: int  # nanoseconds of it in which sectors moved


class Wake(NamedTuple):
    """A spin-up, and its cause once that is known."""

    at: int
    observed: bool
    cause: str = ""
    actor: str = ""
    wait: int | None = None  # how long the first request waited


@dataclass(frozen=True, slots=True)
class Booked:
    """One disk's newest books, each in order of time; the last piece may be still going on."""

    pieces: tuple[Piece, ...] = ()
    wakes: tuple[Wake, ...] = ()


NOTHING = Booked()

Books = Callable[[int, int], Mapping[str, Booked]]
"""From `since` and now to the books of every disk that has any, from memory."""


def _no_books(since: int, now: int) -> Mapping[str, Booked]:
    return {}


def _no_hours() -> Mapping[str, Calendar]:
    return {}


def _no_tariff() -> Tariff | None:
    return None


@dataclass(frozen=True, slots=True)
class Sight:
    """Everything a page needs beside the snapshot. `tz` is named by `zone`, an IANA name."""

    books: Books = _no_books
    hours: Callable[[], Mapping[str, Calendar]] = _no_hours  # schedules by name
    tz: tzinfo = UTC
    zone: str = "UTC"
    host: str = ""
    tariff: Callable[[], Tariff | None] = _no_tariff  # the price of energy, as configured now
