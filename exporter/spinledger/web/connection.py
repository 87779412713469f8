"""One client's connection: TLS handshake, requests, answers. HTTP/1.1 by h11 (RFC 9112).

Rules of this room:
- Each step has a deadline, so a client that is slow to send or to read is closed whatever it does;
  no thread works for a request that has not come whole.
- What is not HTTP, too long or not allowed gets one plain line and the end of the connection.
- No request is logged: a log line may wake the disk that it is written to.
"""

from __future__ import annotations

import asyncio
import enum
import socket
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from email.utils import formatdate
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote_to_bytes, urlsplit

import h11

from spinledger.web.app import Application, Headers
from spinledger.web.passwords import Busy

if TYPE_CHECKING:
    from spinledger.web.server import Serving

RECEIVE_S = 10.0  # a handshake; a request, from its first byte or the connection's beginning
KEEP_S = 90.0  # a connection between two requests
ANSWER_S = 30.0  # making an answer
SEND_S = 20.0  # sending a part of an answer
LINGER_S = 1.0  # reading on after a refusal, so that the client gets to read it
HEAD_BYTES = 16_384
READ_BYTES = 1_024  # at once; a head may be longer than its limit by less than this
BODY_BYTES = 4_096  # no page takes a body
PART_BYTES = 65_536

_ENDS = (OSError, TimeoutError, h11.ProtocolError, EOFError, asyncio.CancelledError)

QUICK = ("/-/healthy", "/-/ready")  # answered at once, whatever else is under way


class Phase(enum.IntEnum):
    """What a connection does, in the order in which connections are shed; WORKING is never."""

    NEW = 0  # no whole request has come yet
    KEPT = 1  # since the last answer none has
    SENDING = 2
    WORKING = 3


@dataclass(frozen=True, slots=True)
class Answer:
    """What goes back: an HTTP status, headers, and the body in parts."""

    status: int
    headers: Headers
    parts: Iterable[bytes]


class Refused(Exception):
    """A request that is answered by one line, after which the connection ends."""

    def __init__(self, status: int, line: str, *headers: tuple[str, str]) -> None:
        super().__init__(line)
        self.answer = Answer(
            status,
            [("Content-Type", "text/plain; charset=utf-8"), *headers],
            [f"{line}\n".encode("utf-8", "replace")],
        )


class _Protocol(asyncio.StreamReaderProtocol):
    """Counts the bytes that have come."""

    received = 0

    def data_received(self, data: bytes) -> None:
        """Bytes for the reader."""
        self.received += len(data)
        super().data_received(data)


