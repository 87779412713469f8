"""The WSGI application: which path gives what. PEP 3333.

Rules of this room:
- A request reads one snapshot and the wall clock: no device, no file; nothing is imported during
  it. Pages for people also read the recent history, from memory. Only `/history` may read files.
- Paths: / /disk/ID /runbooks/NAME /metrics /snapshot /-/healthy /-/ready, and /history where there
  is a ledger. Others are 404; a method other than GET and HEAD is 405. Every refusal is one plain
  line.
- `/-/healthy` says that the process serves. `/-/ready` says that a first snapshot exists, and
  nothing of its age. The scraper judges a stuck sampler by
  `spinledger_disk_last_sample_timestamp_seconds`.
- Before the first snapshot `/metrics` answers with the exporter's own metrics, `/snapshot` 503.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterable, Mapping
from itertools import chain
from typing import Any
from urllib.parse import parse_qsl

from spinledger.errors import BadInput, SpinledgerError
from spinledger.metrics.collector import Current, Wall
from spinledger.web import runbooks
from spinledger.web.assets import CONTENT_SECURITY_POLICY
from spinledger.web.context import PageContext
from spinledger.web.onedisk import one_disk
from spinledger.web.overview import overview
from spinledger.web.scrapes import Scrapes
from spinledger.web.snapshot_json import snapshot_json, summary_json

History = Callable[[Mapping[str, str]], Iterable[bytes]]
"""From the query's parameters to the body: CSV for `format=csv`, OpenMetrics, else JSON."""

Environ = dict[str, Any]
Headers = list[tuple[str, str]]
StartResponse = Callable[[str, Headers], object]
Application = Callable[[Environ, StartResponse], Iterable[bytes]]
Answer = tuple[str, Headers, Iterable[bytes]]

NO_CONTEXT = PageContext()  # no history, no schedules
ONE = "/disk/"

_TEXT = "text/plain; charset=utf-8"
_HISTORY_TYPES = {
    "csv": "text/csv; charset=utf-8",
    "openmetrics": "application/openmetrics-text; version=1.0.0; charset=utf-8",
}
_GUARDS: Headers = [
    ("Cache-Control", "no-store"),
    ("X-Content-Type-Options", "nosniff"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Referrer-Policy", "no-referrer"),
]


def application(
    current: Current,
    history: History | None = None,
    context: PageContext = NO_CONTEXT,
    wall: Wall = time.time_ns,
    begun: Callable[[], bool] | None = None,
) -> Application:
    """The application over the newest snapshot, and over the history where there is one.

    `context` is what the pages for people show beside the snapshot; `wall` the time now; `begun`
    says at once whether there is a snapshot.
    """
    scrapes = Scrapes(current, wall)

    def snapshot(environ: Environ) -> Answer:
        now = current()
        if now is None:
            return _line("503 Service Unavailable", "no data yet; try again in a few seconds")
        shown = {**snapshot_json(now), **summary_json(now, context)}
        body = json.dumps(shown, allow_nan=False, default=str).encode()
        return "200 OK", [("Content-Type", "application/json")], [body, b"\n"]

    def ready(environ: Environ) -> Answer:
        if not (current() if begun is None else begun()):
            return _line("503 Service Unavailable", "no data yet; try again in a few seconds")
        return _line("200 OK", "ready")

    def healthy(environ: Environ) -> Answer:
        return _line("200 OK", "healthy")

    def disks(environ: Environ) -> Answer:
        query = dict(parse_qsl(str(environ.get("QUERY_STRING", ""))))
        return _html(overview(current(), context, query, history is not None))

    def disk(environ: Environ) -> Answer:
        identity = str(environ["PATH_INFO"]).removeprefix(ONE)
        now = current()
        views = () if now is None else now.disks
        view = next((one for one in views if one.disk.identity == identity), None)
        if now is None or view is None:
            return _line("404 Not Found", "no such disk; / lists the disks")
        return _html(one_disk(now, view, context, history is not None))

    def shown_runbook(environ: Environ) -> Answer:
        name = str(environ["PATH_INFO"]).removeprefix(runbooks.PATH).removesuffix(".md")
        kept = history is not None
        text = runbooks.runbook(context, name, kept) if name else runbooks.index(context, kept)
        if text is None:
            return _line("404 Not Found", f"no such runbook; {runbooks.PATH} lists them")
        return _html(text)

    pages: dict[str, Callable[[Environ], Answer]] = {
        "/": disks,
        "/metrics": scrapes.answer,
        "/snapshot": snapshot,
        "/-/healthy": healthy,
        "/-/ready": ready,
    }
    below = {ONE: disk, runbooks.PATH: shown_runbook}
    if history is not None:
        pages["/history"] = lambda environ: _history(history, environ)

    def app(environ: Environ, start_response: StartResponse) -> Iterable[bytes]:
        method = str(environ.get("REQUEST_METHOD", "GET"))
        path = str(environ.get("PATH_INFO", ""))
        starts = (one for start, one in below.items() if path.startswith(start))
        found = next(starts, pages.get(path))
        if found is None:
            status, headers, body = _line("404 Not Found", "no such page; / links to the others")
        elif method not in ("GET", "HEAD"):
            status, headers, body = _line("405 Method Not Allowed", "only GET and HEAD")
            headers.append(("Allow", "GET, HEAD"))
        else:
            status, headers, body = _guarded(found, environ)
        if isinstance(body, list):
            headers = [*headers, ("Content-Length", str(sum(map(len, body))))]
        start_response(status, headers + _GUARDS)
        return [] if method == "HEAD" else body

    return app


def _guarded(found: Callable[[Environ], Answer], environ: Environ) -> Answer:
    """The page's answer; a bug becomes one plain line that names it, never a traceback."""
    try:
        return found(environ)
    except BadInput as wrong:
        return _line("400 Bad Request", str(wrong))
    except SpinledgerError as refused:
        return _line("503 Service Unavailable", str(refused))
    except Exception as bug:  # the edge: a worker thread must answer, whatever happened
        return _line("500 Internal Server Error", f"a bug in the exporter: {type(bug).__name__}")


def _history(history: History, environ: Environ) -> Answer:
    query = dict(parse_qsl(str(environ.get("QUERY_STRING", "")), keep_blank_values=True))
    kind = _HISTORY_TYPES.get(query.get("format", ""), "application/json")
    if environ.get("REQUEST_METHOD") == "HEAD":
        return "200 OK", [("Content-Type", kind)], iter(())
    chunks = iter(history(query))
    first = next(chunks, b"")  # a refusal comes here, while the status can still say so
    return "200 OK", [("Content-Type", kind)], chain([first], chunks)


def _html(text: str) -> Answer:
    headers = [
        ("Content-Type", "text/html; charset=utf-8"),
        ("Content-Security-Policy", CONTENT_SECURITY_POLICY),
    ]
    return "200 OK", headers, [text.encode()]


def _line(status: str, text: str) -> Answer:
    clean = " ".join(text.split())
    return status, [("Content-Type", _TEXT)], [f"{clean}\n".encode("utf-8", "replace")]
