"""The JSON of a snapshot: its documented form, in full, and what malformed values become."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from typing import Any

from spinledger.model import Cadence, Disk, Histogram, Policy, Watts
from spinledger.web.snapshot_json import snapshot_json
from tests.fakes.snapshots import attic, disk, full_view, snapshot, view


def through(snapshot: Any) -> Any:
    """What a reader gets: out through strict JSON and back."""
    return json.loads(json.dumps(snapshot_json(snapshot), allow_nan=False))


def test_the_whole_form() -> None:
    """One disk, every key: the documented form, version 1, word for word."""
    shown = replace(
        view(0, pool="plates"),
        histograms={"probe_seconds": Histogram((0.5, 2.0), (1, 2), 3, 9.5)},
        findings=full_view(0).findings,
    )
    assert through(replace(snapshot(shown), exporter={"disks_skipped": {("virtual",): 2}})) == {
        "version": 1,
        "number": 7,
        "at_wall": 1_790_000_000.0,
        "committed_wall": 1_789_999_970.0,
        "exporter": {"disks_skipped": [{"labels": {"reason": "virtual"}, "value": 2}]},
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
                    "disturbance_limit": 3,
                    "rated_life_horizon_seconds": 94_672_800.0,
                    "quiet_asleep_min_ratio": 0.5,
                    "actor_limit": 8,
                },
                "samples": {
                    "state_seconds": [
                        {"labels": {"state": "active"}, "value": 0},
                        {"labels": {"state": "idle"}, "value": 125.5},
                        {"labels": {"state": "standby"}, "value": 0},
                        {"labels": {"state": "unknown"}, "value": 0},
                        {"labels": {"state": "unobserved"}, "value": 0},
                    ],
                    "cycles": [
                        {"labels": {"observed": "yes"}, "value": 0},
                        {"labels": {"observed": "no"}, "value": 0},
                    ],
                    "last_sample": [{"labels": {}, "value": 1_790_000_000}],
                },
                "histograms": {
                    "probe_seconds": {
                        "buckets": [{"le": 0.5, "count": 1}, {"le": 2.0, "count": 2}],
                        "count": 3,
                        "sum": 9.5,
                    }
                },
                "findings": [
                    {
                        "code": "code_3",
                        "sentence": "A question restarts this drive's timer.",
                        "evidence": "It slept only while nobody asked.",
                        "suggestion": "Watch it by counters alone.",
                        "caution": "Ask the drive maker's document first.",
                        "ask_first": "",
                        "innocent": [],
                    }
                ],
            }
        ],
    }


def test_no_fact_is_forgotten() -> None:
    """A field added to a disk or a policy must be given a place in the form."""
    (shown,) = through(snapshot(view(0)))["disks"]
    assert {field.name for field in fields(Disk)} - {"identity", "diskseq"} <= set(shown)
    flat = len(fields(Policy)) - 2 + len(fields(Watts)) + len(fields(Cadence))
    assert len(shown["policy"]) == flat


def test_a_full_snapshot_is_strict_json() -> None:
    """Every key of the catalogue passes, and the labels carry the catalogue's names."""
    shown = through(attic())["disks"][0]
    assert shown["samples"]["transitions"][0]["labels"] == {"from": "active", "to": "idle"}
    assert shown["condition"] == "idle_b"
    assert len(shown["histograms"]) == 3


def test_what_is_not_finite_or_not_known_is_null() -> None:
    """RFC 8259, 6: NaN and infinity have no form in JSON; they, and no commit yet, are null."""
    odd = replace(view(0), samples={"energy_joules": {("idle",): float("nan")}})
    never = replace(snapshot(odd), committed_ns=0)
    shown = through(never)
    assert shown["committed_wall"] is None
    assert shown["disks"][0]["samples"]["energy_joules"][0]["value"] is None
    unreported = replace(view(0), disk=replace(disk(0), rotation_rpm=0))
    assert through(snapshot(unreported))["disks"][0]["rotation_rpm"] is None


def test_keys_beyond_the_catalogue_are_told_too() -> None:
    """A key that is no metric has its labels numbered, so that more can be in the JSON alone."""
    odd = replace(view(0), samples={"whatif_split": {("300", "night"): 4}})
    assert through(snapshot(odd))["disks"][0]["samples"] == {
        "whatif_split": [{"labels": {"label_1": "300", "label_2": "night"}, "value": 4}]
    }