class Connection:
    """A client, from accept to close. `since` is the loop's time at the start of its phase."""

    def __init__(self, serving: Serving, accepted: socket.socket, address: str) -> None:
        self._serving = serving
        self._socket = accepted
        self._address = address
        self._loop = asyncio.get_running_loop()
        self._http = h11.Connection(h11.SERVER, max_incomplete_event_size=HEAD_BYTES)
        self._reader: asyncio.StreamReader
        self._protocol: _Protocol | None = None
        self._taken = 0  # bytes
        self._writer: asyncio.StreamWriter | None = None
        self._head = False  # the request's method: its answer has no body
        self.phase = Phase.NEW
        self.since = self._loop.time()

    async def run(self) -> None:
        """Serve until either side ends it, or it is cancelled. Raises nothing."""
        try:
            await self._open()
            while await self._exchange():
                self._http.start_next_cycle()
        except _ENDS as end:  # the client is gone, or too slow, or gives way
            end.__traceback__ = None  # it would keep all of this until the next garbage collection
        finally:
            if self._writer is None:
                self._socket.close()
            else:
                self._writer.transport.abort()

    def unread(self) -> bool:
        """Whether the client has sent something of its request that was not read so far."""
        if self.phase is not Phase.NEW:
            return False
        if self._protocol is not None and self._protocol.received > self._taken:
            return True
        try:
            return bool(self._socket.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT))
        except OSError:
            return False

    def _turn(self, phase: Phase) -> None:
        self.phase, self.since = phase, self._loop.time()

    async def _open(self) -> None:
        """The handshake, and streams."""
        await self._serving.renewed()
        context = self._serving.access.rules.context
        waits: dict[str, float] = {}
        if context is not None:
            waits = {"ssl_handshake_timeout": RECEIVE_S, "ssl_shutdown_timeout": LINGER_S}
        self._reader = asyncio.StreamReader(limit=HEAD_BYTES)
        protocol = self._protocol = _Protocol(self._reader)
        transport, _ = await self._loop.connect_accepted_socket(
            lambda: protocol, self._socket, ssl=context, **waits
        )
        transport.set_write_buffer_limits(high=1, low=0)  # `drain` waits for all of it
        self._writer = asyncio.StreamWriter(transport, protocol, self._reader, self._loop)

    async def _exchange(self) -> bool:
        """One request and its answer; False where no other may follow."""
        try:
            request = await self._received()
            if request is None:
                return False
            self._turn(Phase.WORKING)
            answer = await self._answer(request)
        except Refused as refused:
            await self._send(refused.answer, end=True)
            return False
        await self._send(answer)
        if (request.method, request.target, answer.status) == (b"GET", b"/metrics", 200):
            self._serving.scraped()
        self._turn(Phase.KEPT)
        return self._http.our_state is h11.DONE and self._http.their_state is h11.DONE

    async def _received(self) -> h11.Request | None:
        """A whole request; None where the client ended the connection. Raises Refused."""
        request: h11.Request | None = None
        size = 0
        async with asyncio.timeout(RECEIVE_S if self.phase is Phase.NEW else KEEP_S) as deadline:
            while True:
                try:
                    event = self._http.next_event()
                except h11.RemoteProtocolError as wrong:
                    wrong.__traceback__ = None  # h11 leaves a circle in it
                    raise Refused(wrong.error_status_hint, str(wrong)) from None
                if event is h11.NEED_DATA:
                    data = await self._reader.read(READ_BYTES)
                    self._taken += len(data)
                    if self.phase is Phase.KEPT:  # the first bytes of the next request
                        self._turn(Phase.NEW)
                        deadline.reschedule(self._loop.time() + RECEIVE_S)
                    self._http.receive_data(data)
                elif isinstance(event, h11.Request):
                    request = event
                    self._head = event.method == b"HEAD"
                    if int(dict(event.headers).get(b"content-length", b"0")) > BODY_BYTES:
                        raise Refused(413, "no page takes a body")
                    if self._http.they_are_waiting_for_100_continue:
                        return request
                elif isinstance(event, h11.Data):
                    size += len(event.data)
                    if size > BODY_BYTES:
                        raise Refused(413, "no page takes a body")
                elif isinstance(event, h11.EndOfMessage):
                    return request
                else:  # the client has ended the connection
                    return None

    async def _answer(self, request: h11.Request) -> Answer:
        """The answer to a request. Raises Refused."""
        environ = _environ(request)
        serving = self._serving
        if not serving.host_allowed(environ.get("HTTP_HOST", "")):
            raise Refused(421, "the Host of the request is no known name; add it to web.host_names")
        await serving.renewed()
        rules = serving.access.rules
        assert self._writer is not None
        if not rules.certificate_fits(self._writer.get_extra_info("peercert")):
            raise Refused(403, "the client's certificate has none of the accepted names")
        if rules.passwords is not None:
            header = environ.pop("HTTP_AUTHORIZATION", "")
            try:
                known = await rules.passwords.verify(header, self._address, serving.checks)
            except Busy:
                raise Refused(503, "too many passwords to check", ("Retry-After", "1")) from None
            if not known:
                ask = ("WWW-Authenticate", 'Basic realm="spinledger", charset="UTF-8"')
                raise Refused(401, "a user of this exporter and a password are needed", ask)
        if environ["PATH_INFO"] in QUICK:
            return called(serving.app, environ)
        try:
            async with asyncio.timeout(ANSWER_S):
                return await serving.work(environ)
        except TimeoutError:
            raise Refused(503, "the answer took too long") from None

    async def _send(self, answer: Answer, end: bool = False) -> None:
        """Send an answer; with `end` the connection ends after it, with time to read it."""
        self._turn(Phase.SENDING)
        if self._http.our_state not in (h11.IDLE, h11.SEND_RESPONSE):
            return
        own = dict(answer.headers) | dict(self._serving.access.rules.headers)
        headers = [("Date", formatdate(usegmt=True)), *own.items()]
        if end:
            headers.append(("Connection", "close"))
        data = self._http.send(h11.Response(status_code=answer.status, headers=headers)) or b""
        if self._head:
            await self._write(data)
        elif isinstance(answer.parts, list):
            for part in _slices(answer.parts):
                await self._write(data + (self._http.send(h11.Data(data=part)) or b""))
                data = b""
            await self._write(data)
        else:
            await self._write(data)
            async for part in self._serving.streamed(answer.parts):
                await self._write(self._http.send(h11.Data(data=part)) or b"")
        await self._write(self._http.send(h11.EndOfMessage()) or b"")
        if end:
            await self._linger()

    async def _write(self, data: bytes) -> None:
        assert self._writer is not None
        self._writer.write(data)
        async with asyncio.timeout(SEND_S):
            await self._writer.drain()

    async def _linger(self) -> None:
        """Read what the client still sends: with unread bytes close would reset the connection,
        and the answer be lost (RFC 9112, section 9.6).
        """
        assert self._writer is not None
        with suppress(TimeoutError, OSError):
            if self._writer.can_write_eof():
                self._writer.write_eof()
            async with asyncio.timeout(LINGER_S):
                while await self._reader.read(PART_BYTES):
                    pass


def called(app: Application, environ: dict[str, Any]) -> Answer:
    """What the application answers (PEP 3333)."""
    got: list[tuple[str, Headers]] = []
    parts = app(environ, lambda status, headers: got.append((status, headers)))
    status, headers = got[0]
    return Answer(int(status[:3]), headers, parts)


def _environ(request: h11.Request) -> dict[str, Any]:
    """A request as PEP 3333 has it, as far as the application reads it."""
    target = request.target.decode("ascii")
    environ: dict[str, Any] = {}
    for name, value in request.headers:
        key = "HTTP_" + name.decode("ascii").upper().replace("-", "_")
        text = value.decode("latin-1")
        environ[key] = f"{environ[key]},{text}" if key in environ else text
    if not target.startswith("/"):
        with suppress(ValueError):
            parts = urlsplit(target)  # the absolute form: RFC 9112, section 3.2.2
            environ["HTTP_HOST"] = parts.netloc
            target = f"{parts.path or '/'}?{parts.query}"
    path, _, query = target.partition("?")
    environ |= {
        "REQUEST_METHOD": request.method.decode("ascii"),
        "PATH_INFO": unquote_to_bytes(path).decode("utf-8", "replace"),
        "QUERY_STRING": query,
    }
    return environ


def _slices(parts: Iterable[bytes]) -> Iterator[bytes]:
    for part in parts:
        for start in range(0, len(part), PART_BYTES):
            yield part[start : start + PART_BYTES]
