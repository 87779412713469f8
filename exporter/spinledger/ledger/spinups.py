"""Why a disk spun up, and how long its first request waited: by the kernel's events, or counters.

Rules: a spin-up is explained once. What the kernel's events say comes first (ports.WakeSource),
and may come some time before or after the spin-up is recorded: the two are joined by disk and time,
since the first request came between the beginning of the sleep and the sample that ended it. What
they leave open, and everything where they cannot be read, is by the free signals alone: in the
sample in which the first sectors move, else after a minute as `other` (a command that moves none,
or our own probe). By then the kernel says how long requests were in flight since the last sample
before the spin-up (B), and how long all that are done waited, summed (S). The first request came
when the disk began to be busy, so B is its wait, and the little work after it. That is given only
where it is true to about a second:

- Few requests followed: at some 50 ms each, slow for a disk that turns, they add a second at most.
- S <= q B + 1 s, where q requests waited at the last sample. Before Linux 6.10 B lacks the
  time before the last request that came while others waited; S then exceeds that, unless all came
  within about a second.

The kernel's fields are those of Documentation/block/stat.rst (Linux 6.12), "io_ticks" and
"time_in_queue"; how B is counted, block/blk-core.c, update_io_ticks(), of Linux 6.1 and 6.12. The
50 ms are common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

from spinledger.causes import BOTH, OTHER, READ, UNKNOWN, WRITE
from spinledger.ledger.account import Account, Waking
from spinledger.model import MILLISECOND, MINUTE, SECOND, Counted, Explained, Woken

FOLLOWERS = 20
SLACK_MS = 1000
PATIENCE_NS = MINUTE
REPORT_PATIENCE_NS = 2 * MINUTE
"""A report comes when the first request is done: some seconds after it, or a failed attempt of 30 s
(the kernel's default timeout of a command to a disk) later."""
SLACK_NS = SECOND  # between the times of events and of samples
MOST_REPORTS = 4  # whose spin-up is not recorded yet; older ones are dropped
MOST_TEXT = 120  # characters of an actor or place


def woke(account: Account, before: Counted | None, slept_ns: int) -> list[Explained]:
    """A spin-up was just recorded; `before` are the signals before it, if it shows in those.

    `slept_ns` is when the sleep began that it ended.
    """
    given = unexplained(account)
    waking = Waking(account.cycle_number, account.at_ns, before, slept_ns=slept_ns)
    if before is None:
        waking.counted = OTHER, None
    account.waking = waking
    reports, account.woken = account.woken, []
    for woken in reports:
        if _of(waking, woken):
            waking.woken = woken
    return given + _settled(account)


def reported(account: Account, woken: Woken) -> list[Explained]:
    """The kernel's events say what woke the disk, in a spin-up recorded before or after this."""
    actor = woken.actor or woken.boundary
    woken = replace(woken, actor=_plain(actor), place=_plain(woken.place))
    waking = account.waking
    if waking is None or waking.woken is not None or not _of(waking, woken):
        account.woken = [*account.woken, woken][-MOST_REPORTS:]
        return []
    waking.woken = woken
    return _settled(account)


def lost(account: Account, count: int) -> bool:
    """The source's count of events lost; True where it moved. One that restarts begins at zero."""
    before, account.source_lost = account.source_lost, count
    account.events_lost += count - before if count >= before else count
    return count != before


def sampled(account: Account, fact: Counted, moved: bool) -> list[Explained]:
    """The free signals after a spin-up that is not explained yet; `moved`: sectors did."""
    waking = account.waking
    if waking is None:
        return []
    if waking.counted is None and waking.before is not None:
        if moved:
            waking.counted = _cause(waking.before, fact), _wait(waking, fact)
        elif fact.at_ns - waking.at_ns >= PATIENCE_NS:
            waking.counted = OTHER, None
        else:
            waking.queued = max(1, fact.in_flight)
    if fact.at_ns - waking.at_ns >= REPORT_PATIENCE_NS:
        return unexplained(account)
    return _settled(account)


def unexplained(account: Account) -> list[Explained]:
    """No more will be known of the last spin-up."""
    waking, account.waking = account.waking, None
    return [] if waking is None else [_explained(account, waking)]


def _settled(account: Account) -> list[Explained]:
    """The explanation, where all that can be expected is there."""
    waking = account.waking
    if waking is None:
        return []
    woken = waking.woken
    if woken is None:
        enough = waking.counted is not None and not account.traced
    else:
        whole = woken.wait_ns is not None and woken.cause != UNKNOWN
        enough = whole or waking.counted is not None
    return unexplained(account) if enough else []


def _of(waking: Waking, woken: Woken) -> bool:
    """The report's first request is the one that ended this sleep."""
    return waking.slept_ns - SLACK_NS <= woken.at_ns <= waking.at_ns + SLACK_NS


def _explained(account: Account, waking: Waking) -> Explained:
    cause, wait_ns = waking.counted or (OTHER, None)
    actor = place = ""
    if waking.woken is not None:
        woken = waking.woken
        actor, place = woken.actor, woken.place
        cause = cause if woken.cause == UNKNOWN else woken.cause
        wait_ns = wait_ns if woken.wait_ns is None else woken.wait_ns
    identity = account.disk.identity
    return Explained(waking.cycle, identity, account.at_ns, cause, actor, place, wait_ns)


def _plain(text: str) -> str:
    """A name that others chose, fit for a label and a terminal."""
    return "".join(one if one.isprintable() else "?" for one in text)[:MOST_TEXT]


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
