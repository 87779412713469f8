"""What a spin-up was for, and how long its first request waited, by the free signals alone.

Rules: a spin-up is explained once: in the sample in which the first sectors move after it, else
after a minute as `other` (a command that moves none, or our own probe). By then the kernel says
how long requests were in flight since the last sample before the spin-up (B), and how long all
that are done waited, summed (S). The first request came when the disk began to be busy, so B is
its wait, and the little work after it. That is given only where it is true to about a second:

- Few requests followed: at some 50 ms each, slow for a disk that turns, they add a second at most.
- S <= q B + 1 s, where q requests waited at the last sample. Before Linux 6.10 B lacks the
  time before the last request that came while others waited; S then exceeds that, unless all came
  within about a second.

The kernel's fields are those of Documentation/block/stat.rst (Linux 6.12), "io_ticks" and
"time_in_queue"; how B is counted, block/blk-core.c, update_io_ticks(), of Linux 6.1 and 6.12. The
50 ms are common practice, no source.
"""

from __future__ import annotations

from spinledger.ledger.account import Account, Waking
from spinledger.ledger.counts import BOTH, OTHER, READ, WRITE
from spinledger.model import MILLISECOND, MINUTE, Counted, Explained

FOLLOWERS = 20
SLACK_MS = 1000
PATIENCE_NS = MINUTE


def woke(account: Account, before: Counted | None) -> list[Explained]:
    """A spin-up was just recorded; `before` are the signals before it, if it shows in those."""
    given = unexplained(account)
    waking = Waking(account.cycle_number, account.at_ns, before)
    if before is None:
        return [*given, _explained(account, waking, OTHER, None)]
    account.waking = waking
    return given


def sampled(account: Account, fact: Counted, moved: bool) -> list[Explained]:
    """The free signals after a spin-up that is not explained yet; `moved`: sectors did."""
    waking = account.waking
    if waking is None or waking.before is None:
        return []
    if moved:
        account.waking = None
        return [_explained(account, waking, _cause(waking.before, fact), _wait(waking, fact))]
    waking.queued = max(1, fact.in_flight)
    return unexplained(account) if fact.at_ns - waking.at_ns >= PATIENCE_NS else []


def unexplained(account: Account) -> list[Explained]:
    """No more will be known of the last spin-up."""
    waking, account.waking = account.waking, None
    return [] if waking is None else [_explained(account, waking, OTHER, None)]


def _explained(account: Account, waking: Waking, cause: str, wait_ns: int | None) -> Explained:
    return Explained(waking.cycle, account.disk.identity, account.at_ns, cause, "", "", wait_ns)


def _cause(before: Counted, fact: Counted) -> str:
    read = fact.sectors_read != before.sectors_read
    written = fact.sectors_written != before.sectors_written
    return BOTH if read and written else READ if read else WRITE


def _wait(waking: Waking, fact: Counted) -> int | None:
    """The first request's wait in nanoseconds; None where it is unknown."""
    before = waking.before
    if before is None:
        return None
    busy, waited = fact.busy_ms - before.busy_ms, fact.waited_ms - before.waited_ms
    requests = fact.requests - before.requests
    if busy <= 0 or not 1 <= requests <= FOLLOWERS + 1:
        return None
    if not 0 < waited <= waking.queued * busy + SLACK_MS:
        return None
    return min(busy, waited) * MILLISECOND
