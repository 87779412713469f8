"""A progress bar on a terminal's standard error, once something takes long; nothing elsewhere."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

WIDTH = 30
SILENT_S = 1.0  # quicker work shows none


class Bar:
    """Shows the share of a piece of work that is done, 0 to 1; taken away at the end."""

    def __init__(self, doing: str, clock: Callable[[], float] = time.monotonic) -> None:
        self._doing = doing
        self._clock = clock
        self._began = clock()
        self._shown = -1

    def __enter__(self) -> Bar:
        return self

    def __exit__(self, *_error: object) -> None:
        self.end()

    def show(self, share: float) -> None:
        """Draw it."""
        percent = int(min(1.0, share) * 100)
        if percent == self._shown or self._clock() - self._began < SILENT_S:
            return
        if sys.stderr.isatty():
            self._shown = percent
            filled = percent * WIDTH // 100
            drawn = "#" * filled + "." * (WIDTH - filled)
            print(f"\r{self._doing} [{drawn}] {percent:3}%", end="", file=sys.stderr, flush=True)

    def end(self) -> None:
        """Take it away."""
        if self._shown >= 0:
            self._shown = -1
            wide = len(self._doing) + WIDTH + 8
            print(f"\r{' ' * wide}\r", end="", file=sys.stderr, flush=True)
