"""The application, called as PEP 3333 says, without a socket."""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any
from wsgiref.validate import validator

import pytest
from prometheus_client.openmetrics.parser import (
    text_string_to_metric_families as parse_openmetrics,
)

from spinledger.errors import BadInput, Unavailable
from spinledger.facts import Snapshot
from spinledger.metrics.collector import render_text
from spinledger.web.app import History, application
from spinledger.web.context import PageContext
from tests.fakes.snapshots import WALL_NS, attic

Got = tuple[int, dict[str, str], bytes]

PAGES = ("/", "/metrics", "/snapshot", "/-/healthy", "/-/ready")


def nothing_yet() -> None:
    """No snapshot."""
    return None


RUNBOOK = "# DiskCalled\n\n## Meaning\n\nSee [another](DiskOther.md).\n"
CONTEXT = PageContext(runbooks={"DiskCalled": RUNBOOK})


def probe(
    path: str,
    method: str = "GET",
    current: Callable[[], Snapshot | None] = attic,
    history: History | None = None,
    query: str = "",
    **headers: str,
) -> Got:
    """Status, headers by lower-case name, and body; the standard library checks the protocol."""
    environ: dict[str, Any] = {
        "REQUEST_METHOD": method,
        "SCRIPT_NAME": "",
        "PATH_INFO": path,
        "QUERY_STRING": query,
        "SERVER_NAME": "dome",
        "SERVER_PORT": "9786",
        "SERVER_PROTOCOL": "HTTP/1.1",
        "wsgi.version": (1, 0),
        "wsgi.url_scheme": "http",
        "wsgi.input": _Input(),
        "wsgi.errors": _Errors(),
        "wsgi.multithread": True,
        "wsgi.multiprocess": False,
        "wsgi.run_once": False,
        **{f"HTTP_{name.upper()}": value for name, value in headers.items()},
    }
    got: list[tuple[int, dict[str, str]]] = []

    def start(status: str, pairs: list[tuple[str, str]], exc_info: object = None) -> object:
        names = [name.lower() for name, _ in pairs]
        assert len(names) == len(set(names))
        got.append((int(status[:3]), {name.lower(): value for name, value in pairs}))
        return lambda data: None

    body = validator(application(current, history, CONTEXT, lambda: WALL_NS))(environ, start)  # type: ignore[arg-type]
    try:
        text = b"".join(body)
    finally:
        body.close()  # type: ignore[attr-defined]
    (answer,) = got
    return (*answer, text)


class _Input:
    """A body of no bytes."""

    def read(self, size: int) -> bytes:
        return b""

    def readline(self, size: int = -1) -> bytes:
        return b""

    def readlines(self, hint: int = -1) -> list[bytes]:
        return []

    def __iter__(self) -> Iterator[bytes]:
        return iter(())


class _Errors:
    """Nothing may be written here."""

    def write(self, text: str) -> None:
        raise AssertionError(text)

    def writelines(self, lines: Iterable[str]) -> None:
        raise AssertionError(list(lines))

    def flush(self) -> None:
        return None


@pytest.mark.parametrize("path", PAGES)
def test_pages_answer_with_guards(path: str) -> None:
    """Every page is 200, not to be stored or guessed at, and says its length truly."""
    status, headers, body = probe(path)
    assert status == 200
    assert headers["cache-control"] == "no-store"  # RFC 9111, 5.2.2.5
    assert headers["x-content-type-options"] == "nosniff"  # WHATWG Fetch
    assert int(headers["content-length"]) == len(body)
    assert "access-control-allow-origin" not in headers


def test_runbooks_are_pages() -> None:
    """By name and as the files are named, as runbooks link to each other; listed; else 404."""
    status, headers, body = probe("/runbooks/DiskCalled")
    assert (status, headers["content-type"]) == (200, "text/html; charset=utf-8")
    assert b"<h1>DiskCalled</h1>" in body
    assert b'<a href="DiskOther.md">another</a>' in body
    assert probe("/runbooks/DiskCalled.md")[2] == body
    assert b'href="/runbooks/DiskCalled"' in probe("/runbooks/")[2]
    assert probe("/runbooks/DiskOther")[0] == 404


@pytest.mark.parametrize("path", PAGES)
def test_head_is_get_without_a_body(path: str) -> None:
    """RFC 9110, 9.3.2: HEAD has the status and headers of GET, and no body."""
    status, headers, body = probe(path)
    assert body
    assert probe(path, "HEAD") == (status, headers, b"")


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS", "PATCH", "TRACE"])
@pytest.mark.parametrize("path", PAGES)
def test_other_methods_are_refused(method: str, path: str) -> None:
    """RFC 9110, 15.5.6: 405 lists what is allowed."""
    status, headers, body = probe(path, method)
    assert (status, headers["allow"]) == (405, "GET, HEAD")
    assert body.count(b"\n") == 1


@pytest.mark.parametrize(
    "path",
    ["/metrics/", "/metric", "//metrics", "/-/", "/-/quit", "/favicon.ico", "/history", "", "/../"],
)
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_other_paths_are_not_found(path: str, method: str) -> None:
    """Nothing is served on other paths: 404 and one plain line."""
    status, headers, body = probe(path, method)
    assert (status, headers["content-type"]) == (404, "text/plain; charset=utf-8")
    assert body.count(b"\n") == 1


