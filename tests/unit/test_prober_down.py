"""A prober that ends is started again between probes, and a metric shows it at once."""

from __future__ import annotations

from collections.abc import Iterable

from spinledger.metrics.collector import render_text
from spinledger.model import SECOND, Answered, Disk, Probe
from spinledger.ports import Prober
from tests.fakes.watching import Kept, Watched, kind, with_timer


class Ending:
    """A prober that ends at 10 s, and can be started again from 22 s on."""

    def __init__(self, prober: Prober) -> None:
        self._prober = prober
        self.tried_s: list[float] = []
        self.restarts = 0
        self.up = True

    def send(self, probe: Probe, disk: Disk) -> None:
        """As before."""
        self._prober.send(probe, disk)

    def replies(self, at_ns: int) -> Iterable[Answered]:
        """As before; where it is down, try to start it."""
        if not self.up:
            self.tried_s.append(at_ns / SECOND)
            if at_ns >= 22 * SECOND:
                self.up, self.restarts = True, 1
        return self._prober.replies(at_ns)

    def forget(self, disk: Disk) -> None:
        """As before."""
        self._prober.forget(disk)

    def fileno(self) -> int:
        """As before."""
        return self._prober.fileno()

    def due_ns(self) -> int | None:
        """As before."""
        return self._prober.due_ns()  # type: ignore[attr-defined,no-any-return]

    def health(self) -> tuple[bool, int]:
        """Whether it is up, and how often it was started again."""
        return self.up, self.restarts


class All(Kept):
    """Keeps every snapshot."""

    def wants(self, at_ns: int) -> bool:
        """Each one."""
        return True


def test_a_prober_that_is_down_is_started_again_at_each_sample() -> None:
    """The disk is in use, so no probe is due; each sample of 5 s tries, and the snapshot of the
    same moment shows it (common practice, no source)."""
    watched = Watched(kind("plain", 7200), list(range(1, 60)), with_timer(7200))
    prober = Ending(watched.rack.prober)
    kept = All()
    ports = watched.loop.ports
    ports.prober, ports.prober_health = prober, prober.health
    watched.loop.publishing.publishers = [kept]
    watched.run(9)
    prober.up = False
    watched.run(40)
    assert prober.tried_s
    assert prober.tried_s == sorted(prober.tried_s)
    assert 22 <= prober.tried_s[-1] <= 27
    shown = {round(one.at_ns / SECOND): one.exporter.prober for one in kept.snapshots}
    assert (False, 0) in shown.values()
    last = kept.snapshots[-1]
    assert last.exporter.prober == (True, 1)
    assert b"spinledger_prober_restarts_total 1.0" in render_text(last)
