"""What if the load itself were another: rows of a trace changed as they pass.

Rules of this room: pure iterators over rows in order; memory does not grow with the trace. Chance
is a function of (seed, row number), so a run can be repeated and several seeds compared.

- `without`: an actor's rows are taken out, as if they were not in the trace.
- `absorb`: a cache in front answers a share of the reads, each read independently of the others.
- `hold`: writes wait together. The first held write starts the wait; at its end all are written
  at once, as one row. Reads do not hurry them: a plain write-back age limit (Linux
  vm.dirty_expire_centisecs) does not look at reads. What is held when the observation ends is
  written then.

None of them changes the observed time: a trace knows when it began and ended, and the gaps before
the first and after the last request that is left count, cut off at that side.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

READ = "read"
WRITE = "write"
BEGIN, END = "begin", "end"  # rows that bound the observation and are no request

_MASK = (1 << 64) - 1
_GOLDEN = 0x9E3779B97F4A7C15


class Row(NamedTuple):
    """One I/O: nanoseconds of wall time; `op` and `actor` are "" where the trace has none."""

    at_ns: int
    op: str
    actor: str


def without(rows: Iterable[Row], actor: str) -> Iterator[Row]:
    """The rows of all other actors."""
    return (row for row in rows if row.actor != actor)


def absorb(rows: Iterable[Row], share: float, seed: int) -> Iterator[Row]:
    """The rows, each read left out with probability `share` (0 to 1)."""
    below = round(share * (1 << 64))
    state = mixed(seed * _GOLDEN)
    for row in rows:
        state = (state + _GOLDEN) & _MASK
        if row.op != READ or mixed(state) >= below:
            yield row


def hold(rows: Iterable[Row], hold_ns: int, ended: Callable[[], int]) -> Iterator[Row]:
    """The rows, writes gathered for up to `hold_ns` and written together.

    `ended` gives the end of the observation once the rows are read.
    """
    held: Row | None = None  # the batch, due at its time
    for row in rows:
        if held is not None and held.at_ns <= row.at_ns:
            yield held
            held = None
        if row.op != WRITE:
            yield row
        elif held is None:
            held = row._replace(at_ns=row.at_ns + hold_ns)
    if held is not None:
        yield held._replace(at_ns=min(held.at_ns, ended()))


def mixed(value: int) -> int:
    """A 64-bit value well mixed: the output function of SplitMix64.

    Steele, Lea and Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014.
    """
    value &= _MASK
    value = ((value ^ (value >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    value = ((value ^ (value >> 27)) * 0x94D049BB133111EB) & _MASK
    return value ^ (value >> 31)
