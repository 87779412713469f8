"""What a page is drawn from beside the snapshot: recent history, quiet hours, host, tariff.

Rules: plain data and callables, all of memory; `app` provides them, so that this
room knows neither the ledger nor a clock. Times are nanoseconds of wall time, UTC.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, tzinfo

from spinledger.config.settings import Tariff
from spinledger.quiet.hours import Calendar
from spinledger.strip import DiskHistory

Histories = Callable[[int, int], Mapping[str, DiskHistory]]
"""From `since` and now to the history of every disk that has any, by identity, from memory."""


@dataclass(frozen=True, slots=True)
class PageContext:
    """Everything a page needs beside the snapshot. `tz` is named by `zone`, an IANA name."""

    histories: Histories = lambda since, now: {}
    calendars: Callable[[], Mapping[str, Calendar]] = dict  # quiet hours by name
    tz: tzinfo = UTC
    zone: str = "UTC"
    host: str = ""
    tariff: Callable[[], Tariff | None] = lambda: None  # as configured now
    runbooks: Mapping[str, str] = field(default_factory=dict)  # Markdown by name
