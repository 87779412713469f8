"""How often the projected end of a rating holds the simulated one, and how wide it is.

    python -m tests.proof.coverage [RUNS]

prints coverage and width for six kinds of use and records of 15, 30, 90 and 365 days. Each run
draws a record and goes on with the same process until the rating is used up, 100 days to three
years later. Width is late minus early over the true time, the median of the runs. The processes
are textbook ones (numpy.random); what a drive does is not claimed to be one of them.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from spinledger.model import DAY
from spinledger.wear.projection import projection

Counts = NDArray[np.int64]
Draw = Callable[[np.random.Generator, int], Counts]

RECORDS = (15, 30, 90, 365)  # days
MEAN = 12  # cycles a day, of each process
LEFT_DAYS = (100, 365, 1095)  # cycles left, in days of the mean
FUTURE = 4000  # days simulated after the record


class Result(NamedTuple):
    """One cell of the table."""

    coverage: float
    width: float  # infinite: most late bounds lie beyond a century


def _poisson(draw: np.random.Generator, days: int) -> Counts:
    return draw.poisson(MEAN, days)


def _negative_binomial(draw: np.random.Generator, days: int) -> Counts:
    """Variance seven times the mean."""
    return draw.negative_binomial(2, 2 / (2 + MEAN), days)


def _bursty(draw: np.random.Generator, days: int) -> Counts:
    """One day in ten at eleven times the others' pace."""
    return draw.poisson(np.where(draw.random(days) < 0.1, 66, 6))


def _weekly(draw: np.random.Generator, days: int) -> Counts:
    weekday = (np.arange(days) + draw.integers(7)) % 7
    return draw.poisson(np.where(weekday < 5, 16, 2))


def _spells(draw: np.random.Generator, days: int) -> Counts:
    """Spells of ten days, three in ten of them busy."""
    busy = np.repeat(draw.random(days // 10 + 2) < 0.3, 10)[draw.integers(10) :][:days]
    return draw.poisson(np.where(busy, 28, 36 / 7))


def _monthly(draw: np.random.Generator, days: int) -> Counts:
    """Two days in thirty with most of the cycles."""
    day = (np.arange(days) + draw.integers(30)) % 30
    return draw.poisson(np.where(day < 2, 124, 4))


PROCESSES: Mapping[str, Draw] = {
    "Poisson": _poisson,
    "negative binomial": _negative_binomial,
    "bursty days": _bursty,
    "weekly": _weekly,
    "ten-day spells": _spells,
    "monthly peak": _monthly,
}


def tried(process: str, record: int, runs: int, seed: int = 1) -> Result:
    """Coverage and width of `runs` records of that many days."""
    draw = np.random.default_rng([seed, record, sum(process.encode())])
    held, widths = 0, []
    for _ in range(runs):
        sums = np.concatenate([[0], np.cumsum(PROCESSES[process](draw, record + FUTURE))])
        points = [(day * DAY, int(sums[day])) for day in range(record + 1)]
        rating = points[-1][1] + MEAN * int(draw.choice(LEFT_DAYS))
        # Within this day: the count before it is below the rating.
        true = int(np.searchsorted(sums, rating)) - record
        ends = projection(points, rating, record * DAY)
        assert ends is not None
        assert true + record < len(sums)
        early, late = (
            np.inf if end is None else end / DAY - record for end in (ends.early, ends.late)
        )
        held += early <= true and true - 1 <= late
        widths.append((late - early) / true)
    return Result(held / runs, float(np.median(widths)))


def main(runs: int) -> None:
    """Print the table."""
    print(f"{'coverage, width':20}" + "".join(f"{record:>7} days " for record in RECORDS))
    for process in PROCESSES:
        cells = (tried(process, record, runs) for record in RECORDS)
        print(f"{process:20}" + "".join(f"{c.coverage:6.2f} {c.width:5.2f}" for c in cells))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
