"""The running exporter's address and answers: what is said when something else is there.

Source: the texts of a Prometheus server are those of Prometheus 2.42, as tried.
"""

from __future__ import annotations

import argparse
import json
import socket
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from threading import Thread

import pytest

from spinledger.cli.exporter import Exporter, NoExporter, listening, url
from spinledger.errors import Unavailable

Answers = Mapping[str, tuple[int, str]]  # by path: status and body; else 404


@contextmanager
def served(answers: Answers) -> Iterator[Exporter]:
    """Something that answers on a free port."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            status, body = answers.get(self.path.partition("?")[0], (404, "404 page not found\n"))
            self.send_response(status)
            self.end_headers()
            self.wfile.write(body.encode())

        def log_message(self, format: str, *args: object) -> None:
            """Silent."""

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = Thread(target=server.serve_forever)
    thread.start()
    try:
        yield listening(("127.0.0.1", server.server_port))
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


PROMETHEUS = {"/-/healthy": (200, "Prometheus Server is Healthy.\n")}
SNAPSHOT = {"/snapshot": (200, json.dumps({"disks": []}))}


@pytest.mark.parametrize(
    ("answers", "what"),
    [
        (PROMETHEUS, "a Prometheus server answers, not Spinledger"),
        ({}, "another program answers, not Spinledger"),
        ({"/snapshot": (200, "<html>")}, "another program answers, not Spinledger"),
        ({"/snapshot": (200, "[1]")}, "another program answers, not Spinledger"),
    ],
)
def test_something_else_is_named(answers: Answers, what: str) -> None:
    """The line has the address, and says who answers there; the same for the history."""
    with served(answers) as exporter:
        for call in (exporter.snapshot, lambda: exporter.history_parts({})):
            with pytest.raises(NoExporter) as refused:
                call()
            assert str(refused.value) == f"{exporter.url}: {what}"


def test_nothing_answers() -> None:
    """A port without a listener, and a name that does not exist (RFC 6761: .invalid)."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(NoExporter) as refused:
        Exporter("127.0.0.1", port).snapshot()
    assert str(refused.value) == f"http://127.0.0.1:{port}: nothing answers (connection refused)"
    with pytest.raises(NoExporter) as unknown:
        Exporter("dome.invalid", 9786).snapshot()
    assert str(unknown.value) == "http://dome.invalid:9786: no such host: dome.invalid"


def test_an_exporter_answers() -> None:
    """Its snapshot, no history where it keeps none, and its own words where it has no data yet."""
    with served(SNAPSHOT) as exporter:
        assert exporter.snapshot() == {"disks": []}
        assert exporter.history(0.0) is None
        assert exporter.history_parts({}) is None
    with served({"/snapshot": (503, "no data yet\n")}) as young:
        with pytest.raises(Unavailable) as refused:
            young.snapshot()
        assert not isinstance(refused.value, NoExporter)
        assert str(refused.value) == f"{young.url}: no data yet"


def test_a_refusal_of_the_history_is_passed_on() -> None:
    """The exporter's own line, with its address."""
    with served({"/history": (400, "since: is no time\n")}) as exporter:
        with pytest.raises(Unavailable) as refused:
            exporter.history_parts({"since": "soon"})
        assert str(refused.value) == f"{exporter.url}: since: is no time"


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("http://dome:9786/", "http://dome:9786"),
        ("dome", "http://dome:9786"),
        ("dome:1234", "http://dome:1234"),
        ("https://dome/disks/", "https://dome:443/disks"),
        ("http://dome", "http://dome:80"),
        ("[::1]:9786", "http://[::1]:9786"),
    ],
)
def test_ways_to_write_an_address(text: str, address: str) -> None:
    """A URL (RFC 3986), or a host with or without a port."""
    assert url(text).url == address


@pytest.mark.parametrize("text", ["", "ftp://dome", "dome:port", "http://", "dome:99999"])
def test_what_is_not_an_address(text: str) -> None:
    """One complaint, with an example."""
    with pytest.raises(argparse.ArgumentTypeError, match=r"such as http://127\.0\.0\.1:9786"):
        url(text)


def test_where_an_exporter_listens_is_where_it_is_called() -> None:
    """Listening on all addresses includes the loopback address."""
    assert listening(("0.0.0.0", 9786)).url == "http://127.0.0.1:9786"
    assert listening(("::", 9786)).url == "http://[::1]:9786"
    assert listening(("192.0.2.7", 9786)).url == "http://192.0.2.7:9786"
