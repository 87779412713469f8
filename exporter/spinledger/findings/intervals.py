"""A regular beat: a disk touched at the same interval again and again, or never still at all.

Rules of this room: pure; a fold over gaps and stretches; nanoseconds inside. Times are those of
the sampling, so an interval is known to one sampling interval either way, and a beat shorter than
three of them is not resolved: such a disk is `restless`, never still for longer than one sample.

Of the last 24 intervals between the beginnings of activity 18 must lie within one sampling
interval of their median. Random (Poisson) arrivals do that by chance about once in 1e7 times where
their median is three sampling intervals, and far more rarely where it is longer (binomial tail).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

from spinledger.errors import Misuse
from spinledger.model import HOUR, SECOND, Entry, Gap, Labels, Number, State, Stretch

BEATS = 24
AGREEING = 18
LONGEST_NS = HOUR  # longer beats are appointments, not what keeps a disk awake
RESTLESS_NS = HOUR
"""So long a disk must not have been still for it to be called restless."""


class Beats:
    """Fold: keys `beat`, while there is one, and `restless`, after an hour.

    `beat` by: `seconds`, the period, and `agreeing`, how many of the last 24 intervals keep it.
    `restless` by: `seconds` since the last still sample pair, `sectors_read`, `sectors_written`
    by others in that time (512-byte units), and `light_seconds`, the part of it in whose samples
    next to nothing moved. `sampling_ns` is the interval of the free signals.
    """

    name = "beats"
    eats: tuple[type, ...] = (Gap, Stretch)
    gauges: frozenset[str] = frozenset({"beat", "restless"})

    def __init__(self, sampling_ns: int) -> None:
        self._sampling_ns = sampling_ns
        self._touches: list[int] = []  # when activity began, at most BEATS + 1 of them
        self._since_ns: int | None = None  # beginning of the restless time
        self._read = 0
        self._written = 0
        self._light_ns = 0

    def step(self, entry: Entry) -> None:
        """Take one gap or stretch."""
        if isinstance(entry, Gap):
            self._touches.append(entry.ended_ns)
            if len(self._touches) > BEATS + 1:
                del self._touches[0]
        elif isinstance(entry, Stretch):
            self._stretch(entry)

    def _stretch(self, stretch: Stretch) -> None:
        if self._still(stretch):
            self._since_ns = None
            self._read = self._written = self._light_ns = 0
            return
        if self._since_ns is None:
            self._since_ns = stretch.began_ns
        self._read += stretch.sectors_read
        self._written += stretch.sectors_written
        self._light_ns += stretch.light_ns

    def _still(self, stretch: Stretch) -> bool:
        """True where the disk was still for more than one sample, or not seen to move."""
        if stretch.state is State.ACTIVE:
            return False
        one_sample = stretch.ended_ns - stretch.began_ns <= self._sampling_ns * 3 // 2
        return stretch.state is not State.IDLE or not one_sample

    def totals(self, pending: Sequence[Entry]) -> Mapping[str, Mapping[Labels, Number]]:
        """The beat and the restlessness as of the open stretch and gap; empty where none."""
        found: dict[str, Mapping[Labels, Number]] = {"beat": {}, "restless": {}}
        now_ns = 0
        since, read, written = self._since_ns, self._read, self._written
        light = self._light_ns
        for entry in pending:
            if isinstance(entry, Stretch):
                now_ns = entry.ended_ns
                if self._still(entry):
                    since = None
                else:
                    since = entry.began_ns if since is None else since
                    read, written = read + entry.sectors_read, written + entry.sectors_written
                    light += entry.light_ns
        period, agreeing = self._period(now_ns)
        if agreeing >= AGREEING:
            found["beat"] = {("seconds",): period / SECOND, ("agreeing",): agreeing}
        if since is not None and now_ns - since >= RESTLESS_NS:
            found["restless"] = {
                ("seconds",): (now_ns - since) / SECOND,
                ("sectors_read",): read,
                ("sectors_written",): written,
                ("light_seconds",): light / SECOND,
            }
        return found

    def _period(self, now_ns: int) -> tuple[int, int]:
        """The period in nanoseconds and how many intervals keep it; zeros when there is none."""
        touches = self._touches
        if len(touches) <= BEATS or touches[-1] - touches[0] > 2 * BEATS * LONGEST_NS:
            return 0, 0
        intervals = [later - earlier for earlier, later in pairwise(touches)]
        median = sorted(intervals)[BEATS // 2]
        if not 3 * self._sampling_ns <= median <= LONGEST_NS:
            return 0, 0
        if now_ns - touches[-1] > 2 * median + self._sampling_ns:
            return 0, 0
        return median, sum(abs(one - median) <= self._sampling_ns for one in intervals)

    def rebase(self, offset_ns: int) -> None:
        """Move the kept times to another boot's clock."""
        self._touches = [at + offset_ns for at in self._touches]
        if self._since_ns is not None:
            self._since_ns += offset_ns

    def dump(self) -> object:
        """Times and sums."""
        return {
            "touches": list(self._touches),
            "since": self._since_ns,
            "read": self._read,
            "written": self._written,
            "light": self._light_ns,
        }

    def load(self, dumped: object) -> None:
        """Replace the state with a dumped one; the sampling interval stays."""
        if not isinstance(dumped, Mapping):
            raise Misuse("a dump of beats is a mapping")
        self._touches = [int(at) for at in dumped["touches"]][-BEATS - 1 :]
        self._since_ns = dumped["since"]
        self._read, self._written = int(dumped["read"]), int(dumped["written"])
        self._light_ns = int(dumped["light"])
