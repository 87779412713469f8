"""The server: a listening socket and a small pool of threads over the WSGI application.

Rules of this room:
- It binds the given address, loopback by default; port 0 takes a free port, which `address` gives.
- Nothing is logged above debug, and no request is logged at all: a log line may wake the disk it
  is written to.
- Nothing is imported during a request: all modules are imported at the top of ours.
- `stop` returns within a second whatever the clients do: running requests get a moment, then
  their sockets are shut.
"""

from __future__ import annotations

import errno
import logging
import socket
import threading
import time
from contextlib import suppress
from queue import SimpleQueue
from typing import Any
from weakref import WeakSet

from cheroot.server import HTTPConnection
from cheroot.wsgi import WSGIServer

from spinledger.errors import Unavailable
from spinledger.metrics.collector import Current, Wall
from spinledger.web.app import NO_CONTEXT, Application, History, application
from spinledger.web.context import PageContext

THREADS = 4
BACKLOG = 64  # connections the kernel holds while all threads are busy
IDLE_S = 5  # a connection that stops in the middle of a request is closed; it holds a thread
SWEEP_S = 2.0  # between searches for idle connections: the only wakeups of a quiet server
HEADER_BYTES = 16_384
BODY_BYTES = 4_096  # no page takes a body
GRACE_S = 0.4  # for requests under way when the server is stopped
STOP_S = 0.9  # after which stop returns

_LOG = logging.getLogger(__name__)


class WebServer:
    """Serves the newest snapshot. `listen` is (host, port), IPv4, IPv6 or a name.

    `current` gives the newest snapshot or None; `history` gives the history (web.app.History),
    `context` what the pages for people show beside the snapshot.
    Raises Unavailable for an empty host, which would mean all addresses.
    """

    def __init__(
        self,
        listen: tuple[str, int],
        current: Current,
        history: History | None = None,
        context: PageContext = NO_CONTEXT,
        wall: Wall = time.time_ns,
    ) -> None:
        if not listen[0]:
            raise _unavailable(*listen, ValueError("no host is named"))
        self._listen = listen
        self._server = _Server(
            listen,
            application(current, history, context, wall),
            numthreads=THREADS,
            max=THREADS,
            request_queue_size=BACKLOG,
            timeout=IDLE_S,
            shutdown_timeout=GRACE_S,
            server_name="spinledger",
        )
        self._thread: threading.Thread | None = None

    @property
    def address(self) -> tuple[str, int]:
        """Host and port; after `start` the real port."""
        host, port = self._server.bind_addr
        return str(host), int(port)

    @property
    def url(self) -> str:
        """The landing page's address."""
        host, port = self.address
        return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"

    def start(self) -> None:
        """Bind, listen and serve from threads of its own.

        Raises Unavailable, in one line with the fix, if the address is not available.
        """
        opened: SimpleQueue[Exception | None] = SimpleQueue()
        thread = threading.Thread(target=self._run, args=(opened,), name="web", daemon=True)
        thread.start()
        refused = opened.get()
        if refused is None:
            self._thread = thread
        elif isinstance(refused, OSError | ValueError | OverflowError):
            raise _unavailable(*self._listen, self._server.refused or refused) from refused
        else:
            raise refused

    def _run(self, opened: SimpleQueue[Exception | None]) -> None:
        """Open the port from a daemon thread: the pool's threads inherit that, and hold no exit."""
        try:
            socket.getaddrinfo(*self._listen, type=socket.SOCK_STREAM)
            self._server.prepare()
        except Exception as refused:  # handed over to the caller of start
            opened.put(refused)
            return
        opened.put(None)
        self._server.serve()

    def stop(self) -> None:
        """Close the port and end the threads, within a second; may be called twice."""
        thread, self._thread = self._thread, None
        if thread is None:
            return
        address = self.address
        began = time.monotonic()
        stopping = threading.Thread(target=self._server.stop, name="web-stop", daemon=True)
        stopping.start()
        while stopping.is_alive() and time.monotonic() - began < STOP_S:
            if time.monotonic() - began < GRACE_S:
                _nudge(address)
            else:
                self._server.shut()
            stopping.join(0.02)
        thread.join(0.05)


class _Connection(HTTPConnection):
    """Remembers itself, so that `stop` can shut it."""

    def __init__(self, server: _Server, *args: Any, **more: Any) -> None:
        super().__init__(server, *args, **more)
        server.connections.add(self)


class _Server(WSGIServer):
    """The server with our limits, and silent."""

    ConnectionClass = _Connection
    expiration_interval = SWEEP_S
    max_request_header_size = HEADER_BYTES
    max_request_body_size = BODY_BYTES

    def __init__(self, listen: tuple[str, int], app: Application, **more: Any) -> None:
        self.connections: WeakSet[_Connection] = WeakSet()
        self.refused: OSError | None = None
        super().__init__(listen, app, **more)

    def bind(self, family: int, type: int, proto: int = 0) -> socket.socket:
        """Bind; keeps the system's refusal, which the caller would turn into text.

        The kernel hands a connection over when its first byte is there (tcp(7), TCP_DEFER_ACCEPT),
        so that connections opened in advance, as browsers do, hold no thread.
        """
        try:
            bound: socket.socket = super().bind(family, type, proto)
        except OSError as refused:
            self.refused = refused
            raise
        bound.setsockopt(socket.IPPROTO_TCP, socket.TCP_DEFER_ACCEPT, IDLE_S)
        return bound

    def error_log(self, msg: str = "", level: int = 20, traceback: bool = False) -> None:
        """Debug only. A traceback is made only if someone reads it: making one opens files."""
        _LOG.debug("%s", msg, exc_info=traceback)

    def shut(self) -> None:
        """Shut every open connection, whatever it is doing."""
        for connection in list(self.connections):
            with suppress(OSError):
                connection.socket.shutdown(socket.SHUT_RDWR)


def _nudge(address: tuple[str, int]) -> None:
    """Wake the listening thread, which otherwise sleeps until its next sweep."""
    with suppress(OSError), socket.create_connection(address, timeout=0.05) as connection:
        connection.sendall(b"\r\n")


def _unavailable(host: str, port: int, refused: Exception) -> Unavailable:
    """The operating system's refusal, in one line with the fix."""
    where = f"{host}:{port}"
    code = refused.errno if isinstance(refused, OSError) else None
    if code == errno.EADDRINUSE:
        return Unavailable(
            "address_in_use",
            f"{where} is in use by another program; stop that one or choose another port "
            "with --listen",
        )
    if code == errno.EACCES:
        return Unavailable(
            "address_refused",
            f"{where} needs root, as every port below 1024; choose a higher one with --listen",
        )
    return Unavailable(
        "address_unusable",
        f"{where} is not an address of this host ({refused}); give one with --listen, such as "
        "127.0.0.1:9786",
    )
