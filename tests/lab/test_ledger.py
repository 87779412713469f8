"""The ledger on a real kernel: unobserved cycles, and a ledger on the disk that it watches.

Judged by the drive's own counters and log. Source: the arithmetic of unobserved cycles is start
less power cycles less those observed, with attributes 4 and 12 of the public drive database; that a
journalling file system writes seconds after an fsync is ext4's `commit=` (Linux
Documentation/admin-guide/ext4.rst, 5 s).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.lab.build import PROJECT, Image
from tests.lab.cases import identity
from tests.lab.vm import Guest

Reported = dict[str, Any]


@pytest.fixture(scope="module")
def machine(lab_image: Image) -> Iterator[Guest]:
    """A machine of its own, for what it mounts and writes."""
    with Guest(lab_image, {"exporter": PROJECT / "exporter"}) as own:
        yield own


def run(guest: Guest, drive_number: Callable[[], int], name: str, scenario: str) -> Reported:
    """Play one scenario in the guest."""
    number = drive_number()
    request = {
        "name": name,
        "number": number,
        "play": scenario,
        "identity": identity(number),
        "size_mib": 20 if scenario == "on_the_disk" else 2,
    }
    report: Reported = guest.python("ledger", stdin=json.dumps(request), timeout=300)
    return report


@pytest.fixture(scope="module")
def restarted(machine: Guest, drive_number: Callable[[], int]) -> Reported:
    """What came of the five unobserved spin-ups."""
    return run(machine, drive_number, "ledger", "restart")


def cycles(disk: Reported, observed: str) -> float:
    """Cycles of one kind in a snapshot of a disk."""
    return next(
        float(sample["value"])
        for sample in disk["samples"]["cycles"]
        if sample["labels"] == {"observed": observed}
    )


@pytest.mark.long
def test_unobserved_cycles(restarted: Reported) -> None:
    """Five unobserved and one observed; the drive counted 6."""
    before, after = restarted["before"], restarted["after"]
    assert restarted["starts"] == 6
    assert cycles(after, "yes") - cycles(before, "yes") == 1
    assert cycles(after, "no") - cycles(before, "no") == 5


@pytest.mark.long
def test_counters_go_on_over_a_restart(restarted: Reported) -> None:
    """No state's seconds fell, and the time in between is unobserved."""
    seconds = [
        {s["labels"]["state"]: s["value"] for s in restarted[when]["samples"]["state_seconds"]}
        for when in ("before", "after")
    ]
    assert all(seconds[1][state] >= value for state, value in seconds[0].items())
    assert seconds[1]["unobserved"] > 5 * 5


@pytest.fixture(scope="module")
def kept_there(machine: Guest, drive_number: Callable[[], int]) -> Reported:
    """What came of the ledger on the watched drive."""
    return run(machine, drive_number, "shelf", "on_the_disk")


def test_a_ledger_on_the_watched_disk_lets_it_sleep(kept_there: Reported) -> None:
    """Asleep, it stays asleep: only probes reach the drive, and nothing wakes it."""
    rows = [
        row
        for row in kept_there["log"]
        if kept_there["asleep"] < float(row["at"]) < kept_there["ended"] and "what" in row
    ]
    assert {row["what"] for row in rows} <= {"CHECK POWER MODE"}
    assert not any(row.get("woke") for row in rows)


def test_a_deferred_ledger_is_reported(kept_there: Reported) -> None:
    """While commits wait for the disk to be used by others, `ledger_deferred` is 1."""
    assert kept_there["deferred"][-1] == 1
    assert kept_there["size"] > 0
