"""The server: a listening socket, and a thread with the loop of all connections.

Rules of this room:
- It binds the given address, loopback by default; port 0 takes a free port, which `address` gives.
- Connections are tasks of one loop; the work of a request is done in lanes, threads of their own:
  one for scrapes, one for pages, one for what reads files. Health is answered in the loop. So no
  client holds a thread, and none of these holds another.
- At the cap, or without a descriptor for the next, the oldest client that has not sent its whole
  request is closed. Closing new ones instead would let slow clients keep everybody else out.
- A client whose bytes were not read so far is not slow: where many come at once, we read first.
- Scrapes that wait for the same thing share one rendering, which begins after all of them came.
- Nothing is imported during a request: all modules are imported at the top of ours.
- `stop` returns within a second whatever the clients do: running requests get a moment.
"""

from __future__ import annotations

import asyncio
import errno
import logging
import socket
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import suppress
from functools import partial
from typing import Any

from spinledger.errors import Unavailable
from spinledger.metrics.collector import Current, Wall
from spinledger.web.access import Access
from spinledger.web.app import NO_CONTEXT, Application, History, application
from spinledger.web.connection import Answer, Connection, Phase, Refused, called
from spinledger.web.context import PageContext
from spinledger.web.lanes import Lane

MOST = 64  # connections; each takes half a megabyte where TLS is spoken
MOST_WORKING = 32  # requests that wait for an answer
SENDING_BYTES = 65_536  # in the kernel for a client that does not read; Linux doubles it
BACKLOG = 128  # connections the kernel holds
PAUSE_S = 0.2  # before the next try to accept, where the system refused
READING_TURNS = 100  # of the loop; a head of the greatest length is read in fewer
CLOSING_S = 0.01  # likewise, where a client gives way
GRACE_S = 0.4  # for requests under way when the server is stopped
STOP_S = 0.9  # after which stop returns

_LOG = logging.getLogger(__name__)
_FULL = (errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM)


