"""The metric contract, from the catalogue: every series with its labels and their values.

`python -m tests.packs.contract` prints it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from spinledger.facts import DiskView
from spinledger.findings.judge import CODES
from spinledger.metrics.catalogue import CATALOGUE, DISK_ROWS, Metric, Rendered
from spinledger.model import State
from spinledger.wear.budget import EARLY, WINDOWS

# What Prometheus itself gives every scraped series (documentation, "Jobs and instances").
TARGET_LABELS = frozenset({"job", "instance"})

VALUES: Mapping[str, Sequence[str]] = {
    "bound": ("early", "middle", "late"),
    "code": CODES,
    "kind": ("load", "start_stop"),
    "observed": ("yes", "no"),
    "spinledger_disk_power_state": [state.value for state in State if state != State.UNOBSERVED],
    "state": [state.value for state in State],
    "window": (*WINDOWS, *EARLY),
}
"""Values of labels that have few; other labels are free text or lists of reasons."""


def series(metric: Metric[DiskView] | Metric[Rendered]) -> Iterator[tuple[str, frozenset[str]]]:
    """The series a catalogue row is scraped as, with the labels each may carry.

    Histograms by the Prometheus text format (_bucket with le, _sum, _count); a state set's label
    has the family's own name (OpenMetrics 1.0, "StateSet").
    """
    labels = frozenset(metric.label_names) | TARGET_LABELS
    if metric in DISK_ROWS:
        labels |= {"disk"}
    if metric.kind == "histogram":
        yield f"{metric.name}_bucket", labels | {"le"}
        yield f"{metric.name}_sum", labels
        yield f"{metric.name}_count", labels
    else:
        yield metric.name, labels


CONTRACT: dict[str, frozenset[str]] = {
    name: labels for metric in CATALOGUE for name, labels in series(metric)
}
# Series that Prometheus makes itself (documentation, "Jobs and instances", "Alerting rules").
OWN: dict[str, frozenset[str]] = {
    "up": TARGET_LABELS,
    "ALERTS": TARGET_LABELS  # and by our rules
    | {"alertname", "alertstate", "severity", "disk", "wake_group"},
}
EVERY_LABEL: frozenset[str] = frozenset().union(*CONTRACT.values())


def lines() -> Iterator[str]:
    """The contract as text: a line a series, then the values of labels that have few."""
    for name, labels in sorted(CONTRACT.items()):
        yield f"{name}{{{', '.join(sorted(labels - TARGET_LABELS))}}}"
    for label, values in sorted(VALUES.items()):
        yield f"{label}: {', '.join(values)}"


if __name__ == "__main__":
    print("\n".join(lines()))
