"""Threads that do a request's work, so that the loop of connections never waits.

Rules: a lane is one daemon thread that takes calls in turn; each call's result comes back to the
loop as a future. A call whose future was cancelled before its turn is left out.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from contextlib import suppress
from queue import SimpleQueue
from typing import Any, TypeVar

T = TypeVar("T")


class Lane:
    """One thread; to be made and called in a running loop."""

    def __init__(self, name: str) -> None:
        self._loop = asyncio.get_running_loop()
        self._calls: SimpleQueue[tuple[asyncio.Future[Any], Callable[[], Any]] | None]
        self._calls = SimpleQueue()
        threading.Thread(target=self._run, name=name, daemon=True).start()

    def submit(self, call: Callable[[], T]) -> asyncio.Future[T]:
        """The future result of a call, or the exception it raised."""
        future: asyncio.Future[T] = self._loop.create_future()
        self.put(future, call)
        return future

    def put(self, future: asyncio.Future[T], call: Callable[[], T]) -> None:
        """Have a call's result set in that future; the call may have ended when this returns."""
        self._calls.put((future, call))

    def close(self) -> None:
        """End the thread after the calls that wait; does not wait for it."""
        self._calls.put(None)

    def _run(self) -> None:
        while (job := self._calls.get()) is not None:
            future, call = job
            if future.cancelled():
                continue
            result, raised = None, None
            try:
                result = call()
            except BaseException as error:  # goes to whoever waits
                raised = error
            with suppress(RuntimeError):  # the loop has ended
                self._loop.call_soon_threadsafe(_settle, future, result, raised)
            del job, future, call, result, raised  # nothing is kept until the next call


def _settle(future: asyncio.Future[Any], result: object, raised: BaseException | None) -> None:
    if future.done():
        return
    if raised is None:
        future.set_result(result)
    else:
        future.set_exception(raised)
