"""A ledger's gaps as they would be without one of the programs that wake the disk.

Rules: the gap that ended when the program woke the disk, and the gap after that, become one. What
others did in between is not known apart, so all I/O up to the next gap of a minute counts as that
program's; its I/O on a disk that was spinning anyway stays, since a ledger names nobody for that.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from spinledger.model import MINUTE

TOLERANCE_NS = MINUTE
"""A gap ends and a spin-up is recorded in the same sample; none is longer than that."""


class Between(NamedTuple):
    """A gap. Nanoseconds of wall time."""

    began_ns: int
    ended_ns: int
    censored: bool


def merged(gaps: Iterable[Between], woken_ns: Sequence[int]) -> Iterator[Between]:
    """The gaps, in order of time, less the program's spin-ups at these times, ascending."""
    open_gap: Between | None = None
    at = 0
    for gap in gaps:
        if open_gap is not None:
            gap = Between(open_gap.began_ns, gap.ended_ns, open_gap.censored or gap.censored)
            open_gap = None
        while at < len(woken_ns) and woken_ns[at] < gap.ended_ns - TOLERANCE_NS:
            at += 1
        if at < len(woken_ns) and woken_ns[at] <= gap.ended_ns + TOLERANCE_NS:
            at += 1
            open_gap = gap
        else:
            yield gap
    if open_gap is not None:
        yield open_gap._replace(censored=True)
