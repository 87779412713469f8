"""Waiting for a condition. The bound only ends a hang: no result depends on how long it took."""

from __future__ import annotations

import time
from collections.abc import Callable

PATIENCE_S = 600.0  # a machine that others keep busy may take minutes for what takes a second


def until(true: Callable[[], object], what: str = "the condition") -> None:
    """Return once `true()` holds; refused connections count as not yet. Fails after PATIENCE_S."""
    ends = time.monotonic() + PATIENCE_S
    while time.monotonic() < ends:
        try:
            if true():
                return
        except OSError:
            pass  # nobody listens so far
        time.sleep(0.05)
    raise AssertionError(f"not within {PATIENCE_S:.0f} s: {what}")
