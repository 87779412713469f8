"""The catalogue against the metric contract, and against the naming rules of Prometheus."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import fields
from pathlib import Path

import pytest

from spinledger.facts import DiskView, ExporterFacts, Facts, LedgerFacts, Totals
from spinledger.findings.judge import EXPORTED
from spinledger.metrics.catalogue import (
    CATALOGUE,
    DISK_ROWS,
    EXPORTER_ROWS,
    SERIES_PER_DISK,
    Metric,
    Rendered,
)
from spinledger.model import Histogram
from tests.fakes.snapshots import WALL_NS, attic, full_view

# The contract that rules, dashboards and users rely on, written down a second time.
# name: (type, labels besides `disk`; for the exporter's own metrics: all labels)
CONTRACT: dict[str, tuple[str, tuple[str, ...]]] = {
    "spinledger_disk_info": (
        "info",
        (
            "kernel_name",
            "model",
            "serial",
            "firmware",
            "transport",
            "rotation_rpm",
            "pool",
            "wake_group",
            "device",
            "watch",
            "schedule",
            "budget_source",
        ),
    ),
    "spinledger_disk_power_state": ("stateset", ()),
    "spinledger_disk_power_condition": ("stateset", ()),
    "spinledger_disk_spinning_since_timestamp_seconds": ("gauge", ()),
    "spinledger_disk_state_seconds_total": ("counter", ("state",)),
    "spinledger_disk_quiet_state_seconds_total": ("counter", ("state",)),
    "spinledger_disk_transitions_total": ("counter", ("from", "to")),
    "spinledger_disk_cycles_total": ("counter", ("observed",)),
    "spinledger_disk_wakes_total": ("counter", ("cause",)),
    "spinledger_disk_actor_wakes_total": ("counter", ("actor",)),
    "spinledger_trace_events_lost_total": ("counter", ()),
    "spinledger_disk_wake_wait_seconds": ("histogram", ()),
    "spinledger_disk_idle_gap_seconds": ("histogram", ()),
    "spinledger_disk_cycle_budget_per_day": ("gauge", ()),
    "spinledger_disk_recent_cycles": ("gauge", ("window",)),
    "spinledger_disk_cycle_limit": ("gauge", ("window",)),
    "spinledger_disk_cycle_limit_used_ratio": ("gauge", ("window",)),
    "spinledger_disk_cycle_limit_reached_timestamp_seconds": ("gauge", ("window", "wake_group")),
    "spinledger_disk_start_stop_cycles_total": ("counter", ()),
    "spinledger_disk_load_cycles_total": ("counter", ()),
    "spinledger_disk_emergency_retracts_total": ("counter", ()),
    "spinledger_disk_power_cycles_total": ("counter", ()),
    "spinledger_disk_power_on_seconds_total": ("counter", ()),
    "spinledger_disk_rated_cycles": ("gauge", ("kind",)),
    "spinledger_disk_rated_life_used_ratio": ("gauge", ("kind",)),
    "spinledger_disk_rated_life_end_timestamp_seconds": ("gauge", ("kind", "bound")),
    "spinledger_disk_rated_life_horizon_seconds": ("gauge", ()),
    "spinledger_disk_wear_read_timestamp_seconds": ("gauge", ()),
    "spinledger_disk_wear_rejected_total": ("counter", ("reason",)),
    "spinledger_disk_quiet_active": ("gauge", ()),
    "spinledger_disk_quiet_began_timestamp_seconds": ("gauge", ()),
    "spinledger_disk_quiet_window_asleep_ratio": ("gauge", ()),
    "spinledger_disk_quiet_window_asleep_min_ratio": ("gauge", ()),
    "spinledger_disk_quiet_window_observed_ratio": ("gauge", ()),
    "spinledger_disk_quiet_window_end_timestamp_seconds": ("gauge", ()),
    "spinledger_disk_declared_standby_seconds": ("gauge", ()),
    "spinledger_disk_observed_standby_seconds": ("gauge", ()),
    "spinledger_disk_apm_level": ("gauge", ()),
    "spinledger_disk_whatif_cycles_total": ("counter", ("standby_seconds",)),
    "spinledger_disk_whatif_asleep_seconds_total": ("counter", ("standby_seconds",)),
    "spinledger_disk_energy_joules_total": ("counter", ("state",)),
    "spinledger_disk_energy_saved_joules_total": ("counter", ()),
    "spinledger_disk_energy_lost_joules_total": ("counter", ()),
    "spinledger_disk_finding": ("gauge", ("code", "wake_group", "model", "serial")),
    "spinledger_disk_last_sample_timestamp_seconds": ("gauge", ()),
    "spinledger_disk_probe_up": ("gauge", ()),
    "spinledger_disk_probe_given_up": ("gauge", ()),
    "spinledger_disk_probe_commands_total": ("counter", ("command",)),
    "spinledger_disk_probe_failures_total": ("counter", ("reason",)),
    "spinledger_disk_probe_seconds": ("histogram", ()),
    "spinledger_disk_probe_disturbances_total": ("counter", ("kind",)),
    "spinledger_disk_absent_since_timestamp_seconds": ("gauge", ("disk",)),
    "spinledger_build_info": ("info", ("version",)),
    "spinledger_clock_timestamp_seconds": ("gauge", ()),
    "spinledger_config_reload_success": ("gauge", ()),
    "spinledger_config_unmatched_entries": ("gauge", ()),
    "spinledger_config_reload_timestamp_seconds": ("gauge", ()),
    "spinledger_ledger_commit_timestamp_seconds": ("gauge", ()),
    "spinledger_ledger_deferred": ("gauge", ()),
    "spinledger_prober_connected": ("gauge", ()),
    "spinledger_prober_restarts_total": ("counter", ()),
    "spinledger_ledger_write_failing": ("gauge", ()),
    "spinledger_wear_cross_checks_total": ("counter", ("result",)),
    "spinledger_ledger_bytes": ("gauge", ()),
    "spinledger_ledger_damaged_total": ("counter", ()),
    "spinledger_disks_watched": ("gauge", ()),
    "spinledger_disks_skipped": ("gauge", ("reason",)),
}
ADDED = {  # ours, beyond the contract
    "spinledger_render_failures": ("gauge", ()),
    "spinledger_may_be_suspended": ("gauge", ()),
}

Row = Metric[DiskView] | Metric[Rendered]
by_name = pytest.mark.parametrize("row", CATALOGUE, ids=lambda row: row.name)


def test_the_catalogue_is_the_contract() -> None:
    """Every metric of the contract is there with its type and labels, and no other."""
    rows = {row.name: (row.kind, row.labels) for row in CATALOGUE}
    assert rows == CONTRACT | ADDED


def test_nothing_is_given_twice() -> None:
    """Names, families and keys occur once."""
    for kind in ("name", "family", "key"):
        seen = Counter(getattr(row, kind) for row in CATALOGUE)
        assert max(seen.values()) == 1, kind


@by_name
def test_names_and_labels_are_legal(row: Row) -> None:
    """Prometheus, "Data model": names [a-zA-Z_:][a-zA-Z0-9_:]*, labels without colon or `__`."""
    assert re.fullmatch(r"spinledger_[a-z][a-z0-9_]*[a-z0-9]", row.name)
    for label in row.labels:
        assert re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)*", label)
        assert label not in ("le", "quantile", "job", "instance")


@by_name
def test_endings_follow_the_type(row: Row) -> None:
    """Prometheus, "Metric and label naming": _total on counters alone, _info on metadata alone."""
    assert row.name.endswith("_total") == (row.kind == "counter")
    assert row.name.endswith("_info") == (row.kind == "info")


@by_name
def test_the_family_ends_with_its_unit(row: Row) -> None:
    """OpenMetrics 1.0, "Metric naming": a unit is the suffix of the family; base units only."""
    ending = row.family.rpartition("_")[2]
    base_units = {"seconds", "joules", "bytes", "ratio"}  # Prometheus, "Base units"
    assert row.unit == (ending if ending in base_units else "")
    if row.kind in ("info", "stateset"):
        assert not row.unit  # OpenMetrics 1.0: neither type may have a unit


@by_name
def test_reserved_suffixes_do_not_clash(row: Row) -> None:
    """OpenMetrics 1.0: no family is another's name plus a suffix its type generates."""
    suffixes = {
        "counter": ("_total", "_created"),
        "histogram": ("_bucket", "_sum", "_count", "_created"),
        "info": ("_info",),
    }.get(row.kind, ())
    families = {other.family for other in CATALOGUE}
    assert not families & {row.family + suffix for suffix in suffixes}


