"""A fixture that starts web servers of a test; a test module imports it by its name."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from spinledger.metrics.collector import Current
from spinledger.web.server import WebServer
from tests.fakes.snapshots import attic

Serve = Callable[..., WebServer]


@pytest.fixture
def serve() -> Iterator[Serve]:
    """Starts servers on a free loopback port, and stops them afterwards."""
    started: list[WebServer] = []

    def start(current: Current = attic, host: str = "127.0.0.1") -> WebServer:
        server = WebServer((host, 0), current)
        server.start()
        started.append(server)
        return server

    yield start
    for server in started:
        server.stop()
