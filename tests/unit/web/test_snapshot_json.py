"""The JSON of a snapshot: its documented form, in full, and what malformed values become."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from typing import Any

from spinledger.facts import DiskView
from spinledger.model import SECOND, Cadence, Disk, Finding, Histogram, Policy, Watts
from spinledger.web.snapshot_json import snapshot_json
from tests.fakes.snapshots import attic, disk, snapshot, view


def through(snapshot: Any) -> Any:
    """What a reader gets: out through strict JSON and back."""
    return json.loads(json.dumps(snapshot_json(snapshot), allow_nan=False))


def test_the_whole_form() -> None:
    """One disk, every key: the documented form, version 1, word for word."""
    plain = view(0, pool="plates")
    totals = replace(plain.facts.totals, answers=Histogram((0.5, 2.0), (1, 2), 3, 9.5))
    finding = Finding("never_slept", "", "s", "e", "t", "c", "a", ("i",), 1_789_999_000 * SECOND)
    shown = DiskView(replace(plain.facts, totals=totals), (finding,))
    whole = through(replace(snapshot(shown), absent=(view(1),)))
    samples, histograms = (whole["disks"][0].pop(key) for key in ("samples", "histograms"))
    wear = whole["disks"][0].pop("wear")
    assert wear == {"counters": {}, "doubtful": {}, "read_timestamp_seconds": None, "ratings": []}
    exporter = whole.pop("exporter")
    assert exporter["disks_skipped"] == [{"labels": {"reason": "virtual"}, "value": 2}]
    assert samples["state_seconds"][1] == {"labels": {"state": "idle"}, "value": 125.5}
    assert samples["cycles"] == [
        {"labels": {"observed": "yes"}, "value": 0},
        {"labels": {"observed": "no"}, "value": 0},
    ]
    assert samples["last_sample"] == [{"labels": {}, "value": 1_790_000_000}]
    assert histograms["probe_seconds"] == {
        "buckets": [{"le": 0.5, "count": 1}, {"le": 2.0, "count": 2}],
        "count": 3,
        "sum": 9.5,
    }
    assert whole == {
        "version": 1,
        "number": 7,
        "at_wall": 1_790_000_000.0,
        "committed_wall": 1_789_999_970.0,
        "skipped": [
            {"kernel_name": "loop0", "reason": "virtual"},
            {"kernel_name": "zram0", "reason": "virtual"},
        ],
        "disks": [
            {
                "disk": "wwn-0x5000c500a1b20000",
                "kernel_name": "sda",
                "nodes": ["sda"],
                "transport": "sata",
                "model": "LAB HDD 7200",
                "serial": "LAB00000",
                "firmware": "F001",
                "wwn": "0x5000c500a1b20000",
                "rotation_rpm": 7200,
                "pool": "plates",
                "wake_group": "plates",
                "device": "pci-0000:00:1f.2-ata-1",
                "probe_method": "check_power_mode_16",
                "not_probed_because": "",
                "aliases": [],
                "apm_level": None,
                "standard_timer": None,
                "iostats": True,
                "gpl": None,
                "epc": None,
                "allow_restart": None,
                "timeout_s": None,
                "state": "idle",
                "why": "",
                "condition": None,
                "since_timestamp_seconds": 1_789_999_940.0,
                "since_seen": True,
                "untouched_since_timestamp_seconds": None,
                "policy": {
                    "watch": "full",
                    "fast_seconds": 5.0,
                    "slow_seconds": 60.0,
                    "asleep_seconds": 600.0,
                    "wear_seconds": 1800.0,
                    "cross_check_seconds": 0.0,
                    "budget_per_day": 24.0,
                    "budget_source": "default",
                    "declared_standby_seconds": 1200.0,
                    "rated_load": None,
                    "rated_start_stop": None,
                    "idle_watts": 5.7,
                    "standby_watts": 0.7,
                    "active_watts": None,
                    "watts_source": "default",
                    "spinup_joules": 120.0,
                    "quiet": "nights",
                    "whatif_standby_seconds": [],
                    "whatif_spinup_seconds": 0.0,
                    "waits_per_day": 5.0,
                    "disturbance_limit": 3,
                    "rated_life_horizon_seconds": 94_672_800.0,
                    "quiet_asleep_min_ratio": 0.5,
                    "actor_limit": 8,
                    "may_be_absent": False,
                    "absent_for_seconds": 2_592_000.0,
                },
                "findings": [
                    {
                        "code": "never_slept",
                        "severity": "note",
                        "since_timestamp_seconds": 1_789_999_000.0,
                        "sentence": "s",
                        "evidence": "e",
                        "suggestion": "t",
                        "caution": "c",
                        "ask_first": "a",
                        "innocent": ["i"],
                    }
                ],
            }
        ],
        "absent": [
            {
                "disk": "wwn-0x5000c500a1b20001",
                "kernel_name": "sdb",
                "model": "LAB HDD 7200",
                "serial": "LAB00001",
                "pool": "",
                "wake_group": "LAB HDD 7200 LAB00001",
                "findings": [],
            }
        ],
    }


def test_no_fact_is_forgotten() -> None:
    """A field added to a disk or a policy must be given a place in the form."""
    (shown,) = through(snapshot(view(0)))["disks"]
    assert {field.name for field in fields(Disk)} - {"identity", "diskseq"} <= set(shown)
    # The schedule is named by `quiet`; cadence and watts are spread out.
    flat = len(fields(Policy)) - 3 + len(fields(Watts)) + len(fields(Cadence))
    assert len(shown["policy"]) == flat


def test_a_full_snapshot_is_strict_json() -> None:
    """Every key of the catalogue passes, and the labels carry the catalogue's names."""
    shown = through(attic())["disks"][0]
    assert shown["samples"]["transitions"][0]["labels"] == {"from": "active", "to": "idle"}
    assert shown["condition"] == "idle_b"
    assert len(shown["histograms"]) == 3


def test_what_is_not_finite_or_not_known_is_null() -> None:
    """RFC 8259, 6: NaN and infinity have no form in JSON; they, and no commit yet, are null."""
    plain = view(0).facts
    totals = replace(plain.totals, energy_j={"idle": float("nan")})
    first = snapshot(DiskView(replace(plain, totals=totals)))
    assert first.exporter.ledger is not None
    ledger = replace(first.exporter.ledger, committed_wall_ns=0)
    never = replace(first, exporter=replace(first.exporter, ledger=ledger))
    shown = through(never)
    assert shown["committed_wall"] is None
    assert shown["disks"][0]["samples"]["energy_joules"][0]["value"] is None
    unreported = DiskView(replace(plain, disk=replace(disk(0), rotation_rpm=0)))
    assert through(snapshot(unreported))["disks"][0]["rotation_rpm"] is None
