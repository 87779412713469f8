"""How the server begins: without a thread it does not, and ready is said at once."""

from __future__ import annotations

import http.client
import threading

import pytest

from spinledger.errors import Unavailable
from spinledger.facts import Snapshot
from spinledger.web.server import WebServer
from tests.fakes.snapshots import attic


@pytest.mark.parametrize("first", ["web", "web-metrics"])
def test_no_thread_is_one_line_and_no_exporter_without_pages(
    monkeypatch: pytest.MonkeyPatch, first: str
) -> None:
    """Where the system gives none from the named one on; Python's own words are in the line."""
    start = threading.Thread.start

    def refused(thread: threading.Thread) -> None:
        if thread.name == first:
            raise RuntimeError("can't start new thread")
        start(thread)

    monkeypatch.setattr(threading.Thread, "start", refused)
    server = WebServer(("127.0.0.1", 0), attic)
    with pytest.raises(Unavailable, match=r"can't start new thread.*TasksMax"):
        server.start()
    server.stop()


def test_ready_is_said_without_a_new_snapshot() -> None:
    """It is answered beside all connections, so it waits for nothing."""
    asked: list[str] = []

    def current() -> Snapshot | None:
        asked.append("a snapshot")
        return attic()

    server = WebServer(("127.0.0.1", 0), current, begun=lambda: True)
    server.start()
    connection = http.client.HTTPConnection(*server.address, timeout=60)
    connection.request("GET", "/-/ready")
    assert connection.getresponse().status == 200
    connection.close()
    server.stop()
    assert asked == []
