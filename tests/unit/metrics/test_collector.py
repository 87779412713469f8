"""The collector, judged by promtool and by the parsers of the Prometheus client."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from prometheus_client.metrics_core import Metric as Family
from prometheus_client.openmetrics.exposition import generate_latest as openmetrics_text
from prometheus_client.openmetrics.parser import (
    text_string_to_metric_families as parse_openmetrics,
)
from prometheus_client.parser import text_string_to_metric_families as parse_text

from spinledger import __version__
from spinledger.facts import DiskView, Snapshot
from spinledger.findings.judge import ALWAYS
from spinledger.metrics.catalogue import CATALOGUE, DISK_ROWS, SERIES_PER_DISK
from spinledger.metrics.collector import SnapshotCollector, registry, render_text, series_count
from spinledger.model import Condition, Disk, Histogram, State
from tests.fakes.snapshots import attic, disk, full_view, snapshot, view

Series = dict[tuple[str, frozenset[tuple[str, str]]], float]

WALL = 1_790_000_100_000_000_000


def changed(plain: DiskView, **facts: Any) -> DiskView:
    """The view with other facts."""
    return replace(plain, facts=replace(plain.facts, **facts))


def counting(plain: DiskView, **totals: Any) -> DiskView:
    """The view with other counters."""
    return changed(plain, totals=replace(plain.facts.totals, **totals))


def openmetrics(given_snapshot: Snapshot | None) -> str:
    """The OpenMetrics form of one snapshot."""
    text: bytes = openmetrics_text(registry(lambda: given_snapshot, lambda: WALL))  # type: ignore[no-untyped-call]
    return text.decode()


def families(text: str) -> dict[str, Family]:
    """OpenMetrics text by family name; raises what the client's parser raises."""
    parsed: list[Family] = list(parse_openmetrics(text))  # type: ignore[no-untyped-call]
    return {family.name: family for family in parsed}


def series(parsed: Any) -> Series:
    """Values by series; fails on a duplicate."""
    found: Series = {}
    for family in parsed:
        for sample in family.samples:
            key = (sample.name, frozenset(sample.labels.items()))
            assert key not in found
            found[key] = sample.value
    return found


def text_series(given_snapshot: Snapshot | None) -> Series:
    """Series of the text form."""
    return series(parse_text(render_text(given_snapshot, lambda: WALL).decode()))


def values(given_snapshot: Snapshot, name: str) -> dict[str, float]:
    """Values of one metric by the label `disk`."""
    return {
        dict(labels).get("disk", ""): value
        for (found, labels), value in text_series(given_snapshot).items()
        if found == name
    }


