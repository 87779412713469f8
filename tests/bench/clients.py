"""Clients that cost little: one thread, epoll and raw sockets, beside the server they measure.

A latency runs from when its request was due to when epoll said that the first byte of the answer
had come. A request that is due while the one before it waits is sent after that, and counts from
when it was due, so all that a server delays is counted. How late the clients themselves were is
kept beside it (`Clients.behind`).
"""

from __future__ import annotations

import errno
import re
import select
import socket
import ssl
import time
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass
from heapq import heappop, heappush
from itertools import count

OWN, OTHER = "127.0.0.1", "127.0.0.2"  # addresses of those who may read, and of the others
SLOW_S = 3.0  # between two bytes of a slow client, and before it comes again
READ = 262_144
_LENGTH = re.compile(rb"^content-length: *(\d+)", re.IGNORECASE | re.MULTILINE)
_PART = b"GET /metrics HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"x" * 1000


@dataclass
class Target:
    """A server, and how TLS is spoken with it; the newest session is used again."""

    port: int
    context: ssl.SSLContext | None = None
    session: ssl.SSLSession | None = None
    handshakes: int = 0
    resumed: int = 0


class Clients:
    """A loop of sockets and timers."""

    def __init__(self) -> None:
        self._epoll = select.epoll()
        self._handlers: dict[int, Callable[[float], None]] = {}
        self._timers: list[tuple[float, int, Callable[[], None]]] = []
        self._order = count()
        self.behind: list[float] = []

    def at(self, when: float, call: Callable[[], None]) -> None:
        """Call it then, in time.monotonic()."""
        heappush(self._timers, (when, next(self._order), call))

    def watch(self, sock: socket.socket, events: int, handler: Callable[[float], None]) -> None:
        """Have the handler called, with the time, whenever the socket is ready."""
        if sock.fileno() in self._handlers:
            self._epoll.modify(sock, events)
        else:
            self._epoll.register(sock, events)
        self._handlers[sock.fileno()] = handler

    def forget(self, sock: socket.socket) -> None:
        """Watch it no longer."""
        if self._handlers.pop(sock.fileno(), None):
            self._epoll.unregister(sock)

    def run(self, ends: float) -> None:
        """Until that time."""
        while (now := time.monotonic()) < ends:
            while self._timers and self._timers[0][0] <= now:
                due, _, call = heappop(self._timers)
                self.behind.append(now - due)
                call()
            wait = (self._timers[0][0] if self._timers else ends) - time.monotonic()
            ready = self._epoll.poll(max(0.0, min(wait, 0.5)))
            now = time.monotonic()
            for descriptor, _ in ready:
                handler = self._handlers.get(descriptor)
                if handler is not None:
                    handler(now)


class Connection:
    """One connection: `came` is called with the time and the bytes, or with None at its end."""

    def __init__(
        self,
        clients: Clients,
        target: Target,
        came: Callable[[float, bytes | None], None],
        address: str = OWN,
        plain: bool = False,
    ) -> None:
        self._clients, self._target, self._came = clients, target, came
        self._context = None if plain else target.context
        self._out = b""
        self._handshaking = False
        self._connected = False
        self._sock = socket.socket()
        self._sock.setblocking(False)
        self._sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._sock.bind((address, 0))
        failed = self._sock.connect_ex((OWN, target.port))
        if failed not in (0, errno.EINPROGRESS):
            clients.at(time.monotonic(), self.lost)
            return
        clients.watch(self._sock, select.EPOLLOUT, self._ready)

    def send(self, data: bytes) -> None:
        """Send it when the connection stands."""
        self._out += data
        if self._connected and not self._handshaking:
            self._flush()

    def lost(self) -> None:
        """End it, and say so."""
        self.close()
        self._came(time.monotonic(), None)

    def close(self) -> None:
        """End it."""
        if isinstance(self._sock, ssl.SSLSocket) and not self._handshaking:
            self._target.session = self._sock.session or self._target.session
        self._clients.forget(self._sock)
        self._sock.close()

    def _ready(self, now: float) -> None:
        try:
            if not self._connected:
                self._begin()
            if self._handshaking and not self._handshake():
                return
            self._flush()
            data = self._sock.recv(READ)
        except (BlockingIOError, ssl.SSLWantReadError):
            return
        except OSError:
            data = b""
        if data:
            self._came(now, data)
        else:
            self.lost()

    def _begin(self) -> None:
        if failed := self._sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
            raise OSError(failed, "not connected")
        self._connected = True
        if self._context is not None:
            self._clients.forget(self._sock)
            self._handshaking = True
            self._sock = self._context.wrap_socket(
                self._sock,
                server_hostname=OWN,
                do_handshake_on_connect=False,
                session=self._target.session,
            )
        self._clients.watch(self._sock, select.EPOLLIN, self._ready)

    def _handshake(self) -> bool:
        assert isinstance(self._sock, ssl.SSLSocket)
        try:
            self._sock.do_handshake()
        except ssl.SSLWantReadError:
            return False
        self._handshaking = False
        self._target.handshakes += 1
        self._target.resumed += bool(self._sock.session_reused)
        return True

    def _flush(self) -> None:
        if self._out:
            self._sock.send(self._out)  # some hundred bytes: the kernel takes all of them
            self._out = b""


