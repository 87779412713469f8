"""Counters that begin at zero stay there until those who read them have seen it.

Common practice, no source: a scraper reads every two minutes or more often.
"""

from __future__ import annotations

import http.client
import socket
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from spinledger.app.publishers import HOLD_NS, Latest, TextFile
from spinledger.model import SECOND
from spinledger.web.server import WebServer
from tests.fakes.patience import until
from tests.fakes.snapshots import full_view, snapshot

Held = tuple[Latest, WebServer, list[int]]


@pytest.fixture
def held() -> Iterator[Held]:
    """A publisher behind a server, and the boot clock."""
    clock = [5 * SECOND]
    latest = Latest(lambda: clock[0])
    server = WebServer(("127.0.0.1", 0), latest.current, scraped=latest.scraped)
    server.start()
    yield latest, server, clock
    server.stop()


def get(server: WebServer, method: str, path: str) -> None:
    """One request, read whole."""
    connection = http.client.HTTPConnection(*server.address, timeout=60)
    connection.request(method, path)
    connection.getresponse().read()
    connection.close()


def test_a_whole_scrape_alone_ends_it(held: Held) -> None:
    """No page, health check, HEAD, part of the metrics or scrape before the first disk does."""
    latest, server, clock = held
    get(server, "GET", "/metrics")
    latest.publish(snapshot(full_view(1)))
    for path in (
        "/",
        "/-/ready",
        "/-/healthy",
        "/snapshot",
        "/metrics?name[]=spinledger_disk_info",
    ):
        get(server, "GET", path)
    get(server, "HEAD", "/metrics")
    clock[0] += 2 * HOLD_NS
    assert not latest.taken()
    get(server, "GET", "/metrics")

    def taken() -> bool:
        clock[0] += HOLD_NS
        return latest.taken()

    until(taken)


def test_an_answer_that_breaks_off_does_not_end_it(held: Held) -> None:
    """The client reads no more than the beginning."""
    latest, server, clock = held
    latest.publish(snapshot(*(full_view(number) for number in range(60))))
    with socket.socket() as client:
        client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        client.connect(server.address)
        client.sendall(b"GET /metrics HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert client.recv(100).startswith(b"HTTP/1.1 200")
    get(server, "GET", "/-/healthy")
    clock[0] += 2 * HOLD_NS
    assert not latest.taken()


def test_a_second_scraper_has_time_to_see_it(held: Held) -> None:
    """After the first scrape it stays for long enough that another that reads every two minutes
    has read.
    """
    latest, server, clock = held
    latest.publish(snapshot(full_view(1)))
    get(server, "GET", "/metrics")
    clock[0] += 121 * SECOND
    assert not latest.taken()


def test_a_text_file_has_to_stand_as_long(tmp_path: Path) -> None:
    """Whoever reads it may be late as well."""
    file = TextFile(tmp_path)
    first = snapshot(full_view(1))
    for seconds, taken in ((0, False), (121, False), (150, True)):
        file.publish(replace(first, at_ns=first.at_ns + seconds * SECOND))
        assert file.taken() is taken
