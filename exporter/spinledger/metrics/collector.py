"""From a snapshot to Prometheus families; one collector, fresh families at every scrape.

Rules of this room:
- A scrape reads one snapshot and nothing else: no device, no file, no clock. There is no state
  between scrapes, so stale series and races cannot be.
- A disk whose values are malformed is left out whole and counted in `spinledger_render_failures`;
  the others are unharmed. Malformed: a value that is no number, the wrong number of labels, text
  that is not UTF-8, a histogram that is not cumulative, an identity given twice (Prometheus would
  refuse the whole scrape for a duplicate series).
- NaN is left out: a ratio of nothing to nothing is absent.
- No `_created` samples are made, and the client's process and platform collectors are not used.
- The text format 0.0.4 has no info and stateset types; the client writes both as gauges.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import pairwise

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.metrics_core import Metric as Family
from prometheus_client.samples import Sample
from prometheus_client.utils import floatToGoString

from spinledger import __version__
from spinledger.metrics.catalogue import CATALOGUE, DISK_ROWS, EXPORTER_ROWS, Metric
from spinledger.model import Condition, DiskView, Histogram, Labels, Number, Snapshot, State

Current = Callable[[], Snapshot | None]
Values = Mapping[Labels, Number]

_STATES = (State.ACTIVE, State.IDLE, State.STANDBY, State.UNKNOWN)


class SnapshotCollector:
    """The one collector. `current` gives the newest snapshot, or None before the first."""

    def __init__(self, current: Current) -> None:
        self._current = current

    def describe(self) -> Iterable[Family]:
        """Every family without samples, so that `?name[]=` finds its collector."""
        return [_family(row) for row in CATALOGUE]

    def collect(self) -> Iterator[Family]:
        """The families that have samples, in the catalogue's order."""
        samples = _render(self._current())
        for row in CATALOGUE:
            found = samples.get(row.name)
            if found:
                family = _family(row)
                family.samples = found
                yield family


def registry(current: Current) -> CollectorRegistry:
    """A registry of our collector alone: no process, garbage collector or platform series."""
    made = CollectorRegistry(auto_describe=False)
    made.register(SnapshotCollector(current))
    return made


def render_text(snapshot: Snapshot | None) -> bytes:
    """The text format 0.0.4 of one snapshot, in UTF-8, as a text file collector reads it."""
    return generate_latest(SnapshotCollector(lambda: snapshot))


def series_count(snapshot: Snapshot) -> dict[str, int]:
    """Series by value of the label `disk`, as a scrape of this snapshot gives them."""
    counts: dict[str, int] = {}
    for family in SnapshotCollector(lambda: snapshot).collect():
        for sample in family.samples:
            disk = sample.labels.get("disk")
            if disk is not None:
                counts[disk] = counts.get(disk, 0) + 1
    return counts


def _family(row: Metric) -> Family:
    return Family(row.family, row.help, row.kind, row.unit)


def _render(snapshot: Snapshot | None) -> dict[str, list[Sample]]:
    """Samples by metric name; what cannot be rendered is counted and left out."""
    found: dict[str, list[Sample]] = {}
    failures = 0
    if snapshot is not None:
        seen: set[str] = set()
        for view in snapshot.disks:
            try:
                part = _disk(view, seen)
            except Exception:  # whatever is wrong with one disk, the others are told
                failures += 1
                continue
            seen.add(view.disk.identity)
            for name, samples in part:
                found.setdefault(name, []).extend(samples)
        for row in EXPORTER_ROWS:
            values = snapshot.exporter.get(row.key)
            if values:
                try:
                    found[row.name] = _samples(row, {}, values)
                except Exception:  # as above, for one metric of our own
                    failures += 1
    for row in EXPORTER_ROWS:
        if row.key == "build_info":
            found[row.name] = _samples(row, {}, {(__version__,): 1})
        elif row.key == "render_failures":
            found[row.name] = _samples(row, {}, {(): failures})
    return found


