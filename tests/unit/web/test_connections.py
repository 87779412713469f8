"""What many clients at once cost: none gives way unheard, and none leaves memory behind."""

from __future__ import annotations

import gc
import http.client
import socket
import threading
from contextlib import suppress

import pytest

from spinledger.web.connection import Connection
from spinledger.web.server import MOST, WebServer
from tests.fakes.patience import PATIENCE_S, until
from tests.fakes.snapshots import attic


def test_a_client_whose_request_waits_unread_does_not_give_way() -> None:
    """While the loop is held, more clients than may be connected send whole requests: each is
    answered, since none of them was slow.
    """
    server = WebServer(("127.0.0.1", 0), attic)
    server.start()
    go_on = threading.Event()
    clients = []
    try:
        assert server._loop is not None
        server._loop.call_soon_threadsafe(go_on.wait, PATIENCE_S)
        for _ in range(3 * MOST // 2):
            client = http.client.HTTPConnection(*server.address, timeout=PATIENCE_S)
            client.request("GET", "/-/healthy")
            clients.append(client)
        go_on.set()
        assert {client.getresponse().read() for client in clients} == {b"healthy\n"}
    finally:
        go_on.set()
        for client in clients:
            client.close()
        server.stop()


@pytest.mark.parametrize(
    ("sent", "slow"),
    [(b"", True), (b"GET / HT", True), (b"no HTTP\r\n\r\n", True), (b"", False), (b"GET", False)],
    ids=["silent", "half", "no HTTP", "gone", "gone half"],
)
def test_a_closed_connection_leaves_nothing_for_the_collection_of_garbage(
    monkeypatch: pytest.MonkeyPatch, sent: bytes, slow: bool
) -> None:
    """Without any collection its memory is free once it has ended, by the server or the client."""
    if slow:
        monkeypatch.setattr("spinledger.web.connection.RECEIVE_S", 0.01)
    gc.collect()
    gc.disable()
    try:
        server = WebServer(("127.0.0.1", 0), attic)
        server.start()
        client = socket.create_connection(server.address)
        client.sendall(sent)
        if slow:
            client.settimeout(PATIENCE_S)
            with suppress(ConnectionResetError):
                while client.recv(1024):
                    pass
        else:
            until(lambda: _connections(), "the server has accepted it")
            client.close()
        until(lambda: not _connections(), "its end")
        client.close()
        server.stop()
    finally:
        gc.enable()


def _connections() -> list[Connection]:
    return [one for one in gc.get_objects() if isinstance(one, Connection)]
