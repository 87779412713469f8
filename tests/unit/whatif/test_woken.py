"""A ledger's gaps without one program, against a replay of the arrivals of all others.

The reference is the replay of a trace, which knows each request. Random arrivals; the program that
is left out always finds the disk asleep, so a ledger names it for all it does.
"""

from __future__ import annotations

import random
from itertools import pairwise

from spinledger.model import HOUR, MINUTE, SECOND
from spinledger.whatif.replay import Replay
from spinledger.whatif.woken import Between, merged

TIMERS = (5 * MINUTE, 10 * MINUTE, 20 * MINUTE, HOUR)


def test_as_if_the_program_had_never_run() -> None:
    """1000 hours: others every two hours or so, the program right between where that is long."""
    draw = random.Random(7)
    others, program, at = [0], [], 0
    while at < 1000 * HOUR:
        pause = 10 * MINUTE + round(draw.expovariate(1 / (2 * HOUR)))
        if pause > 2 * HOUR:
            program.append(at + pause // 2)
        at += pause
        others.append(at)
    every = sorted([*others, *program])
    gaps = [Between(one, other, False) for one, other in pairwise(every)]
    recorded = [one - draw.randrange(5 * SECOND) for one in program]  # the sample's beginning
    kept, wanted = Replay(TIMERS), Replay(TIMERS)
    for gap in merged(gaps, recorded):
        kept.gap(*gap)
    kept.end(others[-1], others[-1])
    wanted.arrivals(others)
    wanted.end(others[-1])
    assert len(program) > 100
    assert kept.outcomes() == wanted.outcomes()


def test_a_gap_that_the_program_ended_last_is_still_open() -> None:
    """Nobody waited at its end any more."""
    assert [*merged([Between(0, HOUR, False)], [HOUR - SECOND])] == [Between(0, HOUR, True)]
