"""Standard error that cannot be written ends nothing.

Outside authority: full(4), pipe(7), and the process's own exit code.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import IO

import pytest

from tests.fakes.patience import PATIENCE_S, until
from tests.fakes.scraped import free_port

ROOT = Path(__file__).parents[2]


def serving(port: int, *more: str) -> list[str]:
    """`serve` on simulated disks."""
    serve = ["serve", "--shelf", "simulated", "--listen", f"127.0.0.1:{port}"]
    return [sys.executable, "-m", "spinledger", *serve, *more]


@contextmanager
def full() -> Iterator[IO[bytes]]:
    """No space is left."""
    with open("/dev/full", "wb") as stream:
        yield stream


@contextmanager
def gone() -> Iterator[IO[bytes]]:
    """The reader of a pipe has ended."""
    read, write = os.pipe()
    os.close(read)
    with os.fdopen(write, "wb") as stream:
        yield stream


@contextmanager
def unread() -> Iterator[IO[bytes]]:
    """A pipe that is full, since its reader does not read."""
    read, write = os.pipe()
    os.set_blocking(write, False)
    try:
        while True:
            os.write(write, bytes(4096))
    except BlockingIOError:
        os.set_blocking(write, True)
    with os.fdopen(write, "wb") as stream:
        yield stream
    os.close(read)


def get(port: int, path: str) -> str:
    """What the exporter answers."""
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=PATIENCE_S) as answer:
        return str(answer.read().decode())


def lives_on(port: int, child: subprocess.Popen[bytes]) -> None:
    """It becomes ready, reloads at HUP, answers, and ends at TERM with 0."""

    def ready() -> bool:
        assert child.poll() is None
        return bool(get(port, "/-/ready"))

    until(ready)
    child.send_signal(signal.SIGHUP)
    assert "spinledger_build_info" in get(port, "/metrics")
    assert child.poll() is None
    child.terminate()
    assert child.wait(PATIENCE_S) == 0


@pytest.mark.parametrize("stream", [full, gone, unread], ids=lambda made: made.__name__)
def test_a_line_that_cannot_be_written_ends_nothing(
    stream: Callable[[], AbstractContextManager[IO[bytes]]],
) -> None:
    """Neither at the start nor at a reload."""
    port = free_port()
    with stream() as to, subprocess.Popen(serving(port), stderr=to) as child:
        lives_on(port, child)


def test_no_file_gets_the_number_of_a_closed_standard_error(tmp_path: Path) -> None:
    """Whatever writes to 2 writes to nothing, not into the ledger."""
    port = free_port()
    ledger = tmp_path / "ledger.db"
    closed = ["sh", "-c", 'exec "$@" 0<&- 1>&- 2>&-', "sh"]
    with subprocess.Popen([*closed, *serving(port, "--ledger", str(ledger))]) as child:
        until(lambda: get(port, "/-/ready"))
        opened = [os.readlink(f"/proc/{child.pid}/fd/{number}") for number in range(3)]
        lives_on(port, child)
    assert opened == ["/dev/null"] * 3
