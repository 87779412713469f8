"""From a snapshot to Prometheus families; one collector, fresh families at every scrape.

Rules of this room:
- A scrape reads one snapshot and the wall clock, and nothing else: no device, no file. There is no
  state between scrapes, so stale series and races cannot be.
- A disk whose values are malformed is left out whole and counted in `spinledger_render_failures`;
  the others are unharmed. Malformed: a value that is no number, the wrong number of labels, text
  that is not UTF-8, a histogram that is not cumulative, an identity given twice (Prometheus would
  refuse the whole scrape for a duplicate series).
- NaN is left out: a ratio of nothing to nothing is absent.
- No `_created` samples are made, and the client's process and platform collectors are not used.
- The text format 0.0.4 has no info and stateset types; the client writes both as gauges.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from itertools import pairwise

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.metrics_core import Metric as Family
from prometheus_client.samples import Sample
from prometheus_client.utils import floatToGoString

from spinledger.facts import DiskView, Snapshot
from spinledger.metrics.catalogue import (
    CATALOGUE,
    DISK_ROWS,
    EXPORTER_ROWS,
    FINDING_ROW,
    Metric,
    Rendered,
    Values,
)
from spinledger.model import Histogram

Current = Callable[[], Snapshot | None]
Wall = Callable[[], int]


class SnapshotCollector:
    """The one collector. `current` gives the newest snapshot, or None before the first; `wall` the
    time now, nanoseconds since the Unix epoch.
    """

    def __init__(self, current: Current, wall: Wall = time.time_ns) -> None:
        self._current = current
        self._wall = wall

    def describe(self) -> Iterable[Family]:
        """Every family without samples, so that `?name[]=` finds its collector."""
        return [_family(row) for row in CATALOGUE]

    def collect(self) -> Iterator[Family]:
        """The families that have samples, in the catalogue's order."""
        samples = _render(self._current(), self._wall())
        for row in CATALOGUE:
            found = samples.get(row.name)
            if found:
                family = _family(row)
                family.samples = found
                yield family


def registry(current: Current, wall: Wall = time.time_ns) -> CollectorRegistry:
    """A registry of our collector alone: no process, garbage collector or platform series."""
    made = CollectorRegistry(auto_describe=False)
    made.register(SnapshotCollector(current, wall))
    return made


def render_text(snapshot: Snapshot | None, wall: Wall = time.time_ns) -> bytes:
    """The text format 0.0.4 of one snapshot, in UTF-8, as a text file collector reads it."""
    return generate_latest(SnapshotCollector(lambda: snapshot, wall))


def series_count(snapshot: Snapshot) -> dict[str, int]:
    """Series by value of the label `disk`, as a scrape of this snapshot gives them."""
    counts: dict[str, int] = {}
    for family in SnapshotCollector(lambda: snapshot).collect():
        for sample in family.samples:
            disk = sample.labels.get("disk")
            if disk is not None:
                counts[disk] = counts.get(disk, 0) + 1
    return counts


def _family(row: Metric[DiskView] | Metric[Rendered]) -> Family:
    return Family(row.family, row.help, row.kind, row.unit)


def _render(snapshot: Snapshot | None, wall_ns: int) -> dict[str, list[Sample]]:
    """Samples by metric name; what cannot be rendered is counted and left out."""
    found: dict[str, list[Sample]] = {}
    failures = 0
    seen: set[str] = set()
    here, gone = ((), ()) if snapshot is None else (snapshot.disks, snapshot.absent)
    for view in (*here, *gone):
        try:
            part = _disk(view, seen)
        except Exception:  # whatever is wrong with one disk, the others are shown
            failures += 1
            continue
        seen.add(view.disk.identity)
        for name, samples in part:
            found.setdefault(name, []).extend(samples)
    for row in EXPORTER_ROWS:  # the row of failures comes last
        try:
            found[row.name] = _samples(row, {}, row.values(Rendered(snapshot, wall_ns, failures)))
        except Exception:  # as above, for one metric of our own
            failures += 1
    return found


def _disk(view: DiskView, seen: set[str]) -> list[tuple[str, list[Sample]]]:
    """All samples of one disk, by metric name, of one that is gone its findings alone; raises if
    any is malformed.
    """
    identity = view.disk.identity
    if not identity or identity in seen:
        raise ValueError(f"no identity, or one given twice: {identity!r}")
    base = {"disk": _text(identity)}
    rows = DISK_ROWS if view.facts.absent_ns is None else (FINDING_ROW,)
    return [(row.name, _samples(row, base, row.values(view))) for row in rows]


def _samples(
    row: Metric[DiskView] | Metric[Rendered], base: dict[str, str], values: Values
) -> list[Sample]:
    if isinstance(values, Histogram):
        return buckets(row.name, base, values)
    name, label_names = row.name, row.label_names
    made = []
    for labels, value in values.items():  # the innermost loop of a scrape
        number = float(value)
        if number != number:  # NaN
            continue
        named = base
        if labels:
            named = base.copy()
            for label, text in zip(label_names, labels, strict=True):
                named[label] = text if text.isascii() else _text(text)
        elif label_names:
            raise ValueError(f"{name}: labels are missing")
        made.append(Sample(name, named, number))
    return made


def buckets(name: str, base: dict[str, str], histogram: Histogram) -> list[Sample]:
    """Buckets with `+Inf`, count and sum.

    OpenMetrics 1.0, Histogram: bounds ascend, counts are cumulative, `+Inf` equals the count.
    """
    counts = (*histogram.counts, histogram.count)
    if (
        len(histogram.bounds) != len(histogram.counts)
        or any(low >= high for low, high in pairwise(histogram.bounds))
        or any(low > high for low, high in pairwise(counts))
    ):
        raise ValueError(f"{name}: buckets are not cumulative")
    bounds = (*histogram.bounds, float("inf"))
    made = [
        Sample(f"{name}_bucket", {**base, "le": _bound(bound)}, float(count))
        for bound, count in zip(bounds, counts, strict=True)
    ]
    made.append(Sample(f"{name}_count", base, float(histogram.count)))
    made.append(Sample(f"{name}_sum", base, float(histogram.sum)))
    return made


@cache
def _bound(bound: float) -> str:
    """A bucket's upper bound as the client writes numbers."""
    return str(floatToGoString(bound))  # type: ignore[no-untyped-call]  # the client's own


def _text(value: str) -> str:
    """The value itself, if it can be written as UTF-8; raises otherwise."""
    value.encode()
    return value
