"""Boot time with its wall time, and which wall time is believed.

Rules: a host may boot with a clock that is years off. A clock that is behind the release of this
program, or far ahead of what the ledger and the boot clock say, is not believed: wall time then
goes on with the boot clock. At a start nobody knows how long the host was off, so nothing is
recorded while the clock is far ahead; that time is unobserved later, like the time before it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime

from spinledger.model import DAY, SECOND, Tick
from spinledger.ports import Clock

RELEASED_WALL_NS = int(datetime(2026, 1, 1, tzinfo=UTC).timestamp()) * SECOND
"""No clock of a host that runs this program shows less."""

AHEAD_NS = 730 * DAY
"""A clock that is this far ahead of the last record needs the kernel's word that it is right: a
host may have been off for that long (common practice, no source)."""


@dataclass(slots=True)
class Ticks:
    """The ticks of a run. `synchronised` says whether the kernel holds the clock to be set by a
    time server; None: any clock is believed (simulated time)."""

    clock: Clock
    synchronised: Callable[[], bool] | None = None
    doubted: str = ""  # why the clock was not believed at the last tick, in words
    _last: Tick | None = None
    _began_ns: int = 0  # boot time at which
    _believed_ns: int = field(default=RELEASED_WALL_NS)  # this wall time was believed

    def begin(self, now_ns: int, recorded_ns: int) -> None:
        """A run begins; the ledger's last record was at `recorded_ns` of wall time, 0: none."""
        self._last = None
        self._began_ns, self._believed_ns = now_ns, max(recorded_ns, RELEASED_WALL_NS)

    def at(self, now_ns: int) -> Tick:
        """That boot time with its wall time, read once for all disks."""
        if self._last is None or self._last.at_ns != now_ns:
            clock = self.clock
            wall_ns = clock.wall()
            self.doubted = self.doubt(now_ns, wall_ns)
            if self.doubted:
                wall_ns = self._expected(now_ns)
            else:
                self._began_ns, self._believed_ns = now_ns, wall_ns
            self._last = Tick(now_ns, wall_ns, clock.boot_id(), clock.suspended())
        return self._last

    def doubt(self, now_ns: int, wall_ns: int) -> str:
        """Why the clock is not believed, in words; "" where it is."""
        if self.synchronised is None:
            return ""
        shown = f"the clock of this host shows {_date(wall_ns)}"
        if wall_ns < RELEASED_WALL_NS:
            return f"{shown}, before this program was released"
        if self.far_ahead(now_ns, wall_ns):
            return f"{shown}, and by the last record it is {_date(self._expected(now_ns))}"
        return ""

    def far_ahead(self, now_ns: int, wall_ns: int) -> bool:
        """The clock is years ahead of the last record, and no time server set it."""
        if self.synchronised is None or wall_ns - self._expected(now_ns) <= AHEAD_NS:
            return False
        return not self.synchronised()

    def _expected(self, now_ns: int) -> int:
        return self._believed_ns + now_ns - self._began_ns


def _date(wall_ns: int) -> str:
    try:
        return f"{datetime.fromtimestamp(wall_ns // SECOND, UTC):%Y-%m-%d}"
    except (OverflowError, ValueError):
        return "a year after 9999"