def _disk(view: DiskView, seen: set[str]) -> list[tuple[str, list[Sample]]]:
    """All samples of one disk, by metric name; raises if any is malformed."""
    identity = view.disk.identity
    if not identity or identity in seen:
        raise ValueError(f"no identity, or one given twice: {identity!r}")
    base = {"disk": _text(identity)}
    made: list[tuple[str, list[Sample]]] = []
    for row in DISK_ROWS:
        if row.kind == "histogram":
            histogram = view.histograms.get(row.key)
            if histogram is not None:
                made.append((row.name, _buckets(row, base, histogram)))
        elif row.kind == "stateset":
            made.append((row.name, _stateset(row, base, view)))
        elif row.kind == "info":
            made.append((row.name, _samples(row, base, {info_labels(view): 1})))
        else:
            values = view.samples.get(row.key)
            if row.key == "finding":
                values = {**(values or {}), **{(held.code,): 1 for held in view.findings}}
            if values:
                made.append((row.name, _samples(row, base, values)))
    return made


def info_labels(view: DiskView) -> Labels:
    """Label values of `spinledger_disk_info`, in the catalogue's order."""
    disk, policy = view.disk, view.policy
    return (
        disk.kernel_name,
        disk.model,
        disk.serial,
        disk.firmware,
        disk.transport,
        str(disk.rotation_rpm) if disk.rotation_rpm else "",
        disk.pool,
        disk.wake_group,
        disk.device,
        policy.watch.value,
        policy.quiet or "",
        policy.budget_source,
    )


def _stateset(row: Metric, base: dict[str, str], view: DiskView) -> list[Sample]:
    """One sample a state; none where the drive does not tell its condition.

    OpenMetrics 1.0, StateSet: the label has the family's name; as an enumeration exactly one is 1.
    """
    if row.key == "power_condition":
        if view.condition is None:
            return []
        names: tuple[Condition | State, ...] = tuple(Condition)
        now: Condition | State = view.condition
    else:
        names, now = _STATES, view.state if view.state in _STATES else State.UNKNOWN
    return [
        Sample(row.name, {**base, row.name: name.value}, 1.0 if name is now else 0.0)
        for name in names
    ]


def _samples(row: Metric, base: dict[str, str], values: Values) -> list[Sample]:
    made: list[Sample] = []
    for labels, value in values.items():
        number = float(value)
        if number != number:  # NaN
            continue
        named = dict(base)
        for name, text in zip(row.labels, labels, strict=True):
            named[name] = _text(text)
        made.append(Sample(row.name, named, number))
    return made


def _buckets(row: Metric, base: dict[str, str], histogram: Histogram) -> list[Sample]:
    """Buckets with `+Inf`, count and sum.

    OpenMetrics 1.0, Histogram: bounds ascend, counts are cumulative, `+Inf` equals the count.
    """
    counts = (*histogram.counts, histogram.count)
    if (
        len(histogram.bounds) != len(histogram.counts)
        or any(low >= high for low, high in pairwise(histogram.bounds))
        or any(low > high for low, high in pairwise(counts))
    ):
        raise ValueError(f"{row.key}: buckets are not cumulative")
    bounds = (*histogram.bounds, float("inf"))
    made = [
        Sample(f"{row.name}_bucket", {**base, "le": _bound(bound)}, float(count))
        for bound, count in zip(bounds, counts, strict=True)
    ]
    made.append(Sample(f"{row.name}_count", base, float(histogram.count)))
    made.append(Sample(f"{row.name}_sum", base, float(histogram.sum)))
    return made


def _bound(bound: float) -> str:
    """A bucket's upper bound as the client writes numbers."""
    return str(floatToGoString(bound))  # type: ignore[no-untyped-call]  # the client's own


def _text(value: str) -> str:
    """The value itself, if it can be written as UTF-8; raises otherwise."""
    value.encode()
    return value
