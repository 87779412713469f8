"""How soon a waker at fixed intervals is noticed, by its interval and the disk's cycle budget.

A window's limit is reached by the spin-up number `limit`, (limit - 1) intervals after the first,
provided that so many fit into the window. Other spin-ups of the disk only make it sooner.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from spinledger.model import MINUTE
from spinledger.wear.budget import WINDOWS, cycle_limit
from spinledger.words import duration

BUDGETS = (2, 6, 12, 24)
PERIODS_MIN = (10, 20, 30, 60, 120, 240, 480)
PAGE, TICKET = ("1h", "3h", "6h", "1d"), ("7d", "30d")


def reached_s(period_s: float, budget_per_day: float, windows: Sequence[str]) -> float | None:
    """Seconds from the first spin-up to the first window at its limit; None: never."""
    times = [
        (cycle_limit(budget_per_day, WINDOWS[window]) - 1) * period_s
        for window in windows
        if (cycle_limit(budget_per_day, WINDOWS[window]) - 1) * period_s < WINDOWS[window] / 1e9
    ]
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
