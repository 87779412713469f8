"""The sample keep-list for large fleets: what the rules read, as relabelling rules.

Prometheus documentation, "Configuration": metric_relabel_configs.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

FIRST = "spinledger_disk_"
FLEET = (
    "spinledger_disk_info",
    "spinledger_disk_last_sample_timestamp_seconds",
    "spinledger_build_info",
    "spinledger_disks_watched",
    "spinledger_ledger_commit_timestamp_seconds",
)
"""What the dashboard of many hosts reads beside the recording rules."""

BY_LABEL = {
    "spinledger_disk_cycle_limit_used_ratio": "window",
    "spinledger_disk_finding": "code",
    "spinledger_disk_power_state": "spinledger_disk_power_state",
    "spinledger_disk_rated_life_end_timestamp_seconds": "bound",
    "spinledger_disk_recent_cycles": "window",
    "spinledger_disk_state_seconds_total": "state",
}
"""Metrics of which only the series that a rule selects are kept, by this label."""

_SELECTOR = re.compile(r"\b(spinledger_\w+)(?:\{([^{}]*)\})?")

HEAD = """\
# For large fleets: only what the rules of this pack and the dashboard of many hosts read.
# Put it into the scrape configuration. Metrics of other exporters pass unchanged, so it also fits
# the job of an agent that delivers a text file. Left out are histograms, transitions, causes,
# what-if figures and energy: the other dashboards show less. Made by: python -m rules.build
metric_relabel_configs:
  # Every metric of others is kept; of Spinledger's, those that the lines below name.
  - source_labels: [__name__]
    regex: .+
    target_label: __tmp_spinledger
    replacement: keep
  - source_labels: [__name__]
    regex: spinledger_.+
    target_label: __tmp_spinledger
    replacement: drop
"""
TAIL = """\
  - source_labels: [__tmp_spinledger]
    regex: keep
    action: keep
  - regex: __tmp_spinledger
    action: labeldrop
"""


def keep_list(expressions: Iterable[str]) -> str:
    """The sample's text, for rules with these expressions."""
    names, values = set(FLEET), {name: set[str]() for name in BY_LABEL}
    for expression in expressions:
        for name, matchers in _SELECTOR.findall(expression):
            if name in BY_LABEL:
                values[name] |= _values(BY_LABEL[name], matchers)
            else:
                names.add(name)
    disk = {name for name in names if name.startswith(FIRST)}
    lines = [HEAD.rstrip("\n"), *_step("[__name__]", FIRST, (n[len(FIRST) :] for n in disk))]
    for name, label in BY_LABEL.items():
        lines += _step(f"[__name__, {label}]", f"{name};", values[name])
    lines.append("  # About the exporter itself: a few series a host.")
    own = (name.removeprefix("spinledger_") for name in names - disk)
    return "\n".join([*lines, *_step("[__name__]", "spinledger_", own), TAIL])


def _values(label: str, matchers: str) -> set[str]:
    return {
        value
        for found in re.findall(rf'\b{label}=~?"([^"]*)"', matchers)
        for value in found.split("|")
    }


def _step(sources: str, first: str, endings: Iterable[str]) -> Iterator[str]:
    """One relabelling rule; a YAML string in quotes joins lines that end with a backslash."""
    one, *more = sorted(endings)
    yield f"  - source_labels: {sources}"
    yield f'    regex: "{first}({one}{"" if more else ")"}' + ("\\" if more else '"')
    for number, ending in enumerate(more, 1):
        yield f"      |{ending}" + ("\\" if number < len(more) else ')"')
    yield "    target_label: __tmp_spinledger"
    yield "    replacement: keep"
