"""Progress of long work on standard error: a bar on a terminal, else a line now and then."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

WIDTH = 30
SILENT_S = 1.0  # quicker work shows none
LINE_EVERY_S = 30.0  # where standard error is no terminal


class Bar:
    """Shows the share of the work that is done, 0 to 1; a drawn bar is removed at the end."""

    def __init__(self, doing: str, clock: Callable[[], float] = time.monotonic) -> None:
        self._doing = doing
        self._clock = clock
        self._next_s = clock() + (SILENT_S if sys.stderr.isatty() else LINE_EVERY_S)
        self._shown = -1  # percent

    def __enter__(self) -> Bar:
        return self

    def __exit__(self, *_error: object) -> None:
        self.end()

    def show(self, share: float) -> None:
        """Draw it."""
        percent = int(min(1.0, share) * 100)
        now_s = self._clock()
        if percent == self._shown or now_s < self._next_s:
            return
        self._shown = percent
        if sys.stderr.isatty():
            filled = percent * WIDTH // 100
            drawn = "#" * filled + "." * (WIDTH - filled)
            print(f"\r{self._doing} [{drawn}] {percent:3}%", end="", file=sys.stderr, flush=True)
        else:
            self._next_s = now_s + LINE_EVERY_S
            print(f"{self._doing}: {percent} %", file=sys.stderr, flush=True)

    def end(self) -> None:
        """Remove it."""
        if self._shown >= 0 and sys.stderr.isatty():
            wide = len(self._doing) + WIDTH + 8
            print(f"\r{' ' * wide}\r", end="", file=sys.stderr, flush=True)
        self._shown = -1
