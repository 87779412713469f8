"""The server over real sockets: where it binds, what it loads, how it takes load, how it stops."""

from __future__ import annotations

import http.client
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress

import pytest

from spinledger.errors import Unavailable
from spinledger.facts import Snapshot
from spinledger.web.server import MOST, WebServer
from tests.fakes.patience import until
from tests.fakes.servers import Serve, serve
from tests.fakes.snapshots import attic, full_view, snapshot

__all__ = ["serve"]  # the fixture


def get(server: WebServer, path: str, **headers: str) -> tuple[int, bytes]:
    """Status and body of one request on a connection of its own."""
    connection = http.client.HTTPConnection(*server.address, timeout=20)
    try:
        connection.request("GET", path, headers=headers)
        answer = connection.getresponse()
        return answer.status, answer.read()
    finally:
        connection.close()


def left_after(before: set[threading.Thread], seconds: float) -> set[threading.Thread]:
    """Threads begun since, that still run after at most so long."""
    deadline = time.monotonic() + seconds
    while (left := set(threading.enumerate()) - before) and time.monotonic() < deadline:
        time.sleep(0.01)
    return left


def raw(server: WebServer, request: bytes) -> bytes:
    """What comes back for these bytes, until the server closes."""
    with socket.create_connection(server.address, timeout=20) as connection:
        connection.sendall(request)
        received = b""
        while chunk := connection.recv(65536):
            received += chunk
    return received


def test_it_listens_only_on_the_given_address(serve: Serve) -> None:
    """Bound to one loopback address, the port is closed on another (RFC 1122: 127/8 loops back)."""
    server = serve()
    host, port = server.address
    assert host == "127.0.0.1"
    assert port > 0
    assert server.url == f"http://127.0.0.1:{port}/"
    assert get(server, "/-/healthy") == (200, b"healthy\n")
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.2", port), timeout=5)


def test_ipv6_is_served(serve: Serve) -> None:
    """An IPv6 address works, and stands in brackets in the URL (RFC 3986, 3.2.2)."""
    server = serve(host="::1")
    assert server.url == f"http://[::1]:{server.address[1]}/"
    assert get(server, "/-/healthy") == (200, b"healthy\n")


def test_a_name_is_served(serve: Serve) -> None:
    """A host name is looked up when the server starts."""
    assert get(serve(host="localhost"), "/-/ready") == (200, b"ready\n")


def test_an_address_in_use_is_one_line_with_the_fix(serve: Serve) -> None:
    """A second server on the same port is refused with what to do."""
    address = serve().address
    with pytest.raises(Unavailable) as refused:
        WebServer(address, attic).start()
    assert refused.value.reason == "address_in_use"
    assert str(refused.value) == (
        f"127.0.0.1:{address[1]} is in use by another program; "
        "stop that one or choose another port with --listen"
    )


@pytest.mark.parametrize(
    "listen",
    [
        ("192.0.2.1", 9786),  # RFC 5737: a documentation address, no host's own
        ("no-such-host.invalid", 9786),  # RFC 6761: .invalid never resolves
        ("127.0.0.1", 65536),
        ("", 9786),
    ],
)
def test_an_address_that_cannot_be_had_is_one_line(listen: tuple[str, int]) -> None:
    """An address of no one, a name that is none, a port beyond the range: one line, no thread."""
    before = set(threading.enumerate())
    with pytest.raises(Unavailable) as refused:
        WebServer(listen, attic).start()
    assert refused.value.reason == "address_unusable"
    assert "--listen" in str(refused.value)
    assert "\n" not in str(refused.value)
    assert left_after(before, 2.0) == set()


FIRST_REQUESTS = """
import http.client, sys, threading
from spinledger.web.server import WebServer
from tests.fakes.recorded import context_of, shelf

whole, histories = shelf(8)
context = context_of(histories)  # its zone is read here, as a configuration's is at the start
events = []
mine = threading.get_ident()

def hook(event, arguments):
    if threading.get_ident() != mine and (
        event in ("open", "import", "exec", "compile") or event.startswith("os.")
    ):
        events.append((event, repr(arguments)))

now = []  # as in `serve`: there is no snapshot yet when the server is made
server = WebServer(
    ("127.0.0.1", 0),
    lambda: now[0] if now else None,
    lambda query: iter([b"{}"]),
    context,
)
server.start()
now.append(whole)
sys.addaudithook(hook)

def get(path, accept, encoding):
    connection = http.client.HTTPConnection(*server.address, timeout=20)
    connection.request("GET", path, headers={"Accept": accept, "Accept-Encoding": encoding})
    connection.getresponse().read()
    connection.close()

for path in ("/metrics", "/metrics?name[]=spinledger_disk_info", "/snapshot", "/", "/?range=30d",
             "/?range=7d", "/disk/" + next(iter(histories)), "/disk/none", "/-/healthy", "/-/ready",
             "/history", "/none"):
    for accept in ("*/*", "application/openmetrics-text;version=1.0.0"):
        for encoding in ("identity", "gzip"):
            get(path, accept, encoding)
print(events)

events.clear()
reader = threading.Thread(target=lambda: open(sys.executable, "rb").close())
reader.start()
reader.join()
print(len(events))
"""


