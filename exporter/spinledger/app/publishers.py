"""Who takes snapshots, and what ends a wait.

Rules: the web server reads one immutable reference, made when somebody asks for it; a text file is
replaced whole or not at all.
"""

from __future__ import annotations

import os
import signal
import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from spinledger.device.notify import notify, watchdog_ns
from spinledger.facts import Snapshot
from spinledger.loop import Loop
from spinledger.loop.publishing import aged
from spinledger.metrics.collector import render_text
from spinledger.model import MINUTE, SECOND
from spinledger.store.plain import partial

TEXTFILE = "spinledger.prom"
TEXTFILE_EVERY_NS = 15 * SECOND
HOLD_NS = 150 * SECOND
"""For how long counters that begin at zero stay there after the first reader. Other
scrapers read within it if they read every two minutes, the longest interval in common use."""


FRESH_NS = SECOND // 4
"""A snapshot younger than this is given to another reader as it is."""

ANSWER_S = 0.5
"""A reader waits so long for a new snapshot; then it gets the one there is."""


class Latest:
    """The newest snapshot for the web server, and a source that the loop waits for: its threads
    ask for a snapshot here, and the loop makes it between ticks.

    Without a reader one is made each minute, since a finding begins when it is first judged.
    """

    def __init__(self, now: Callable[[], int] | None = None) -> None:
        """`now`: the boot clock, nanoseconds, by which a snapshot may be old."""
        self.snapshot: Snapshot | None = None
        self.now = now
        self._asked = False
        self._made = threading.Event()
        self._wake = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
        self._given = False
        self._scraped_ns: int | None = None

    def current(self) -> Snapshot | None:
        """A new snapshot, or the newest there is, judged by its age; None before the first."""
        if self.now is None or self.snapshot is None:
            return self.snapshot
        if self.now() - self.snapshot.at_ns >= FRESH_NS:
            self._made.clear()
            self._asked = True
            os.eventfd_write(self._wake, 1)
            self._made.wait(ANSWER_S)
        self._given = True
        return aged(self.snapshot, self.now())

    def fileno(self) -> int:
        """Readable while a snapshot is asked for."""
        return self._wake

    def taken(self) -> bool:
        """True when HOLD_NS have passed since the first whole scrape with disks."""
        first = self._scraped_ns
        return first is not None and self.now is not None and self.now() - first >= HOLD_NS

    def scraped(self) -> None:
        """A scrape has reached its client whole."""
        if self._given and self._scraped_ns is None and self.now is not None:
            self._scraped_ns = self.now()

    def wants(self, at_ns: int) -> bool:
        """When a reader asked, and each minute."""
        with suppress(BlockingIOError):
            os.eventfd_read(self._wake)
        return self._asked or self.snapshot is None or at_ns - self.snapshot.at_ns >= MINUTE

    def drop(self) -> None:
        """Have another one made at the next tick."""
        self.snapshot = None

    def publish(self, snapshot: Snapshot) -> None:
        """Replace it, and let those who asked go on."""
        self._asked = False
        self.snapshot = snapshot
        self._made.set()


class TextFile:
    """Writes the metrics to DIR/spinledger.prom, whole or not at all."""

    def __init__(self, directory: Path) -> None:
        self._path = directory / TEXTFILE
        self._first_ns: int | None = None
        self._last_ns: int | None = None

    def wants(self, at_ns: int) -> bool:
        """Every 15 s."""
        return self._last_ns is None or at_ns - self._last_ns >= TEXTFILE_EVERY_NS

    def taken(self) -> bool:
        """True when HOLD_NS have passed since the file was first written."""
        first, last = self._first_ns, self._last_ns
        return first is not None and last is not None and last - first >= HOLD_NS

    def publish(self, snapshot: Snapshot) -> None:
        """Write beside the file, then rename over it; an agent of another user may read it."""
        self._last_ns = snapshot.at_ns
        first = partial(self._path)
        with suppress(OSError):
            first.write_bytes(render_text(snapshot))
            first.chmod(0o644)
            first.replace(self._path)
            if self._first_ns is None:
                self._first_ns = snapshot.at_ns


class Service:
    """Says to systemd that the exporter is ready, then that its loop goes on (sd_notify(3))."""

    def __init__(self) -> None:
        self._every_ns = watchdog_ns() // 2
        self._last_ns: int | None = None

    def wants(self, at_ns: int) -> bool:
        """At first, then twice in the time that systemd allows."""
        if self._last_ns is None:
            return True
        return self._every_ns > 0 and at_ns - self._last_ns >= self._every_ns

    def taken(self) -> bool:
        """Never: it reads no counter."""
        return False

    def publish(self, snapshot: Snapshot) -> None:
        """Say it."""
        notify("READY=1" if self._last_ns is None else "WATCHDOG=1")
        self._last_ns = snapshot.at_ns


class Signals:
    """Signals as a source that the loop can wait for.

    From now on TERM and INT end the run and HUP asks for a reload, whatever is under way: a
    handler only notes the signal, and the loop acts on it between ticks.
    """

    def __init__(self) -> None:
        self._read, write = socket.socketpair()
        self._read.setblocking(False)
        write.setblocking(False)
        self._write = write
        self._loop: Loop | None = None
        self._noted: set[int] = set()
        signal.set_wakeup_fd(write.fileno(), warn_on_full_buffer=False)
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, self._note)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGHUP})  # held back since the start

    def drive(self, loop: Loop) -> None:
        """This loop acts on them, also on those that came before."""
        self._loop = loop
        for number in list(self._noted):
            self._note(number, None)

    def _note(self, number: int, _frame: object) -> None:
        self._noted.add(number)
        if self._loop is None:
            return
        if number == signal.SIGHUP:
            self._loop.reloading = True
        else:
            self._loop.stopping = True

    def fileno(self) -> int:
        """Readable after a signal, until the loop has acted on it."""
        with suppress(BlockingIOError):
            while self._read.recv(64):
                pass
        if self._loop is not None and (self._loop.stopping or self._loop.reloading):
            self._write.send(b"\0")
        return self._read.fileno()