class WebServer:
    """Serves the newest snapshot. `listen` is (host, port), IPv4, IPv6 or a name.

    `current` gives the newest snapshot or None; `history` gives the history (web.app.History),
    `context` what the pages for people show beside the snapshot, `access` who may read; the server
    closes it at its end. `scraped` is called after each scrape that was sent whole; `begun` says
    without waiting whether there is a snapshot.
    Raises Unavailable for an empty host, which would mean all addresses.
    """

    def __init__(
        self,
        listen: tuple[str, int],
        current: Current,
        history: History | None = None,
        context: PageContext = NO_CONTEXT,
        wall: Wall = time.time_ns,
        access: Access | None = None,
        scraped: Callable[[], None] = lambda: None,
        begun: Callable[[], bool] | None = None,
    ) -> None:
        if not listen[0]:
            raise _unavailable(*listen, ValueError("no host is named"))
        self._listen = listen
        self._app = application(current, history, context, wall, begun)
        if access is None:
            access = Access()
            access.use(None)
        self._access = access
        self._scraped = scraped
        self._socket: socket.socket | None = None
        self._address: tuple[str, int] = listen
        self._thread: threading.Thread | None = None
        self._failed: Exception | None = None  # why it could not begin
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stopping: asyncio.Event

    @property
    def address(self) -> tuple[str, int]:
        """Host and port; after `start` the real port."""
        return self._address

    @property
    def url(self) -> str:
        """The landing page's address."""
        host, port = self.address
        scheme = "http" if self._access.rules.context is None else "https"
        return f"{scheme}://[{host}]:{port}/" if ":" in host else f"{scheme}://{host}:{port}/"

    @property
    def exposed(self) -> bool:
        """Whether other hosts reach it, and nothing says who may read."""
        rules = self._access.rules
        closed = rules.passwords is not None or (
            rules.context is not None and rules.context.verify_mode.name == "CERT_REQUIRED"
        )
        return not (closed or _loopback(self._address[0]))

    def start(self) -> None:
        """Bind, listen and serve from a thread of its own.

        Raises Unavailable, in one line with the fix, if the address is not available or the system
        gives no thread.
        """
        try:
            self._socket = _bound(self._listen)
        except (OSError, ValueError, OverflowError) as refused:
            raise _unavailable(*self._listen, refused) from refused
        host, port = self._socket.getsockname()[:2]
        self._address = host, port
        ready = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(ready,), name="web", daemon=True)
        try:
            self._thread.start()
            ready.wait()
        except RuntimeError as refused:
            self._failed = refused
        if self._failed is not None:
            self._thread = None
            raise Unavailable(
                "no_thread",
                f"the pages cannot be served ({self._failed}); raise the limits of "
                "memory and tasks (MemoryMax, TasksMax)",
            )

    def stop(self) -> None:
        """Close the port and end the threads, within a second; may be called twice."""
        thread, self._thread = self._thread, None
        if thread is None or self._loop is None:
            return
        with suppress(RuntimeError):  # it has ended by itself
            self._loop.call_soon_threadsafe(self._stopping.set)
        thread.join(STOP_S)

    def _run(self, ready: threading.Event) -> None:
        try:
            asyncio.run(self._serve(ready))
        except (RuntimeError, MemoryError) as failed:
            self._failed = failed
        finally:
            ready.set()
            self._access.close()

    async def _serve(self, ready: threading.Event) -> None:
        assert self._socket is not None
        self._loop = asyncio.get_running_loop()
        self._loop.set_exception_handler(_unheard)
        self._stopping = asyncio.Event()
        serving = Serving(self._app, self._access, self._listen[0], self._scraped)
        accepting = asyncio.create_task(serving.accept(self._socket))
        ready.set()
        try:
            await self._stopping.wait()
        finally:
            accepting.cancel()
            with suppress(asyncio.CancelledError):
                await accepting
            self._socket.close()
            await serving.end(GRACE_S)