@by_name
def test_the_key_is_the_short_name(row: Row) -> None:
    """A key can be derived from the name, so that no producer has to look it up."""
    short = row.name.removeprefix("spinledger_").removeprefix("disk_")
    assert row.key == re.sub("(_total|_timestamp_seconds)$", "", short)


@by_name
def test_the_help_is_a_sentence(row: Row) -> None:
    """Help is one line that ends with a full stop."""
    assert "\n" not in row.help
    assert row.help.endswith(".")


def test_there_is_room_for_every_finding() -> None:
    """However many findings hold for one disk, so many become series (findings.judge)."""
    (row,) = [row for row in DISK_ROWS if row.key == "finding"]
    assert row.most == EXPORTED


def test_series_a_disk_are_bounded() -> None:
    """The documented bound of 220 series a disk holds for the sum of every row's own bound."""
    assert sum(row.most for row in DISK_ROWS) <= SERIES_PER_DISK == 220


# Three walks over the tables, so that nothing can be forgotten


@pytest.mark.parametrize("row", DISK_ROWS, ids=lambda row: row.name)
def test_every_row_of_a_disk_has_a_producer(row: Metric[DiskView]) -> None:
    """For a disk of which everything is known each row gives as many series as it may have."""
    values = row.values(full_view(0))
    if isinstance(values, Histogram):
        assert row.most == len(values.bounds) + 3  # +Inf, sum, count
    else:
        assert len(values) == row.most
        assert {len(labels) for labels in values} == {len(row.label_names)}


@pytest.mark.parametrize("row", EXPORTER_ROWS, ids=lambda row: row.name)
def test_every_row_of_the_exporter_has_a_producer(row: Metric[Rendered]) -> None:
    """For an exporter of which everything is known each row gives values."""
    values = row.values(Rendered(attic(), WALL_NS, 0))
    assert not isinstance(values, Histogram)
    assert {len(labels) for labels in values} == {len(row.label_names)}


SOURCES = {
    path: path.read_text(encoding="utf-8")
    for path in (Path(__file__).parents[3] / "exporter" / "spinledger").rglob("*.py")
    if path.name not in ("facts.py", "summary.py")
}


@pytest.mark.parametrize(
    ("record", "name"),
    [
        (record, field.name)
        for record in (Facts, Totals, ExporterFacts, LedgerFacts)
        for field in fields(record)
    ],
    ids=lambda value: getattr(value, "__name__", value),
)
def test_every_value_has_a_row(record: type, name: str) -> None:
    """Each fact is read by a row of the catalogue, a finding, a page or a command: none is made for
    nothing. Reading is an attribute's name in the sources beside those that make the facts.
    """
    pattern = re.compile(rf"\.{name}\b")
    assert any(pattern.search(text) for text in SOURCES.values()), f"{record.__name__}.{name}"
