"""Requests every page once, before the port opens, so that all that it imports is loaded by then.

Rules: the pages are those of an exporter that watches no disk yet.
"""

from __future__ import annotations

from spinledger.facts import ExporterFacts, Snapshot
from spinledger.model import DAY
from spinledger.web.app import application
from spinledger.web.sight import Sight

NOW = 400 * DAY
PATHS = (
    "/",
    "/disk/none",
    "/metrics",
    "/snapshot",
    "/history",
    "/-/healthy",
    "/-/ready",
    "/none",
)


def load(history: bool) -> None:
    """Request every page in every form; `history` says whether there is a /history."""
    entries = (lambda query: iter([b"{}"])) if history else None
    exporter = ExporterFacts(True, 0.0, 0, 0, (), {}, None, None)
    snapshot = Snapshot(1, NOW, NOW, (), exporter)
    app = application(lambda: snapshot, entries, Sight())
    for path in PATHS:
        for accept in ("", "application/openmetrics-text;version=1.0.0"):
            for encoding in ("", "gzip"):
                environ = {
                    "REQUEST_METHOD": "GET",
                    "PATH_INFO": path,
                    "QUERY_STRING": "name%5B%5D=spinledger_disk_info" if accept else "range=30d",
                    "HTTP_ACCEPT": accept,
                    "HTTP_ACCEPT_ENCODING": encoding,
                }
                b"".join(app(environ, lambda status, headers: None))