class Serving:
    """What the connections share; lives in the loop."""

    def __init__(
        self, app: Application, access: Access, host: str, scraped: Callable[[], None]
    ) -> None:
        self.app = app
        self.access = access
        self.host = host
        self.scraped = scraped
        self.checks = Lane("web-passwords")
        self._files = Lane("web-files")
        self._lanes = {"/metrics": Lane("web-metrics"), "/history": self._files}
        self._pages = Lane("web-pages")
        self._connections: dict[Connection, asyncio.Task[None]] = {}
        self._shared: dict[tuple[str, ...], asyncio.Future[Answer]] = {}
        self._renewing = asyncio.Lock()
        self._said_full = False

    async def accept(self, listening: socket.socket) -> None:
        """Take connections until cancelled."""
        loop = asyncio.get_running_loop()
        while True:
            try:
                accepted, address = await loop.sock_accept(listening)
            except OSError as refused:
                if refused.errno in _FULL:
                    if not self._said_full:
                        self._said_full = True
                        why = (refused.strerror or str(refused)).lower()
                        self.access.fail(
                            f"no room for another client ({why}); idle ones are closed"
                        )
                    await asyncio.sleep(CLOSING_S if self._shed() else PAUSE_S)
                continue
            try:
                room = len(self._connections) < MOST or await self._room()
            except asyncio.CancelledError:
                accepted.close()
                raise
            if not room:
                accepted.close()
                continue
            accepted.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SENDING_BYTES)
            accepted.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            connection = Connection(self, accepted, str(address[0]))
            task = loop.create_task(connection.run())
            self._connections[connection] = task
            task.add_done_callback(partial(self._ended, connection))
            del accepted, connection, task  # nothing is kept until the next one

    def _ended(self, connection: Connection, _task: asyncio.Task[None]) -> None:
        self._connections.pop(connection, None)

    async def _room(self) -> bool:
        """Have a client give way, after what the clients have sent was read."""
        for _ in range(READING_TURNS):
            await asyncio.sleep(0)
            if len(self._connections) < MOST or self._shed():
                return True
        return False

    def _shed(self) -> bool:
        """Close the oldest client that has sent no whole request, else one that is slow to read."""
        idle = [one for one in self._connections if one.phase is not Phase.WORKING]
        for oldest in sorted(idle, key=lambda one: (one.phase, one.since)):
            if not oldest.unread():
                self._connections.pop(oldest).cancel()
                return True
        return False

    async def end(self, grace_s: float) -> None:
        """Give requests under way a moment, then close every connection, and end the lanes."""
        working = [task for one, task in self._connections.items() if one.phase >= Phase.SENDING]
        if working:
            await asyncio.wait(working, timeout=grace_s)
        tasks = list(self._connections.values())
        for task in tasks:
            task.cancel()
        if tasks:
            await asyncio.wait(tasks, timeout=grace_s)
        for lane in (self.checks, self._files, self._pages, self._lanes["/metrics"]):
            lane.close()

    def host_allowed(self, host: str) -> bool:
        """Whether a request may call us so; HTTP/1.0 knows requests without a Host."""
        return not host or self.access.host_allowed(host, self.host)

    async def renewed(self) -> None:
        """Certificates and users as their files have them."""
        if self.access.changed():
            async with self._renewing:
                if self.access.changed():
                    await self._files.submit(self.access.renew)

    async def work(self, environ: dict[str, Any]) -> Answer:
        """The application's answer, made in a lane. Raises Refused where too many wait."""
        if sum(one.phase is Phase.WORKING for one in self._connections) > MOST_WORKING:
            raise Refused(503, "too many requests at once", ("Retry-After", "1"))
        lane = self._lanes.get(environ["PATH_INFO"], self._pages)
        if environ["PATH_INFO"] != "/metrics":
            return await lane.submit(lambda: called(self.app, environ))
        key = tuple(
            str(environ.get(name, ""))
            for name in ("REQUEST_METHOD", "QUERY_STRING", "HTTP_ACCEPT", "HTTP_ACCEPT_ENCODING")
        )
        shared = self._shared.get(key)
        if shared is None:

            def scrape() -> Answer:
                self._shared.pop(key, None)  # whoever comes from now on waits for the next
                return called(self.app, environ)

            # Before it is put, since the lane may take it, and end it, at once.
            shared = self._shared[key] = asyncio.get_running_loop().create_future()
            lane.put(shared, scrape)
        return await asyncio.shield(shared)

    async def streamed(self, parts: Iterable[bytes]) -> AsyncIterator[bytes]:
        """The parts of a body, each read in the lane of files."""
        iterator = iter(parts)
        try:
            while (part := await self._files.submit(lambda: next(iterator, None))) is not None:
                yield part
        finally:
            close = getattr(iterator, "close", None)
            if close is not None:
                self._files.submit(close)


def _unheard(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """What asyncio would print. A traceback is made only if someone reads it: it opens files."""
    _LOG.debug("%s", context.get("message"), exc_info=context.get("exception"))


def _bound(listen: tuple[str, int]) -> socket.socket:
    """A listening socket at the first address of the name that can be had."""
    if listen[1] not in range(65536):
        raise ValueError("no such port")
    refused: OSError = OSError("no address")
    found = socket.getaddrinfo(*listen, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    for family, kind, protocol, _, address in found:
        one = socket.socket(family, kind, protocol)
        try:
            one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            if family == socket.AF_INET6 and address[0] != "::":
                one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            one.bind(address)
            one.listen(BACKLOG)
            one.setblocking(False)
            return one
        except OSError as error:
            one.close()
            refused = error
        except BaseException:
            one.close()
            raise
    raise refused


def _loopback(host: str) -> bool:
    return host.startswith("127.") or host == "::1"


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