@pytest.mark.parametrize("given_snapshot", [attic(), snapshot(), None], ids=["attic", "bare", "no"])
def test_promtool_has_nothing_to_say(given_snapshot: Snapshot | None) -> None:
    """`promtool check metrics` accepts the text form: status 0, and no lint finding."""
    done = subprocess.run(
        ["promtool", "check", "metrics"],
        input=render_text(given_snapshot, lambda: WALL),
        capture_output=True,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")


def test_openmetrics_parses_with_types_and_units() -> None:
    """The client's OpenMetrics 1.0 parser reads every family with the catalogue's type and unit."""
    text = openmetrics(attic())
    found = families(text)
    assert text.endswith("# EOF\n")
    assert {row.family for row in CATALOGUE} == set(found)
    for row in CATALOGUE:
        family = found[row.family]
        assert (family.type, family.unit, family.documentation) == (row.kind, row.unit, row.help)


def test_both_forms_hold_the_same() -> None:
    """Text and OpenMetrics hold the same series with the same values."""
    assert text_series(attic()) == series(families(openmetrics(attic())).values())


def test_no_created_and_no_foreign_series() -> None:
    """There are no `_created` series, and none of the client's process and platform collectors."""
    names = {name for name, _ in text_series(attic())}
    assert not [name for name in names if name.endswith("_created")]
    assert all(name.startswith("spinledger_") for name in names)


def test_help_and_type_stand_in_the_text_form_as_gauges() -> None:
    """The text format 0.0.4 knows no info and stateset: both are gauges (common practice)."""
    lines = render_text(attic()).decode().splitlines()
    assert "# TYPE spinledger_disk_info gauge" in lines
    assert "# TYPE spinledger_disk_power_state gauge" in lines
    assert "# TYPE spinledger_disk_cycles_total counter" in lines
    assert "# TYPE spinledger_disk_idle_gap_seconds histogram" in lines


@pytest.mark.parametrize("state", [one for one in State if one is not State.UNOBSERVED])
def test_exactly_one_state_is_one(state: State) -> None:
    """OpenMetrics 1.0, StateSet as an enumeration: four samples, one of them 1."""
    found = families(openmetrics(snapshot(view(0, state))))["spinledger_disk_power_state"]
    by_state = {one.labels["spinledger_disk_power_state"]: one.value for one in found.samples}
    assert list(by_state) == ["active", "idle", "standby", "unknown"]
    assert [name for name, value in by_state.items() if value == 1] == [state.value]
    assert sum(by_state.values()) == 1


@pytest.mark.parametrize("condition", list(Condition))
def test_a_condition_is_there_only_where_reported(condition: Condition) -> None:
    """The condition's stateset appears for the disk that reports it, and only for that one."""
    result = changed(view(0), condition=condition)
    found = families(openmetrics(snapshot(result, view(1))))["spinledger_disk_power_condition"]
    assert {one.labels["disk"] for one in found.samples} == {disk(0).identity}
    ones = [
        one.labels["spinledger_disk_power_condition"] for one in found.samples if one.value == 1
    ]
    assert ones == [condition.value]
    assert len(found.samples) == 5


def test_info_says_what_the_disk_is() -> None:
    """The info metric's labels are the disk's and the policy's; a disk without pool wakes alone."""
    found = families(openmetrics(snapshot(view(0), view(1, pool="plates"))))["spinledger_disk"]
    alone, pooled = (one.labels for one in found.samples)
    assert alone == {
        "disk": "wwn-0x5000c500a1b20000",
        "kernel_name": "sda",
        "model": "LAB HDD 7200",
        "serial": "LAB00000",
        "firmware": "F001",
        "transport": "sata",
        "rotation_rpm": "7200",
        "pool": "",
        "wake_group": "LAB HDD 7200 LAB00000",
        "device": "pci-0000:00:1f.2-ata-1",
        "watch": "full",
        "schedule": "nights",
        "budget_source": "default",
    }
    assert (pooled["pool"], pooled["wake_group"]) == ("plates", "plates")


def test_speed_not_reported_is_an_empty_label() -> None:
    """A disk that reports no rotation rate is not called one with 0 rotations a minute."""
    odd = changed(view(0), disk=replace(disk(0), rotation_rpm=0))
    (sample,) = families(openmetrics(snapshot(odd)))["spinledger_disk"].samples
    assert sample.labels["rotation_rpm"] == ""


def test_build_info_is_always_there() -> None:
    """Before the first snapshot a scrape has version and clock, and that nothing failed."""
    assert text_series(None) == {
        ("spinledger_build_info", frozenset({("version", __version__)})): 1,
        ("spinledger_clock_timestamp_seconds", frozenset()): WALL / 1e9,
        ("spinledger_render_failures", frozenset()): 0,
    }


def test_a_ratio_of_nothing_is_absent() -> None:
    """NaN values make no series, the finite ones beside them stay."""
    odd = counting(view(0), saved_j=float("nan"), energy_j={"idle": float("nan"), "standby": 2})
    found = text_series(snapshot(odd))
    assert not [key for key in found if key[0] == "spinledger_disk_energy_saved_joules_total"]
    assert values(snapshot(odd), "spinledger_disk_energy_joules_total") == {disk(0).identity: 2}


def test_a_held_finding_is_one() -> None:
    """A finding of the view is 1, codes that rules read are 0, and the disk's names are there."""
    held = [one for one in full_view(0).findings if one.code in ("probes_disturb", "never_slept")]
    odd = replace(view(0), findings=tuple(held))
    found = {
        dict(labels)["code"]: value
        for (name, labels), value in text_series(snapshot(odd)).items()
        if name == "spinledger_disk_finding"
        and {("model", "LAB HDD 7200"), ("serial", "LAB00000")} <= labels
        and ("wake_group", "LAB HDD 7200 LAB00000") in labels
    }
    assert found == {**dict.fromkeys(ALWAYS, 0), "probes_disturb": 1, "never_slept": 1}


def test_absent_disks_have_one_series() -> None:
    """A disk the ledger knows and that is not here has its absence, and nothing else."""
    found = [
        name
        for name, labels in text_series(attic())
        if ("disk", "wwn-0x5000c500a1b2ffff") in labels
    ]
    assert found == ["spinledger_disk_absent_since_timestamp_seconds"]


def test_histograms_are_cumulative_and_end_with_infinity() -> None:
    """OpenMetrics 1.0, Histogram: +Inf equals the count; the parser checks the order."""
    histogram = Histogram((0.1, 1.0, 60.0), (0, 2, 3), 5, 130.5)
    odd = counting(view(0), answers=histogram)
    found = families(openmetrics(snapshot(odd)))["spinledger_disk_probe_seconds"].samples
    assert [(one.name[30:], one.labels.get("le"), one.value) for one in found] == [
        ("bucket", "0.1", 0),
        ("bucket", "1.0", 2),
        ("bucket", "60.0", 3),
        ("bucket", "+Inf", 5),
        ("count", None, 5),
        ("sum", None, 130.5),
    ]


class _Torn(dict[str, Any]):
    """A mapping that cannot be read."""

    def items(self) -> Any:
        raise RuntimeError("torn")


def _named(**names: Any) -> DiskView:
    disk_1: Disk = replace(disk(1), **names)
    return changed(view(1), disk=disk_1)


MALFORMED: dict[str, DiskView] = {
    "no number": counting(view(1), cycles="many"),
    "none": counting(view(1), cycles=None),
    "no time": changed(view(1), sampled_wall_ns="now"),
    "label no text": counting(view(1), causes={1: 1}),
    "not UTF-8": _named(model="LAB \udcff"),
    "no identity": _named(identity=""),
    "no node": _named(nodes=()),
    "twice": view(0),
    "raises": counting(view(1), causes=_Torn()),
    "falling buckets": counting(view(1), answers=Histogram((1.0, 2.0), (5, 4), 9, 1.0)),
    "falling bounds": counting(view(1), answers=Histogram((2.0, 1.0), (1, 2), 9, 1.0)),
    "buckets beyond the count": counting(view(1), answers=Histogram((1.0,), (5,), 4, 1.0)),
    "a bucket short": counting(view(1), answers=Histogram((1.0, 2.0), (5,), 9, 1.0)),
}


@pytest.mark.parametrize("malformed", MALFORMED.values(), ids=MALFORMED.keys())
def test_one_malformed_disk_costs_only_itself(malformed: DiskView) -> None:
    """A disk that cannot be rendered is left out whole and counted; the others are complete."""
    whole = text_series(snapshot(view(0), view(2)))
    torn = text_series(snapshot(view(0), malformed, view(2)))
    key = ("spinledger_render_failures", frozenset[tuple[str, str]]())
    watched = ("spinledger_disks_watched", frozenset[tuple[str, str]]())
    assert (whole.pop(key), whole.pop(watched)) == (0, 2)
    assert (torn.pop(key), torn.pop(watched)) == (1, 3)
    assert torn == whole


def test_a_malformed_metric_of_ours_costs_only_itself() -> None:
    """A value of the exporter's own that cannot be rendered is counted, the rest stands."""
    good = attic()
    ledger = good.exporter.ledger
    assert ledger is not None
    odd: Any = "large"
    bad = replace(good, exporter=replace(good.exporter, ledger=replace(ledger, file_bytes=odd)))
    whole, torn = text_series(good), text_series(bad)
    missing = set(whole) - set(torn)
    assert {name for name, _ in missing} == {"spinledger_ledger_bytes"}
    assert torn[("spinledger_render_failures", frozenset())] == 1


@pytest.mark.slow
@given(text=st.text(st.characters(exclude_categories=["Cs"]), max_size=40))
@settings(max_examples=200, deadline=None)
def test_any_text_survives_both_forms(text: str) -> None:
    """Label values of any text come back from the client's parser as they were given."""
    odd = changed(view(0), disk=replace(disk(0), model=text))
    (sample,) = families(openmetrics(snapshot(odd)))["spinledger_disk"].samples
    assert sample.labels["model"] == text
    infos = [dict(labels) for name, labels in text_series(snapshot(odd)) if name == sample.name]
    assert [labels["model"] for labels in infos] == [text]


@pytest.mark.parametrize(
    ("name", "count"),
    [
        ("spinledger_disk_power_state", 16),  # four disks, four states
        ("spinledger_disk_cycles_total", 8),  # four disks, yes and no
        ("spinledger_disk_info", 4),
        ("spinledger_disk_probe_seconds_bucket", 24),  # four disks, five bounds and +Inf
        ("spinledger_build_info", 1),
        ("spinledger_disk_nothing", 0),
    ],
)
def test_a_scrape_can_name_what_it_wants(name: str, count: int) -> None:
    """`?name[]=` gives that metric's series and no other (the client's own filter)."""
    restricted = registry(attic).restricted_registry([name])
    samples = [one for family in restricted.collect() for one in family.samples]
    assert {one.name for one in samples} <= {name}
    assert len(samples) == count


def test_a_scrape_reads_one_snapshot() -> None:
    """The newest snapshot is fetched once a scrape, so that a scrape is of one moment."""
    fetched = []

    def current() -> Snapshot:
        fetched.append(1)
        return attic()

    assert len(list(SnapshotCollector(current).collect())) == len(CATALOGUE)
    assert len(fetched) == 1


def test_a_disk_gone_has_no_stale_series() -> None:
    """Families are fresh at every scrape: what is not in the snapshot is not in the scrape."""
    now = [snapshot(view(0), view(1))]
    collector = SnapshotCollector(lambda: now[0])
    assert disk(1).identity in str(list(collector.collect()))
    now[0] = snapshot(view(0))
    assert disk(1).identity not in str(list(collector.collect()))


def test_a_full_disk_keeps_the_bound() -> None:
    """A disk with every series of the catalogue has as many as the rows allow, at most 220."""
    counted = series_count(snapshot(full_view(0), full_view(1)))
    assert counted[disk(0).identity] == counted[disk(1).identity]
    assert counted[disk(0).identity] == sum(row.most for row in DISK_ROWS)
    assert counted[disk(0).identity] <= SERIES_PER_DISK
    assert counted["wwn-0x5000c500a1b2ffff"] == 1  # absent


def test_series_count_agrees_with_the_text() -> None:
    """The count is that of the lines of the text form, parsed independently."""
    found: dict[str, int] = {}
    for _, labels in text_series(attic()):
        identity = dict(labels).get("disk")
        if identity is not None:
            found[identity] = found.get(identity, 0) + 1
    assert series_count(attic()) == found
