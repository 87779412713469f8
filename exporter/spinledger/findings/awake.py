"""Whether the standby timer holds: how long the disk stayed idle and awake since it last slept.

Rules of this room: pure; a fold over stretches; nanoseconds inside. Idle is what the disk was seen
to be: a time in which nobody looked, or nobody could know, ends a run.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from spinledger.errors import Misuse
from spinledger.model import SECOND, Entry, Labels, Number, State, Stretch


@dataclass(frozen=True, slots=True)
class _Known:
    """Boot-clock nanoseconds; None: never."""

    watched_ns: int | None = None  # since when stretches are known
    slept_ns: int | None = None  # when it was last seen in standby
    run_ns: int | None = None  # when the open idle run began
    longest_ns: int = 0  # the longest idle run since it last slept: its length
    upset_ns: int | None = None  # watched again after nobody looked, before that run
    maybe_ns: int | None = None  # the newest such moment, whatever follows


class Holding:
    """Fold: key `awake`, about the time since the disk was last seen in standby.

    By: `longest_idle_seconds`, the longest run of idle stretches since then; `seconds`, all of
    that time; `slept`, 1 if it ever was in standby; `watched_seconds`, since its first stretch
    ever, whatever exported counters restarted from; and `upset_seconds`, how long ago it came
    back before that run (re-plugged, resumed, the host or the exporter restarted), if it did.
    """

    name = "holding"
    eats: tuple[type, ...] = (Stretch,)
    gauges: frozenset[str] = frozenset({"awake"})

    def __init__(self) -> None:
        self._known = _Known()

    def step(self, entry: Entry) -> None:
        """Take one stretch."""
        if isinstance(entry, Stretch) and entry.ended_ns > entry.began_ns:
            self._known = _after(self._known, entry)

    def totals(self, pending: Sequence[Entry]) -> Mapping[str, Mapping[Labels, Number]]:
        """The figures as of the end of the open stretch."""
        known, now_ns = self._known, 0
        for entry in pending:
            if isinstance(entry, Stretch):
                now_ns = entry.ended_ns
                if entry.ended_ns > entry.began_ns:
                    known = _after(known, entry)
        since = known.watched_ns if known.slept_ns is None else known.slept_ns
        if since is None:
            return {"awake": {}}
        given: dict[Labels, Number] = {
            ("longest_idle_seconds",): known.longest_ns / SECOND,
            ("seconds",): max(0, now_ns - since) / SECOND,
            ("slept",): int(known.slept_ns is not None),
            ("watched_seconds",): max(0, now_ns - (known.watched_ns or 0)) / SECOND,
        }
        if known.upset_ns is not None:
            given[("upset_seconds",)] = max(0, now_ns - known.upset_ns) / SECOND
        return {"awake": given}

    def rebase(self, offset_ns: int) -> None:
        """Move the kept times to another boot's clock."""
        known = self._known
        names = ("watched_ns", "slept_ns", "run_ns", "upset_ns", "maybe_ns")
        moved = {name: getattr(known, name) for name in names}
        self._known = replace(
            known, **{name: at + offset_ns for name, at in moved.items() if at is not None}
        )

    def dump(self) -> object:
        """The kept times as a list, in the order of their names."""
        known = self._known
        return [getattr(known, name) for name in _Known.__slots__]

    def load(self, dumped: object) -> None:
        """Replace the state with a dumped one."""
        if not isinstance(dumped, list):
            raise Misuse("a dump of the timer's holding is a list")
        self._known = _Known(*dumped)


def _after(known: _Known, stretch: Stretch) -> _Known:
    state = stretch.state
    if known.watched_ns is None:
        known = replace(known, watched_ns=stretch.began_ns)
    if state is State.STANDBY:
        return _Known(watched_ns=known.watched_ns, slept_ns=stretch.ended_ns)
    if state is State.IDLE:
        run_ns = stretch.began_ns if known.run_ns is None else known.run_ns
        longest = max(known.longest_ns, stretch.ended_ns - run_ns)
        upset = known.maybe_ns if longest > known.longest_ns else known.upset_ns
        return replace(known, run_ns=run_ns, longest_ns=longest, upset_ns=upset)
    if state is State.UNOBSERVED:
        return replace(known, run_ns=None, maybe_ns=stretch.ended_ns)
    return replace(known, run_ns=None)
