"""OpenMetrics with timestamps, for loading a past month into a metrics server.

Rules: only the series that the shipped rules and dashboards read; one line a series and step,
written as it comes, so that memory does not grow; the labels `job` and `instance`, which a server
adds at a scrape, are written here. A counter's line is its value at that time. What no rule's
expression needs comes once in SELDOM steps: enough for an increase over a day, which is how the
dashboards read most of it, while a graph of such a gauge has points and no line.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TextIO

from spinledger.facts import DiskView, Snapshot
from spinledger.findings.judge import ALWAYS
from spinledger.metrics.catalogue import (
    DISK_ROWS,
    EXPORTER_ROWS,
    FINDING_ROW,
    STATESET,
    From,
    Metric,
    Rendered,
    Values,
)
from spinledger.metrics.collector import buckets
from spinledger.metrics.openmetrics import END, seconds, series
from spinledger.model import MILLISECOND, Histogram, Labels

SELDOM = 15  # steps: an hour at the usual 240 s

LEFT_OUT = frozenset(
    {
        "power_condition",
        "quiet_state_seconds",
        "transitions",
        "power_cycles",
        "apm_level",
        "ledger_bytes",
        "idle_gap_seconds",
        "probe_seconds",
    }
)
"""Keys that neither rules nor dashboards read."""

EVERY_STEP: Mapping[str, frozenset[Labels] | None] = {
    "info": None,
    "power_state": frozenset({("standby",), ("unknown",)}),
    "state_seconds": None,
    "recent_cycles": frozenset({("1d",), ("30d",)}),
    "cycle_limit_used_ratio": frozenset({("1d",), ("7d",), ("30d",)}),
    "cycle_limit_reached": None,
    "rated_life_used_ratio": None,
    "rated_life_end": frozenset({("start_stop", "late"), ("load", "late")}),
    "rated_life_horizon_seconds": None,
    "quiet_window_asleep_ratio": None,
    "quiet_window_asleep_min_ratio": None,
    "quiet_window_observed_ratio": None,
    "quiet_window_end": None,
    "finding": frozenset((code,) for code in ALWAYS),
}
"""Keys of a disk that a rule's expression reads, and with which first labels (None: any). The
exporter's own series are few and come at every step."""


class Backfill:
    """A publisher that writes a line a series every `step_ns`; call `end` at the end."""

    def __init__(self, out: TextIO, job: str, instance: str, step_ns: int) -> None:
        self._out = out
        self._common = (("job", job), ("instance", instance))
        self._step_ns = step_ns
        self._next_ns: int | None = None
        self._steps = 0
        self._heads: dict[tuple[str, str, Labels], str] = {}
        self.lines = 0
        rows: list[Metric[DiskView] | Metric[Rendered]] = [*_written(DISK_ROWS)]
        for row in [*rows, *_written(EXPORTER_ROWS)]:
            kind = "gauge" if row.kind == STATESET else row.kind
            out.write(f"# TYPE {row.family} {kind}\n")

    def wants(self, at_ns: int) -> bool:
        """Every step."""
        return self._next_ns is None or at_ns >= self._next_ns

    def taken(self) -> bool:
        """True once a line was written."""
        return self.lines > 0

    def publish(self, snapshot: Snapshot) -> None:
        """Write the lines of this moment."""
        if not self.wants(snapshot.at_ns):
            return
        self._next_ns = (snapshot.at_ns // self._step_ns + 1) * self._step_ns
        self._stamp = f" {seconds(snapshot.wall_ns // MILLISECOND)}\n"
        whole = self._steps % SELDOM == 0
        self._steps += 1
        for view in snapshot.disks:
            for row in _written(DISK_ROWS):
                if whole or row.key in EVERY_STEP:
                    only = None if whole else EVERY_STEP[row.key]
                    self._write(row, view.disk.identity, row.values(view), only)
        for view in snapshot.absent:
            self._write(FINDING_ROW, view.disk.identity, FINDING_ROW.values(view), None)
        rendered = Rendered(snapshot, snapshot.wall_ns, 0)
        for own in _written(EXPORTER_ROWS):
            self._write(own, "", own.values(rendered), None)

    def end(self) -> None:
        """The end marker that the format asks for."""
        self._out.write(END)

    def _write(
        self,
        row: Metric[DiskView] | Metric[Rendered],
        identity: str,
        values: Values,
        only: frozenset[Labels] | None,
    ) -> None:
        if isinstance(values, Histogram):
            for one in buckets(row.name, {}, values):
                self._line(one.name, identity, tuple(one.labels), tuple(one.labels.values()))
                self._out.write(f"{one.value}{self._stamp}")
            return
        width = 0 if not only else len(next(iter(only)))
        for labels, value in values.items():
            if only is None or labels[:width] in only:
                self._line(row.name, identity, row.label_names, labels)
                self._out.write(f"{value}{self._stamp}")

    def _line(self, name: str, identity: str, names: Sequence[str], labels: Labels) -> None:
        """The beginning of a line, up to its value."""
        place = (name, identity, labels)
        head = self._heads.get(place)
        if head is None:
            disk = (("disk", identity),) if identity else ()
            pairs = zip(names, labels, strict=True)
            head = f"{series(name, (*self._common, *disk, *pairs))} "
            self._heads[place] = head
        self._out.write(head)
        self.lines += 1


def _written(rows: Sequence[Metric[From]]) -> list[Metric[From]]:
    return [row for row in rows if row.key not in LEFT_OUT]
