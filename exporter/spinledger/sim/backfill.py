"""OpenMetrics with timestamps, for loading a past month into a metrics server.

Rules: only the series that the shipped rules and dashboards read; one line a series and step,
written as it comes, so that memory does not grow; the labels `job` and `instance`, which a server
adds at a scrape, are written here. A counter's line is its value at that time. What no rule's
expression needs comes once in SELDOM steps: enough for an increase over a day, which is how the
dashboards read most of it, while a graph of such a gauge has points and no line. Histograms are
not written.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TextIO

from spinledger.metrics.catalogue import CATALOGUE, Metric
from spinledger.metrics.collector import info_labels
from spinledger.model import SECOND, DiskView, Labels, Number, Snapshot, State

SELDOM = 15  # steps: an hour at the usual 240 s

LEFT_OUT = frozenset(
    {
        "power_condition",
        "quiet_state_seconds",
        "transitions",
        "power_cycles",
        "apm_level",
        "ledger_bytes",
        "trace_events_lost",
    }
)
"""Keys that neither rules nor dashboards read."""

EVERY_STEP: Mapping[str, frozenset[Labels] | None] = {
    "info": None,
    "power_state": None,
    "spinning_since": None,
    "state_seconds": None,
    "cycles": None,
    "recent_cycles": frozenset({("1d",)}),
    "cycle_limit_used_ratio": None,
    "rated_life_used_ratio": None,
    "rated_life_end": frozenset({("start_stop", "late"), ("load", "late")}),
    "rated_life_horizon_seconds": None,
    "quiet_active": None,
    "quiet_began": None,
    "quiet_window_asleep_ratio": None,
    "quiet_window_asleep_min_ratio": None,
    "quiet_window_observed_ratio": None,
    "quiet_window_end": None,
    "declared_standby_seconds": None,
    "finding": frozenset(
        {
            ("probes_disturb",),
            ("probes_restart_timer",),
            ("sleep_does_not_pay",),
            ("timer_not_holding",),
            ("spin_up_wait_lengthening",),
        }
    ),
    "last_sample": None,
    "probe_given_up": None,
}
"""Keys of a disk that a rule's expression reads, and with which labels (None: any). The exporter's
own series are few and come at every step."""


class Backfill:
    """A publisher that writes a line a series every `step_ns`; call `end` at the end."""

    def __init__(self, out: TextIO, job: str, instance: str, step_ns: int) -> None:
        self._out = out
        self._common = f'job="{_escape(job)}",instance="{_escape(instance)}"'
        self._step_ns = step_ns
        self._next_ns: int | None = None
        self._steps = 0
        self._heads: dict[tuple[str, str, Labels], str] = {}
        self._rows = {(row.scope, row.key): row for row in CATALOGUE if row.key not in LEFT_OUT}
        self.lines = 0
        for row in self._rows.values():
            kind = {"stateset": "gauge", "info": "info"}.get(row.kind, row.kind)
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
        stamp = f" {snapshot.wall_ns / SECOND:.3f}\n"
        whole = self._steps % SELDOM == 0
        self._steps += 1
        for view in snapshot.disks:
            for head, value in self._disk(view, whole):
                self._out.write(f"{head}{value}{stamp}")
                self.lines += 1
        for key, own in snapshot.exporter.items():
            row = self._rows.get(("exporter", key))
            if row is not None:
                for labels, value in own.items():
                    self._out.write(f"{self._head(row, '', labels)}{value}{stamp}")
                    self.lines += 1

    def end(self) -> None:
        """The end marker that the format asks for."""
        self._out.write("# EOF\n")

    def _disk(self, view: DiskView, whole: bool) -> Iterator[tuple[str, Number]]:
        identity = view.disk.identity
        yield self._info(view), 1
        state_row = self._rows[("disk", "power_state")]
        for state in State:
            if state is not State.UNOBSERVED:
                yield self._head(state_row, identity, (state.value,)), int(view.state is state)
        for key, own in view.samples.items():
            row = self._rows.get(("disk", key))
            if row is None or not (whole or key in EVERY_STEP):
                continue
            only = None if whole else EVERY_STEP[key]
            for labels, value in own.items():
                if only is None or labels in only:
                    yield self._head(row, identity, labels), value

    def _info(self, view: DiskView) -> str:
        row = self._rows[("disk", "info")]
        return self._head(row, view.disk.identity, info_labels(view))

    def _head(self, row: Metric, identity: str, labels: Labels) -> str:
        place = (row.name, identity, labels)
        head = self._heads.get(place)
        if head is None:
            names = (row.name,) if row.kind == "stateset" else row.labels
            given = [f'{name}="{_escape(text)}"' for name, text in zip(names, labels, strict=True)]
            disk = [f'disk="{_escape(identity)}"'] if identity else []
            head = f"{row.name}{{{','.join([self._common, *disk, *given])}}} "
            self._heads[place] = head
        return head


def _escape(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
