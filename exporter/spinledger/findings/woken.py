"""Who woke a disk most often in the last day, for findings.

Rules of this room: pure; a fold over explained spin-ups; nanoseconds inside. It holds the newest
`KEPT` of them.
"""

from __future__ import annotations

from collections import Counter
from typing import Any, cast

from spinledger.causes import REMEDIES, where
from spinledger.facts import MainWaker
from spinledger.model import DAY, Entry, Explained, Policy

KEPT = 64


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
