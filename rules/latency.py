"""How soon a waker at fixed intervals is noticed, by its interval and the disk's cycle budget.

A window's limit is reached by the spin-up number `limit`, (limit - 1) intervals after the first,
provided that so many fit into the window. Other spin-ups of the disk only make it sooner.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from spinledger.findings.limits import LATE, SOON
from spinledger.model import MINUTE, SECOND
from spinledger.wear.budget import EARLY, WINDOWS, cycle_limit, early_limit
from spinledger.words import duration

BUDGETS = (2, 6, 12, 24)
PERIODS_MIN = (10, 20, 30, 60, 120, 240, 480)
PAGE, TICKET = SOON, LATE


def reached_s(period_s: float, budget_per_day: float, windows: Sequence[str]) -> float | None:
    """Seconds from the first spin-up to the first window at its limit; None: never."""
    times = []
    for window in windows:
        if window in EARLY:
            length_ns = EARLY[window]
            limit = early_limit(budget_per_day, length_ns)
        else:
            length_ns = WINDOWS[window]
            limit = cycle_limit(budget_per_day, length_ns)
        if (limit - 1) * period_s < length_ns / SECOND:
            times.append((limit - 1) * period_s)
    return min(times, default=None)


def table() -> Iterator[str]:
    """Lines of Markdown: rows by interval, columns by budget."""
    yield "| a spin-up every | " + " | ".join(f"budget {one} a day" for one in BUDGETS) + " |"
    yield "|---|" + "---|" * len(BUDGETS)
    for minutes in PERIODS_MIN:
        period_s = minutes * MINUTE / 1e9
        cells = []
        for budget in BUDGETS:
            found = [reached_s(period_s, budget, windows) for windows in (PAGE, TICKET)]
            page, ticket = ("never" if one is None else duration(one) for one in found)
            cells.append(f"{page}, {ticket}")
        yield f"| {duration(period_s)} | " + " | ".join(cells) + " |"