class Requests:
    """Requests at even intervals, one at a time, on a kept connection unless `kept` is False.

    `request` makes the next one, `done` gets status and body. As HTTP clients do (RFC 9110, section
    9.2.2), a request on a kept connection that was closed before the answer is sent once more.
    """

    def __init__(
        self,
        clients: Clients,
        target: Target,
        request: Callable[[], bytes],
        every_s: float,
        first_s: float,
        kept: bool = True,
        address: str = OWN,
        done: Callable[[int, bytes], None] = lambda status, body: None,
    ) -> None:
        self._clients, self._target, self._request = clients, target, request
        self._every_s, self._kept, self._address, self._done = every_s, kept, address, done
        self._due: deque[float] = deque()
        self._connection: Connection | None = None
        self._again = False  # whether a closed connection is no failure
        self._got = b""
        self._first = 0.0
        self.latencies: list[float] = []
        self.statuses: Counter[int] = Counter()  # 0: closed without an answer
        self._next = time.monotonic() + first_s
        clients.at(self._next, self._tick)

    def left(self, now: float) -> list[float]:
        """How long those that have no answer have waited."""
        return [now - due for due in self._due]

    def _tick(self) -> None:
        self._due.append(self._next)
        self._next += self._every_s
        self._clients.at(self._next, self._tick)
        if len(self._due) == 1:
            self._send()

    def _send(self) -> None:
        self._got, self._first = b"", 0.0
        self._again = self._connection is not None
        if self._connection is None:
            self._connection = Connection(self._clients, self._target, self._came, self._address)
        self._connection.send(self._request())

    def _came(self, now: float, data: bytes | None) -> None:
        self._first = self._first or now
        self._got += data or b""
        head, found, body = self._got.partition(b"\r\n\r\n")
        size = _LENGTH.search(head)
        closing = data is None or not self._kept or size is None
        if data is not None and (not found or size is None or len(body) < int(size[1])):
            return
        if closing and self._connection is not None:
            self._connection.close()
            self._connection = None
        if self._due and self._again and not self._got:
            self._send()
        elif self._due:
            self._ended(int(head.split()[1]) if found else 0, body)

    def _ended(self, status: int, body: bytes) -> None:
        due = self._due.popleft()
        self.statuses[status] += 1
        if status == 200:
            self.latencies.append(self._first - due)
        self._done(status, body)
        if self._due:
            self._send()


class Slow:
    """A client that sends a byte every SLOW_S, and comes again when it was closed; in TLS after the
    handshake, unless `plain`.
    """

    def __init__(self, clients: Clients, target: Target, first_s: float, plain: bool) -> None:
        self._clients, self._target, self._plain = clients, target, plain
        self._connection: Connection | None = None
        self._sent = 0
        self.closed = 0
        self._come(time.monotonic() + first_s)

    def _come(self, when: float) -> None:
        def connect() -> None:
            self._sent = 0
            made = Connection(self._clients, self._target, self._came, plain=self._plain)
            self._connection = made
            self._byte(made)

        self._clients.at(when, connect)

    def _byte(self, connection: Connection) -> None:
        if self._connection is not connection:  # that one was closed
            return
        try:
            connection.send(_PART[self._sent : self._sent + 1])
        except OSError:
            connection.lost()
            return
        self._sent += 1
        self._clients.at(time.monotonic() + SLOW_S, lambda: self._byte(connection))

    def _came(self, now: float, data: bytes | None) -> None:
        if data is None and self._connection is not None:
            self._connection = None
            self.closed += 1
            self._come(now + SLOW_S)
