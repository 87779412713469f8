"""The last day of one disk: time per state, and sleeps one by one, for findings.

Rules of this room: pure; folds over stretches; nanoseconds inside. What they hold is bounded and
rolls on, so that a finding vanishes some time after its cause did. Their keys are gauges that are
no metrics: they are in the snapshot for findings and for whoever wants the figures.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from spinledger.errors import Misuse
from spinledger.model import DAY, HOUR, SECOND, Entry, Labels, Number, State, Stretch

Samples = Mapping[str, Mapping[Labels, Number]]

SPAN_NS = 7 * DAY
KEPT = 64
"""Sleeps kept, of the last seven days; a runaway's worth of hours, a calm disk's whole week."""


class Lately:
    """Fold: key `day_state_seconds` by state, over the present and the last 23 whole boot hours.

    An hour of the boot clock is a bin; after a reboot the bins are shifted by whole hours.
    """

    name = "lately"
    eats: tuple[type, ...] = (Stretch,)
    gauges: frozenset[str] = frozenset({"day_state_seconds"})

    def __init__(self) -> None:
        self._bins: dict[int, dict[str, int]] = {}  # boot hour -> state -> nanoseconds
        self._sums = {state.value: 0 for state in State}

    def step(self, entry: Entry) -> None:
        """Take one stretch."""
        if isinstance(entry, Stretch) and entry.ended_ns > entry.began_ns:
            state = entry.state.value
            for hour, length in _hours(entry):
                kept = self._bins.setdefault(hour, {})
                kept[state] = kept.get(state, 0) + length
                self._sums[state] += length
            self._forget(entry.ended_ns)

    def _forget(self, now_ns: int) -> None:
        first = _first_hour(now_ns)
        for hour in [hour for hour in self._bins if hour < first]:
            for state, length in self._bins.pop(hour).items():
                self._sums[state] -= length

    def totals(self, pending: Sequence[Entry]) -> Samples:
        """Seconds by state, the open stretch included."""
        sums = dict(self._sums)
        for entry in pending:
            if isinstance(entry, Stretch):
                first = _first_hour(entry.ended_ns)
                for hour, kept in self._bins.items():
                    if hour < first:
                        for state, length in kept.items():
                            sums[state] -= length
                began = max(entry.began_ns, first * HOUR)
                sums[entry.state.value] += entry.ended_ns - began
        return {"day_state_seconds": {(state,): ns / SECOND for state, ns in sums.items()}}

    def rebase(self, offset_ns: int) -> None:
        """Shift the bins to another boot's clock, to the nearest hour."""
        hours = round(offset_ns / HOUR)
        self._bins = {hour + hours: kept for hour, kept in self._bins.items()}

    def dump(self) -> object:
        """A list a bin: its boot hour, then nanoseconds in the order of `State`."""
        return [
            [hour, *(kept.get(state.value, 0) for state in State)]
            for hour, kept in self._bins.items()
        ]

    def load(self, dumped: object) -> None:
        """Replace the state with a dumped one."""
        if not isinstance(dumped, list):
            raise Misuse("a dump of the last day is a list")
        self._bins = {
            int(hour): {s.value: int(ns) for s, ns in zip(State, kept, strict=False) if ns}
            for hour, *kept in dumped
        }
        self._sums = {
            state.value: sum(kept.get(state.value, 0) for kept in self._bins.values())
            for state in State
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


class Naps:
    """Fold: key `naps` about the last sleeps that ended, and `nap_seconds` with their lengths.

    `naps` by: `count`, `daytime` (ended outside quiet hours), `daytime_short` and the time they
    span, `span_seconds`. Short: no longer than the standby timer, so that the gap was at most
    twice the timer. A sleep is the standby time between two times of spinning; what nobody saw in
    between is not slept.
    """

    name = "naps"
    eats: tuple[type, ...] = (Stretch,)
    gauges: frozenset[str] = frozenset({"naps"})

    def __init__(self, short_ns: int = 0) -> None:
        self._short_ns = short_ns
        self._naps: list[tuple[int, int, bool]] = []  # when it ended, its length, in quiet hours
        self._asleep_ns = 0

    def step(self, entry: Entry) -> None:
        """Take one stretch."""
        if not isinstance(entry, Stretch):
            return
        if entry.state is State.STANDBY:
            self._asleep_ns += entry.ended_ns - entry.began_ns
        elif entry.state.spinning and self._asleep_ns:
            self._end(entry)

    def _end(self, entry: Stretch) -> None:
        ended = entry.began_ns
        self._naps.append((ended, self._asleep_ns, entry.quiet))
        self._asleep_ns = 0
        if len(self._naps) > KEPT or ended - self._naps[0][0] > SPAN_NS:
            kept = [nap for nap in self._naps if ended - nap[0] <= SPAN_NS]
            self._naps = kept[-KEPT:]

    def totals(self, pending: Sequence[Entry]) -> Samples:
        """What the last sleeps were like; an open sleep is not among them."""
        now_ns = self._naps[-1][0] if self._naps else 0
        waking = None
        for entry in pending:
            if isinstance(entry, Stretch):
                now_ns = max(now_ns, entry.ended_ns)
                if entry.state.spinning and self._asleep_ns:
                    waking = (entry.began_ns, self._asleep_ns, entry.quiet)
        naps = [nap for nap in self._naps if now_ns - nap[0] <= SPAN_NS]
        if waking is not None:
            naps.append(waking)
        if not naps:
            return {"naps": {}}
        daytime = [length for _, length, quiet in naps if not quiet]
        short = sum(length <= self._short_ns for length in daytime)
        span_ns = now_ns - (naps[0][0] - naps[0][1])
        return {
            "naps": {
                ("count",): len(naps),
                ("daytime",): len(daytime),
                ("daytime_short",): short,
                ("asleep_seconds",): sum(length for _, length, _ in naps) / SECOND,
                ("span_seconds",): span_ns / SECOND,
            }
        }

    def rebase(self, offset_ns: int) -> None:
        """Move the kept times to another boot's clock."""
        self._naps = [(ended + offset_ns, length, quiet) for ended, length, quiet in self._naps]

    def dump(self) -> object:
        """Sleeps as lists, and the open one's length."""
        return {"naps": [list(nap) for nap in self._naps], "asleep": self._asleep_ns}

    def load(self, dumped: object) -> None:
        """Replace the state with a dumped one."""
        if not isinstance(dumped, Mapping):
            raise Misuse("a dump of sleeps is a mapping")
        self._naps = [(int(ended), int(length), bool(q)) for ended, length, q in dumped["naps"]]
        self._asleep_ns = int(dumped["asleep"])
