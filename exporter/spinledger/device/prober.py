"""The prober: the one process that talks to drives.

It is a child of the exporter (`python -m spinledger.device.prober FD`, where FD is an inherited
SOCK_SEQPACKET socket), or a service of its own that systemd starts with a listening one. It is the
only part that needs privileges. What it sends to a drive stands in `passthrough`.

Rules of this module:
- A message names a disk, its sequence number and a row of the closed table, never bytes. The
  messages are in `messages` and, as a table, in DEVELOPERS.md.
- What wakes disks is traced beside that (`device.wakes`), where the kernel allows it; tracing sends
  nothing to a drive. Its messages go to the client that last said which disks are in standby.
- A listening prober takes clients of its own user, of root and of its own group (SO_PEERCRED). It
  ends `ALONE_S` after the last one, and systemd starts another for the next. So one that a client
  asked for just before that client ended is not left behind.
- The end of an inherited socket ends the process at once, even while a thread waits in an ioctl.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import socket
import struct
import sys
import threading
import time

from spinledger.device import notify
from spinledger.device.messages import (
    REQUEST_SIZE,
    Hello,
    NotAMessage,
    node_name,
    number,
)
from spinledger.device.passthrough import Order, Refusal, Worker, refused
from spinledger.device.wakes import INTERVAL_S, Session
from spinledger.model import Command, Reason

ALONE_S = 5.0
_MOST_CLIENTS = 8
_STACK_SIZE = 256 * 1024
_CREDENTIALS = struct.Struct("3i")  # struct ucred: process, user, group


class Server:
    """Takes messages from every client, and hands commands to the workers.

    `listening` is systemd's socket; without it the process ends with its one client.
    """

    def __init__(
        self, listening: socket.socket | None = None, dev: str = "/dev", sysfs: str = "/sys"
    ) -> None:
        self._listening = listening
        self._dev = dev
        self._sysfs = sysfs
        self._clients: dict[int, socket.socket] = {}
        self._workers: dict[str, Worker] = {}
        self._tracing = Session(root=sysfs)
        self._traced_for: socket.socket | None = None
        self._alone_since = time.monotonic()
        self._stopping = False
        self._stop = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
        self._poll = select.poll()
        self._poll.register(self._stop, select.POLLIN)
        if self._tracing.fileno() >= 0:
            self._poll.register(self._tracing.fileno(), select.POLLIN)
        if listening is not None:
            listening.setblocking(False)
            self._poll.register(listening, select.POLLIN)

    def add(self, client: socket.socket) -> None:
        """Greet a client and listen to it from now on."""
        self._clients[client.fileno()] = client
        self._poll.register(client, select.POLLIN)
        self._say(client, abilities(self._dev, not self._tracing.untraced).encode())

    def run(self) -> None:
        """Serve until the last client has ended; with a listening socket, for some time longer."""
        watchdog_ns = notify.watchdog_ns()
        wait_s = min(INTERVAL_S, watchdog_ns / 2e9 or INTERVAL_S)
        notify.notify("READY=1")
        while not self._stopping and self._needed():
            ready = self._poll.poll(1000 * (wait_s if self._clients else ALONE_S))
            for descriptor, _ in ready:
                if client := self._clients.get(descriptor):
                    self._take(client)
                elif self._listening and descriptor == self._listening.fileno():
                    self._accept()
            if not ready or any(one == self._tracing.fileno() for one, _ in ready):
                self._report(self._tracing.due())
            if watchdog_ns:
                notify.notify("WATCHDOG=1")

    def _needed(self) -> bool:
        """Whether there are clients, may soon be one, or a command is under way."""
        if self._clients:
            self._alone_since = time.monotonic()
            return True
        if self._listening is None:
            return False
        soon = time.monotonic() < self._alone_since + ALONE_S
        return soon or any(worker.busy for worker in self._workers.values())

    def stop(self) -> None:
        """End `run`, also from the handler of a signal."""
        self._stopping = True
        os.eventfd_write(self._stop, 1)

    def close(self) -> None:
        """End the tracing."""
        self._tracing.close()
        os.close(self._stop)

    def _report(self, messages: list[str]) -> None:
        """Say what was traced to the client that wants it."""
        for message in messages:
            if self._traced_for is not None:
                self._say(self._traced_for, message)

    def _accept(self) -> None:
        assert self._listening is not None
        with contextlib.suppress(OSError):  # it has gone again
            client, _ = self._listening.accept()
            if len(self._clients) < _MOST_CLIENTS and permitted(client):
                self.add(client)
            else:
                client.close()

    def _take(self, client: socket.socket) -> None:
        try:
            message = client.recv(REQUEST_SIZE + 1, socket.MSG_DONTWAIT)
        except BlockingIOError:
            return
        except OSError:
            message = b""
        if not message:
            self._end(client)
        elif refusal := self._handle(client, message):
            self._say(client, refusal)

    def _handle(self, client: socket.socket, message: bytes) -> str:
        """Do what a message says; the refusal, or nothing."""
        numbered = 0
        try:
            if len(message) > REQUEST_SIZE:
                raise NotAMessage("too long")
            match message.decode("ascii").split(" "):
                case ["probe", number_word, node_word, diskseq_word, command_word]:
                    numbered = number(number_word)
                    node, diskseq = node_name(node_word), number(diskseq_word)
                    order = Order(client, numbered, diskseq, Command(command_word))
                    if node not in self._workers:
                        self._workers[node] = Worker(node, self._dev, self._sysfs)
                    if not self._workers[node].take(order):
                        return refused(numbered, Refusal(Reason.WITHHELD, "a command is under way"))
                case ["forget", node_word]:
                    if worker := self._workers.pop(node_name(node_word), None):
                        worker.forget()
                case ["standby", *node_words]:
                    self._traced_for = client
                    self._report(self._tracing.standby({node_name(one) for one in node_words}))
                case _:
                    raise NotAMessage("not a message")
        except ValueError as error:  # of Command and decode, too
            return refused(numbered, Refusal(Reason.MALFORMED, str(error)))
        return ""

    def _say(self, client: socket.socket, message: str) -> None:
        """Send at once, or let a client go that does not read."""
        try:
            client.send(message.encode("ascii", "replace"), socket.MSG_DONTWAIT)
        except OSError:
            self._end(client)

    def _end(self, client: socket.socket) -> None:
        """Let a client go. A worker that still has its command keeps the socket from closing, so
        that no other client gets its number."""
        if self._clients.pop(client.fileno(), None):
            self._poll.unregister(client)
            if self._traced_for is client:
                self._traced_for = None
                self._tracing.standby(())
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)


def permitted(client: socket.socket) -> bool:
    """Whether the process that connected is of our user, of root or of our group (unix(7))."""
    raw = client.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    _, user, group = _CREDENTIALS.unpack(raw)
    return user in (0, os.geteuid()) or group == os.getegid()


def abilities(dev: str = "/dev", tracing: bool = False, status: str = "/proc/self/status") -> Hello:
    """What this process may do. Opens no device."""
    capabilities = 0
    with contextlib.suppress(OSError), open(status, encoding="ascii") as file:
        words = (line.split() for line in file)
        capabilities = next((int(word[1], 16) for word in words if word[0] == "CapEff:"), 0)
    nodes = set()
    with contextlib.suppress(OSError):
        for name in os.listdir(dev):
            with contextlib.suppress(NotAMessage):
                if os.access(f"{dev}/{node_name(name)}", os.R_OK):
                    nodes.add(name)
    return Hello(os.getpid(), capabilities, tracing, frozenset(nodes))


def main(inherited: int | None = None) -> None:
    """Serve the inherited socket, or systemd's, then end the process at once."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to handle
    threading.stack_size(_STACK_SIZE)
    code = 1
    try:
        listening = notify.inherited_socket() if inherited is None else None
        if listening is None and inherited is None:
            sys.stderr.write("the prober is started by the exporter or by its .socket unit\n")
            code = 2
            return
        server = Server(listening)
        signal.signal(signal.SIGTERM, lambda *_: server.stop())
        if inherited is not None:
            server.add(socket.socket(fileno=inherited))
        server.run()
        server.close()
        code = 0
    finally:
        if code == 1:
            sys.excepthook(*sys.exc_info())
        os._exit(code)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else None)
