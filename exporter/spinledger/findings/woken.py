"""Who woke a disk most often in the last day, for findings, and where that explains them.

Rules of this room: pure; a fold over explained spin-ups; nanoseconds inside. It holds the newest
`KEPT` of them. Who woke a disk says nothing of what keeps it awake afterwards: requests are traced
only to a disk in standby.
"""

from __future__ import annotations

from collections import Counter
from typing import Any, cast

from spinledger.causes import REMEDIES, where
from spinledger.facts import Facts, MainWaker
from spinledger.model import DAY, Entry, Explained, Policy

KEPT = 64
OFTEN = 3  # spin-ups of a day, from which on they explain a night
NOT_TRACED = "the program is not known, since only requests to a sleeping disk are traced"


class LastWakes:
    """Fold: when each spin-up was explained, its cause, who and where."""

    eats: tuple[type, ...] = (Explained,)

    def __init__(self) -> None:
        self._kept: list[tuple[int, str, str, str]] = []

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one explained spin-up."""
        one = cast(Explained, entry)
        self._kept = [*self._kept, (one.at_ns, one.cause, one.actor, one.place)][-KEPT:]

    def totals(self, now_ns: int) -> MainWaker | None:
        """Who caused most of the last day's; None: nobody was named."""
        lately = [one for one in self._kept if one[0] > now_ns - DAY]
        counts = Counter((cause, actor) for _, cause, actor, _ in lately if actor)
        if not counts:
            return None
        (cause, actor), wakes = counts.most_common(1)[0]
        place = next(one[3] for one in reversed(lately) if one[1:3] == (cause, actor))
        return MainWaker(actor, cause, place, wakes, len(lately))

    def dump(self) -> object:
        """The list."""
        return self._kept

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        self._kept = [(at_ns, cause, actor, place) for at_ns, cause, actor, place in dumped]

    def rebase(self, offset_ns: int) -> None:
        """Move the times to another boot's clock."""
        self._kept = [(at_ns + offset_ns, *rest) for at_ns, *rest in self._kept]  # type: ignore[misc]


def explaining(facts: Facts, code: str) -> MainWaker | None:
    """Who woke the disk, where spin-ups are what a finding is about: the disk slept in between."""
    waker, window, repeated = facts.waker, facts.quiet_window, facts.repeated
    if waker is None or code in ("over_cycle_limit", "over_cycle_budget"):
        return waker
    if code == "regular_access" and repeated is not None:
        longer = repeated.period_ns + facts.policy.cadence.fast_ns >= (facts.timer_ns or 0)
        return waker if longer else None
    if code == "slept_too_little" and window is not None and waker.wakes >= OFTEN:
        awake_ns = 0 if facts.awake is None else facts.awake.lasted_ns
        began_wall_ns = window.ended_wall_ns - window.recorded_ns
        return waker if facts.sampled_wall_ns - awake_ns >= began_wall_ns else None
    return None


def named(waker: MainWaker) -> str:
    """In words: smbd woke it in 31 of 47 spin-ups of the last day (read, on /srv/photos)."""
    place = where(waker.place)
    on = f", on {place}" if place else ""
    return (
        f"{waker.actor} woke it in {waker.wakes} of {waker.of} spin-ups of the last day "
        f"({waker.cause.replace('_', ' ')}{on})"
    )


def remedy(waker: MainWaker) -> str:
    """What to do about it first."""
    return REMEDIES[waker.cause].format(actor=waker.actor)