def test_metrics_are_text_by_default() -> None:
    """By default the text format 0.0.4 is given, with its own content type."""
    _, headers, body = probe("/metrics")
    assert headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    assert body == render_text(attic(), lambda: WALL_NS)


def test_metrics_are_openmetrics_where_requested() -> None:
    """OpenMetrics is given by negotiation, with the content type its specification names; before
    release 0.19 the client library names the draft's version, which Prometheus takes as well."""
    _, headers, body = probe("/metrics", accept="application/openmetrics-text;version=1.0.0")
    kind, *parameters = (part.strip() for part in headers["content-type"].split(";"))
    assert kind == "application/openmetrics-text"
    assert "charset=utf-8" in parameters
    assert {"version=1.0.0", "version=0.0.1"} & set(parameters)
    assert len(list(parse_openmetrics(body.decode()))) > 50  # type: ignore[no-untyped-call]


@pytest.mark.parametrize("version", ["abc", "9.9", "1.0.0 x", "²"])
def test_an_unknown_version_gives_text(version: str) -> None:
    """An unknown version is answered with text, and is not repeated in a header."""
    status, headers, _ = probe("/metrics", accept=f"application/openmetrics-text;version={version}")
    assert status == 200
    assert headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"


def test_metrics_are_compressed_where_accepted() -> None:
    """gzip is used where it is accepted, and the answer says that it varies by that."""
    _, headers, body = probe("/metrics", accept_encoding="gzip")
    assert headers["content-encoding"] == "gzip"
    assert {"Accept", "Accept-Encoding"} <= set(headers["vary"].split(", "))
    assert gzip.decompress(body) == render_text(attic(), lambda: WALL_NS)
    assert "content-encoding" not in probe("/metrics", accept_encoding="gzip;q=0")[1]


def test_a_scrape_may_name_metrics() -> None:
    """`?name[]=` gives only what is named."""
    _, _, body = probe("/metrics", query="name[]=spinledger_disk_info&name[]=spinledger_build_info")
    lines = [line for line in body.decode().splitlines() if not line.startswith("#")]
    assert {line.partition("{")[0] for line in lines} == {
        "spinledger_disk_info",
        "spinledger_build_info",
    }


def test_readiness_waits_for_a_snapshot_health_does_not() -> None:
    """Before the first snapshot: healthy, not ready, no JSON, but the version."""
    assert probe("/-/healthy", current=nothing_yet)[0] == 200
    assert probe("/-/ready", current=nothing_yet)[0] == 503
    assert probe("/snapshot", current=nothing_yet)[0] == 503
    status, _, body = probe("/metrics", current=nothing_yet)
    assert status == 200
    assert b"spinledger_build_info{" in body
    status, _, body = probe("/", current=nothing_yet)
    assert status == 200
    assert b"No data yet" in body


def test_snapshot_is_json() -> None:
    """/snapshot parses as strict JSON and names its version."""

    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    _, headers, body = probe("/snapshot")
    assert headers["content-type"] == "application/json"
    parsed = json.loads(body, parse_constant=refuse)  # RFC 8259: no NaN, no Infinity
    assert parsed["version"] == 1
    assert len(parsed["disks"]) == 4


def test_a_bug_is_one_line() -> None:
    """An exception becomes a 500 that names its kind and no detail."""

    def broken() -> Snapshot:
        raise KeyError("a secret path")

    for path in ("/", "/metrics", "/snapshot", "/-/ready"):
        status, _, body = probe(path, current=broken)
        assert (status, body) == (500, b"a bug in the exporter: KeyError\n")
    assert probe("/-/healthy", current=broken)[0] == 200


def _history(query: Mapping[str, str]) -> Iterable[bytes]:
    if query.get("since") == "yesterdy":
        raise BadInput("since", "'yesterdy' is no time", "give 7d or 2026-01-31")
    if query.get("since") == "gone":
        raise Unavailable("io", "the ledger file\ncannot be read")
    yield json.dumps(dict(query)).encode()
    yield b"\n"


@pytest.mark.parametrize(
    ("query", "kind"),
    [
        ("", "application/json"),
        ("format=csv&disk=a%2Fb", "text/csv; charset=utf-8"),
        (
            "format=openmetrics",
            "application/openmetrics-text; version=1.0.0; charset=utf-8",
        ),
    ],
)
def test_history_is_served_where_there_are_history(query: str, kind: str) -> None:
    """/history hands its query on and streams the result, typed by format."""
    status, headers, body = probe("/history", history=_history, query=query)
    assert (status, headers["content-type"]) == (200, kind)
    assert json.loads(body) == dict(
        pair.replace("%2F", "/").split("=") for pair in query.split("&") if pair
    )
    assert probe("/history", "HEAD", history=_history, query=query)[::2] == (200, b"")


def test_history_says_what_is_wrong_in_one_line() -> None:
    """A wrong parameter is 400 with the fix, a ledger that cannot be read is 503."""
    status, _, body = probe("/history", history=_history, query="since=yesterdy")
    assert (status, body) == (400, b"since: 'yesterdy' is no time; give 7d or 2026-01-31\n")
    status, _, body = probe("/history", history=_history, query="since=gone")
    assert (status, body) == (503, b"the ledger file cannot be read\n")
