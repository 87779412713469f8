"""Answers to scrapes: `/metrics` in the form that the scraper accepts.

Rules of this room:
- A whole answer is given again to the same form, for as long as the snapshot is the same one and
  for SAME_NS at most: however many scrape, one rendering of each form in that time is enough. What
  is given again is never older than a rendering of its own would be, but for the exporter's clock.
- A scrape with a query is rendered by itself; so the answers kept are four at most.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from prometheus_client import make_wsgi_app

from spinledger.facts import Snapshot
from spinledger.metrics.collector import Current, Wall, registry
from spinledger.model import SECOND
from spinledger.web.negotiate import accepts_gzip, prefers_openmetrics

SAME_NS = SECOND // 4

Headers = list[tuple[str, str]]
Answer = tuple[str, Headers, list[bytes]]

_OPENMETRICS = "application/openmetrics-text; version=1.0.0"


@dataclass(frozen=True, slots=True)
class _Kept:
    """An answer, what it shows, and the time of its rendering, nanoseconds since the Unix epoch."""

    answer: Answer
    snapshot: Snapshot | None
    wall_ns: int


class Scrapes:
    """To be called by one thread at a time. `current` and `wall`: as for `SnapshotCollector`."""

    def __init__(self, current: Current, wall: Wall) -> None:
        self._current = current
        self._wall = wall
        self._kept: dict[tuple[bool, bool], _Kept] = {}  # by OpenMetrics, gzip

    def answer(self, environ: dict[str, Any]) -> Answer:
        """Status, headers and body, by the request's query and Accept headers (PEP 3333)."""
        query = str(environ.get("QUERY_STRING", ""))
        form = (
            prefers_openmetrics(str(environ.get("HTTP_ACCEPT", ""))),
            accepts_gzip(str(environ.get("HTTP_ACCEPT_ENCODING", ""))),
        )
        now, wall_ns = self._current(), self._wall()
        if query:
            return _rendered(now, wall_ns, form, query)
        self._kept = {
            one: kept
            for one, kept in self._kept.items()
            if kept.snapshot is now and 0 <= wall_ns - kept.wall_ns < SAME_NS
        }
        if form not in self._kept:
            self._kept[form] = _Kept(_rendered(now, wall_ns, form), now, wall_ns)
        return self._kept[form].answer


def _rendered(
    snapshot: Snapshot | None, wall_ns: int, form: tuple[bool, bool], query: str = ""
) -> Answer:
    openmetrics, gzip = form
    plain = {
        "REQUEST_METHOD": "GET",
        "PATH_INFO": "/metrics",
        "QUERY_STRING": query,
        "HTTP_ACCEPT": _OPENMETRICS if openmetrics else "",
        "HTTP_ACCEPT_ENCODING": "gzip" if gzip else "",
    }
    got: list[tuple[str, Headers]] = []
    scrape = make_wsgi_app(registry(lambda: snapshot, lambda: wall_ns))
    body = scrape(plain, lambda status, headers: got.append((status, headers)))
    status, headers = got[0]
    return status, [*headers, ("Vary", "Accept, Accept-Encoding")], list(body)
