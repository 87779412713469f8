"""The last day of one disk: time per state, and the last sleeps one by one, for findings.

Rules of this room: pure; folds over stretches; nanoseconds inside. What they hold is bounded and
rolls on, so that a finding vanishes some time after its cause did.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, cast

from spinledger.facts import Sleeps
from spinledger.model import DAY, HOUR, Entry, Policy, State, Stretch

SPAN_NS = 7 * DAY
KEPT = 64
"""Sleeps kept, of the last seven days: some hours of a busy disk, the whole week of a calm one."""

_Sleep = tuple[int, int, bool]  # when it ended, its length, inside quiet hours


class LastDay:
    """Fold: time by state over the present and the last 23 whole hours of the boot clock.

    An hour of the boot clock is a bin; after a reboot the bins are shifted by whole hours.
    """

    eats: tuple[type, ...] = (Stretch,)

    def __init__(self) -> None:
        self._bins: dict[int, dict[State, int]] = {}  # boot hour -> state -> nanoseconds
        self._sums = dict.fromkeys(State, 0)

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one stretch."""
        stretch = cast(Stretch, entry)
        if stretch.ended_ns > stretch.began_ns:
            for hour, length in _hours(stretch):
                kept = self._bins.setdefault(hour, {})
                kept[stretch.state] = kept.get(stretch.state, 0) + length
                self._sums[stretch.state] += length
            self._forget(stretch.ended_ns)

    def _forget(self, now_ns: int) -> None:
        first = _first_hour(now_ns)
        for hour in [hour for hour in self._bins if hour < first]:
            for state, length in self._bins.pop(hour).items():
                self._sums[state] -= length

    def totals(self, pending: Stretch) -> Mapping[State, int]:
        """Nanoseconds by state, the open stretch included."""
        sums = dict(self._sums)
        first = _first_hour(pending.ended_ns)
        for hour, kept in self._bins.items():
            if hour < first:
                for state, length in kept.items():
                    sums[state] -= length
        sums[pending.state] += pending.ended_ns - max(pending.began_ns, first * HOUR)
        return sums

    def rebase(self, offset_ns: int) -> None:
        """Shift the bins to another boot's clock, to the nearest hour."""
        hours = round(offset_ns / HOUR)
        self._bins = {hour + hours: kept for hour, kept in self._bins.items()}

    def dump(self) -> object:
        """A list a bin: its boot hour, then nanoseconds in the order of `State`."""
        return [
            [hour, *(kept.get(state, 0) for state in State)] for hour, kept in self._bins.items()
        ]

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        self._bins = {
            hour: {state: ns for state, ns in zip(State, kept, strict=True) if ns}
            for hour, *kept in dumped
        }
        self._sums = {
            state: sum(kept.get(state, 0) for kept in self._bins.values()) for state in State
        }


def _first_hour(now_ns: int) -> int:
    return now_ns // HOUR - 23


def _hours(stretch: Stretch) -> list[tuple[int, int]]:
    """The last 24 boot hours that a stretch touches, and how much of each."""
    found = []
    first = max(stretch.began_ns // HOUR, _first_hour(stretch.ended_ns))
    for hour in range(first, (stretch.ended_ns - 1) // HOUR + 1):
        began, ended = hour * HOUR, (hour + 1) * HOUR
        found.append((hour, min(ended, stretch.ended_ns) - max(began, stretch.began_ns)))
    return found


class LastSleeps:
    """Fold: the last sleeps that ended.

    A sleep is the standby time between two times of spinning; unobserved time in between does not
    count as slept.
    """

    eats: tuple[type, ...] = (Stretch,)

    def __init__(self) -> None:
        self._sleeps: list[_Sleep] = []
        self._asleep_ns = 0

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one stretch."""
        stretch = cast(Stretch, entry)
        if stretch.state is State.STANDBY:
            self._asleep_ns += stretch.ended_ns - stretch.began_ns
        elif stretch.state.spinning and self._asleep_ns:
            ended = stretch.began_ns
            self._sleeps.append((ended, self._asleep_ns, stretch.quiet))
            self._asleep_ns = 0
            if len(self._sleeps) > KEPT or ended - self._sleeps[0][0] > SPAN_NS:
                kept = [sleep for sleep in self._sleeps if ended - sleep[0] <= SPAN_NS]
                self._sleeps = kept[-KEPT:]

    def totals(self, pending: Stretch, policy: Policy) -> Sleeps | None:
        """What the last sleeps were like; an open sleep is not among them. None: there are none.

        Short is a sleep no longer than the declared standby timer, so that its gap was at most
        twice the timer.
        """
        now_ns = pending.ended_ns
        sleeps = [sleep for sleep in self._sleeps if now_ns - sleep[0] <= SPAN_NS]
        if pending.state.spinning and self._asleep_ns:
            sleeps.append((pending.began_ns, self._asleep_ns, pending.quiet))
        if not sleeps:
            return None
        daytime = [length for _, length, quiet in sleeps if not quiet]
        short_ns = policy.declared_ns or 0
        return Sleeps(
            count=len(sleeps),
            asleep_ns=sum(length for _, length, _ in sleeps),
            span_ns=now_ns - (sleeps[0][0] - sleeps[0][1]),
            daytime=len(daytime),
            daytime_short=sum(length <= short_ns for length in daytime),
        )

    def rebase(self, offset_ns: int) -> None:
        """Move the kept times to another boot's clock."""
        self._sleeps = [(ended + offset_ns, length, quiet) for ended, length, quiet in self._sleeps]

    def dump(self) -> object:
        """Sleeps as lists, and the open one's length."""
        return {"sleeps": [list(sleep) for sleep in self._sleeps], "asleep": self._asleep_ns}

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        self._sleeps = [(ended, length, quiet) for ended, length, quiet in dumped["sleeps"]]
        self._asleep_ns = dumped["asleep"]