def test_a_request_opens_and_imports_nothing() -> None:
    """From the very first request of a process on, no page opens a file or loads a module.

    Python, "Audit events table": open, import, exec, compile, os.*. A module loaded late would be
    read from a disk that may be asleep. The second line shows that the watch does see a file
    opened in another thread; the program ends without `stop`, which must not hold it.
    """
    done = subprocess.run(
        [sys.executable, "-c", FIRST_REQUESTS],
        capture_output=True,
        text=True,
        timeout=60,
        env={"PYTHONPATH": os.pathsep.join(path for path in sys.path if path)},
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines() == ["[]", "1"]


def test_an_answer_that_breaks_off_leaves_no_line(capfd: pytest.CaptureFixture[str]) -> None:
    """A body that fails half way closes the connection and writes to no stream."""

    def histories(query: Mapping[str, str]) -> Iterator[bytes]:
        yield b"a"
        raise RuntimeError("torn")

    server = WebServer(("127.0.0.1", 0), attic, histories)
    server.start()
    try:
        with pytest.raises(http.client.IncompleteRead):
            get(server, "/history")
        assert get(server, "/-/healthy")[0] == 200
    finally:
        server.stop()
    assert capfd.readouterr() == ("", "")


def _ended(connection: socket.socket) -> bool:
    """Whether the server has closed it."""
    with suppress(BlockingIOError):
        try:
            return connection.recv(1, socket.MSG_DONTWAIT) == b""
        except ConnectionResetError:
            return True
    return False


def test_slow_clients_give_way_to_the_newest(serve: Serve) -> None:
    """At the cap the oldest client without a whole request is closed, and all others are served.

    Three times as many as may be connected begin a request and do not go on; a connection of
    a scraper, older than all, has sent whole requests and stays.
    """
    server = serve()
    scraper = http.client.HTTPConnection(*server.address, timeout=20)
    slow = []
    try:
        for number in range(3 * MOST):
            if number % 32 == 0:
                scraper.request("GET", "/metrics")
                assert scraper.getresponse().read()
            slow.append(_half(server))
        assert get(server, "/metrics")[0] == 200
        first = scraper.sock
        scraper.request("GET", "/-/healthy")
        assert scraper.getresponse().read() == b"healthy\n"
        assert scraper.sock is first
        until(lambda: all(map(_ended, slow[:MOST])), "the oldest are closed")
        assert not any(map(_ended, slow[-MOST // 2 :]))
    finally:
        for connection in slow:
            connection.close()
        scraper.close()


@pytest.mark.parametrize("begun", [b"", b"GET /metrics HT"], ids=["silent", "half"])
def test_a_request_has_a_deadline(
    serve: Serve, begun: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A client that does not finish its request is closed, though nothing presses."""
    monkeypatch.setattr("spinledger.web.connection.RECEIVE_S", 0.01)
    with socket.create_connection(serve().address) as connection:
        with suppress(OSError):
            connection.sendall(begun)
        until(lambda: _ended(connection), "the deadline")


def test_an_answer_that_is_not_read_has_a_deadline(
    serve: Serve, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A client that does not read its answers is closed."""
    monkeypatch.setattr("spinledger.web.connection.SEND_S", 0.2)
    views = tuple(full_view(number) for number in range(60))
    deaf = _deaf(serve(lambda: snapshot(*views)))

    def cut() -> bool:
        try:
            return deaf.send(b"x", socket.MSG_DONTWAIT) == 0
        except BlockingIOError:
            return False
        except ConnectionError:
            return True

    try:
        until(cut, "the deadline")
    finally:
        deaf.close()


def test_health_answers_while_everything_else_is_busy() -> None:
    """With every thread stuck in a page, /-/healthy answers."""
    stuck = threading.Event()

    def histories(query: Mapping[str, str]) -> Iterator[bytes]:
        stuck.wait()
        yield b"{}"

    def current() -> Snapshot:
        stuck.wait()
        return attic()

    server = WebServer(("127.0.0.1", 0), current, histories)
    server.start()
    waiting = []
    try:
        for path in ("/history", "/metrics", "/") * 10:
            connection = socket.create_connection(server.address)
            connection.sendall(f"GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n".encode())
            waiting.append(connection)
        assert get(server, "/-/healthy") == (200, b"healthy\n")
    finally:
        stuck.set()
        for connection in waiting:
            connection.close()
        server.stop()


FEW_DESCRIPTORS = """
import os, resource, subprocess, sys
from spinledger.web.access import Access
from spinledger.web.server import WebServer
from tests.fakes.snapshots import attic

FLOOD = "\\n".join((
    "import socket, sys",
    "held = [socket.create_connection(('127.0.0.1', int(sys.argv[1]))) for _ in range(60)]",
    "print('connected', flush=True)",
    "sys.stdin.read()",
))
CLIENT = "\\n".join((
    "import sys, urllib.request",
    "print(urllib.request.urlopen(sys.argv[1] + '-/healthy', timeout=300).read().decode(), end='')",
))
access = Access(print, print)
access.use(None)
server = WebServer(("127.0.0.1", 0), attic, access=access)
server.start()
flooding = subprocess.Popen(
    [sys.executable, "-c", FLOOD, str(server.address[1])],
    stdin=subprocess.PIPE, stdout=subprocess.PIPE,
)
resource.setrlimit(resource.RLIMIT_NOFILE, (20, 20))
flooding.stdout.readline()
for _ in range(2):
    client = os.posix_spawn(sys.executable, [sys.executable, "-c", CLIENT, server.url], os.environ)
    os.waitpid(client, 0)
    flooding.stdin.close()
    flooding.wait()
server.stop()
"""


def test_without_descriptors_the_server_gives_way_and_recovers() -> None:
    """With 20 descriptors, 60 silent clients take all of them: the next is answered none the less,
    and when they have gone too. A process of its own, limited by setrlimit(2).
    """
    done = subprocess.run(
        [sys.executable, "-c", FEW_DESCRIPTORS],
        capture_output=True,
        text=True,
        timeout=600,
        env={"PYTHONPATH": os.pathsep.join(path for path in sys.path if path)},
    )
    assert (done.returncode, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert sorted(lines) == [
        "healthy",
        "healthy",
        "no room for another client (too many open files); idle ones are closed",
    ]


def test_a_connection_serves_many_requests(serve: Serve) -> None:
    """A scraper's connection is kept: RFC 9112, 9.3, persistent by default in HTTP/1.1."""
    connection = http.client.HTTPConnection(*serve().address, timeout=20)
    connection.connect()
    first = connection.sock
    for method, path in (("GET", "/metrics"), ("HEAD", "/metrics"), ("GET", "/no"), ("GET", "/")):
        connection.request(method, path)
        connection.getresponse().read()
        assert connection.sock is first
    connection.close()


@pytest.mark.parametrize(
    ("request_bytes", "status"),
    [
        (b"nonsense\r\n\r\n", b"400"),
        (b"GET /metrics HTTP/1.1\r\nHost: localhost\r\nX: " + b"x" * 20_000 + b"\r\n\r\n", b"431"),
        (b"POST /metrics HTTP/1.1\r\nHost: localhost\r\nContent-Length: 99999\r\n\r\n", b"413"),
        (b"GET /%2e%2e/etc/passwd HTTP/1.0\r\n\r\n", b"404"),
        (b"DELETE / HTTP/1.0\r\n\r\n", b"405"),
    ],
    ids=["no request", "long header", "long body", "path upwards", "method"],
)
def test_odd_requests_are_refused(
    serve: Serve, capfd: pytest.CaptureFixture[str], request_bytes: bytes, status: bytes
) -> None:
    """Malformed and outsized requests get a status of their own, and no line on any stream."""
    server = serve()
    assert raw(server, request_bytes).split()[1] == status
    assert get(server, "/-/healthy")[0] == 200
    assert capfd.readouterr() == ("", "")


def _half(server: WebServer) -> socket.socket:
    connection = socket.create_connection(server.address)
    connection.sendall(b"GET /metrics HTTP/1.1\r\nHost:")
    return connection


def _deaf(server: WebServer) -> socket.socket:
    connection = socket.socket()
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    connection.connect(server.address)
    connection.sendall(b"GET /metrics HTTP/1.1\r\nHost: localhost\r\n\r\n" * 50)
    return connection


def _kept(server: WebServer) -> socket.socket:
    connection = socket.create_connection(server.address)
    connection.sendall(b"GET /-/healthy HTTP/1.1\r\nHost: localhost\r\n\r\n")
    connection.recv(65536)
    return connection


def _silent(server: WebServer) -> socket.socket:
    return socket.create_connection(server.address)


@pytest.mark.parametrize(
    "hold", [None, _silent, _kept, _half, _deaf], ids=["none", "silent", "kept", "half", "deaf"]
)
def test_it_stops_without_waiting_for_clients(
    serve: Serve,
    hold: Callable[[WebServer], socket.socket] | None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Whatever clients hold open, `stop` returns, frees the port, leaves no thread.

    Held connections would end by themselves after an hour only, so it is `stop` that ends them;
    the bound of a minute leaves room for a busy machine.
    """
    for name in ("RECEIVE_S", "KEEP_S", "SEND_S"):
        monkeypatch.setattr(f"spinledger.web.connection.{name}", 3600)
    before = set(threading.enumerate())
    views = tuple(full_view(number) for number in range(60))
    server = serve(lambda: snapshot(*views))
    held = [hold(server) for _ in range(6)] if hold else []
    try:
        time.sleep(0.3)
        server.stop()
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(server.address, timeout=5)
        assert left_after(before, 60.0) == set()
        server.stop()  # a second time is no harm
    finally:
        for connection in held:
            connection.close()
