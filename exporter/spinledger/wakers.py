"""Who wakes what: the spin-ups of a pool as one wake each, counted by who caused them.

Rules: pure. Members that spin up one after another, or together, are one wake of their pool; the
cause is that of the first member of which it is known, and no more members than really spun up
are counted. Waits that follow each other add up; waits at the same time count once. A spin-up that
only the drive's counter knows belongs to no wake: its time is not known.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from spinledger.causes import WORDS, where
from spinledger.model import DAY, SECOND
from spinledger.strip import DiskHistory, SpinUp, spin_ups
from spinledger.words import duration, percent

SAMPLE_NS = 5 * SECOND
"""A spin-up is recorded at the beginning of its sample, so up to one sample too early."""
PAUSE_NS = 15 * SECOND
"""Between the end of one member's wait and the next member's spin-up, at most, in one wake."""
TOGETHER_NS = SECOND // 4  # spin-ups recorded closer than this came at the same time
UNKNOWN_WAIT_NS = 30 * SECOND  # the longest that a spin-up of unknown length may take
NOBODY = "unknown"
PERIODS = (("day", DAY), ("week", 7 * DAY), ("month", 30 * DAY))


class Wake(NamedTuple):
    """One wake of a pool, or of a disk alone."""

    at: int  # wall nanoseconds
    members: tuple[str, ...]  # identities of those that spun up, in order
    times: tuple[int, ...]  # when each did
    cause: str
    actor: str
    place: str
    wait: int | None  # nanoseconds; None: not known


class Waker(NamedTuple):
    """What one actor does to one pool or disk. Counts are of `PERIODS`."""

    actor: str
    group: str
    wakes: tuple[int, ...]
    spin_ups: tuple[int, ...]
    wait: int  # nanoseconds waited in the longest period, as far as known
    place: str  # of its newest wake
    share: float  # of all wakes of that pool or disk in the longest period


def wakes(members: Mapping[str, Sequence[SpinUp]]) -> Iterator[Wake]:
    """The wakes of one pool, from the spin-ups of its disks, in order of time."""
    every = sorted(
        (one.at, order, disk, one)
        for order, (disk, found) in enumerate(members.items())
        for one in found
        if one.observed
    )
    began = ends = 0  # of the wake so far: its first place in `every`, and when its waits end
    for place, (at, _, disk, one) in enumerate(every):
        if place > began and (
            at > ends + PAUSE_NS or any(row[2] == disk for row in every[began:place])
        ):
            yield _wake(every[began:place])
            began = place
        ended = at + (UNKNOWN_WAIT_NS if one.wait is None else one.wait)
        if place == began or ended > ends:
            ends = ended
    if every:
        yield _wake(every[began:])


def _wake(together: Sequence[tuple[int, int, str, SpinUp]]) -> Wake:
    at, _, disk, first = together[0]
    if len(together) == 1:  # most are: the rest of this would give the same, slowly
        return Wake(at, (disk,), (at,), first.cause, first.actor, first.place, first.wait)
    rows = [one for _, _, _, one in together]
    named = next((one for one in rows if one.actor), None)
    known = named or next((one for one in rows if one.cause), first)
    members = tuple(disk for _, _, disk, _ in together)
    times = tuple(one.at for one in rows)
    return Wake(at, members, times, known.cause, known.actor, known.place, _waited(rows))


def _waited(spin_ups: Sequence[SpinUp]) -> int | None:
    total, ends, before = None, 0, 0
    for one in spin_ups:
        if one.wait is None:
            continue
        began = one.at
        if before + TOGETHER_NS < began < ends <= began + SAMPLE_NS:
            began = ends  # it was recorded one sample too early at most: it came after
        before, ended = one.at, began + one.wait
        total = (total or 0) + max(0, ended - max(began, ends))
        ends = max(ends, ended)
    return total


@dataclass(slots=True)
class _Tally:
    """What one actor has done so far, by `PERIODS`."""

    wakes: list[int] = field(default_factory=lambda: [0] * len(PERIODS))
    spin_ups: list[int] = field(default_factory=lambda: [0] * len(PERIODS))
    wait: int = 0
    place: str = ""

    def add(self, one: Wake, since: Sequence[int]) -> None:
        """Count a wake in each period in which it lies."""
        at, members = one.at, len(one.members)
        for number in range(len(since) - 1, -1, -1):
            if at <= since[number]:
                break
            self.wakes[number] += 1
            self.spin_ups[number] += members
        self.wait += one.wait or 0
        self.place = one.place


def wakers(
    groups: Mapping[str, Sequence[str]], histories: Mapping[str, DiskHistory], now: int
) -> list[Waker]:
    """Who wakes what, most wakes first. `groups` are the identities of each pool or lone disk."""
    found: list[Waker] = []
    since = [now - span for _, span in PERIODS]
    for group, disks in groups.items():
        recorded = {
            disk: spin_ups(histories[disk], since[-1] + 1, now + 1)
            for disk in disks
            if disk in histories
        }
        tallies: dict[str, _Tally] = {}
        for one in wakes(recorded):
            actor = one.actor or NOBODY
            if actor not in tallies:
                tallies[actor] = _Tally()
            tallies[actor].add(one, since)
        every = sum(tally.wakes[-1] for tally in tallies.values())
        found += [
            Waker(
                actor,
                group,
                tuple(tally.wakes),
                tuple(tally.spin_ups),
                tally.wait,
                tally.place,
                tally.wakes[-1] / every,
            )
            for actor, tally in tallies.items()
        ]
    return sorted(found, key=lambda one: (one.wakes[::-1], one.actor), reverse=True)


def sentence(cause: str, actor: str, place: str, wait: int | None) -> str:
    """As far as it is known: read by smbd on /srv/photos, waited 8 s."""
    words = WORDS.get(cause, cause)
    if actor:
        words = f"{words} by {actor}" if words else f"by {actor}"
    if where(place):
        words += f" on {where(place)}"
    if wait is not None:
        words += f"{', ' if words else ''}waited {duration(wait / SECOND)}"
    return words


def most(found: Sequence[Waker], group: str) -> Waker | None:
    """Who wakes a pool or disk most often, of those that are known."""
    named = [one for one in found if one.group == group and one.actor != NOBODY]
    return max(named, key=lambda one: one.wakes[::-1], default=None)


def share(one: Waker) -> str:
    """In words: 83 % of its wakes in 30 days."""
    return f"{percent(one.share)} of its wakes in {PERIODS[-1][1] // DAY} days"
