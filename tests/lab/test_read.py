"""The drives' own counters, read by the real exporter on a real kernel, judged by the drives' logs.

One exporter reads them every 2 s of use; free signals come every 0.5 s; each drive has a 4 s timer
and is used now and then (cases.py, READ_CASES). Some drives spin up at a log read, some restart
their timer at one (Linux Documentation/hwmon/drivetemp.rst).

The rule: a reading follows a sample in which others moved sectors, so their last request is at most
one fast interval old, and half of one while records are read. test_without_guards.py calls these
functions with evidence from exporters whose guard was switched off, and expects them to fail.
"""

from __future__ import annotations

import pytest

from tests.lab.cases import FAST_S, READ_CASES, USED_NOW_AND_THEN
from tests.lab.evidence import Evidence, Row
from tests.lab.guest.names import MEDIA, RECORDS, STATE_PROBES
from tests.lab.test_serve import lived

TIMER_S = 4.0
LATE_S = 0.25  # half a fast interval while records are read

COUNTERS = {
    "start_stops": "spinledger_disk_start_stop_cycles_total",
    "load_cycles": "spinledger_disk_load_cycles_total",
    "power_cycles": "spinledger_disk_power_cycles_total",
}
"""What the drive calls it, and the metric."""

each = pytest.mark.parametrize("case", READ_CASES)


def uses(read: Evidence, case: str) -> list[Row]:
    """Requests of others that reached the medium."""
    found = read.commands(case, *MEDIA, until=read.ended)
    assert found
    return found


def test_reader_ran_to_the_end(read: Evidence) -> None:
    """It served every scrape and ended with exit code 0."""
    lived(read)


@each
def test_every_reading_follows_a_request_of_others(read: Evidence, case: str) -> None:
    """Others' last request is at most one fast interval old when a record is read."""
    used = uses(read, case)
    records = [row for row in read.records(case) if row["at"] > used[0]["at"]]
    assert records
    for row in records:
        last = max(one["done"] for one in used if one["at"] < row["at"])
        assert row["at"] - last <= FAST_S + LATE_S, row


@each
def test_no_reading_wakes_a_drive(read: Evidence, case: str) -> None:
    """Each start of the motor was a request of others, and no record met a sleeping drive."""
    assert read.slept(case)
    assert {row["what"] for row in read.commands(case) if row["woke"]} <= set(MEDIA)
    assert {row["before"] for row in read.records(case)} <= {"active", "idle"}


@each
def test_no_reading_holds_a_drive_awake(read: Evidence, case: str) -> None:
    """After each request of others it sleeps within its timer and one fast interval."""
    used = uses(read, case)
    asleep = [since for since, _ in read.slept(case)]
    for one, later in zip(used, [*(row["at"] for row in used[1:]), read.ended], strict=True):
        due = one["done"] + TIMER_S + FAST_S + LATE_S
        if later > due:
            assert [at for at in asleep if one["done"] < at <= due], one


@each
def test_it_is_read_soon_after_each_wake(read: Evidence, case: str) -> None:
    """A reading that ends in all its records follows each start of the motor."""
    whole = 3 if case == "read-sas" else 4
    woken = [row for row in read.commands(case, *MEDIA) if row["woke"]]
    assert len(woken) >= sum(act["do"] == "read" for act in USED_NOW_AND_THEN) // 2
    for row in woken:
        soon = [one for one in read.records(case) if 0 < one["at"] - row["done"] < 2 * FAST_S]
        assert len({one["cdb"] for one in soon}) == whole


@each
@pytest.mark.parametrize("counter", COUNTERS)
def test_counters_exported_are_the_drives_own(read: Evidence, case: str, counter: str) -> None:
    """As in the last record that it gave; a SCSI drive counts cycles that are complete.

    It has no count of power cycles (log page 0Eh: SCSI Commands Reference Manual, p366), so none is
    exported.
    """
    counts = read.records(case)[-1]["counts"]
    shown = read.final(COUNTERS[counter], case)
    if case == "read-sas":
        counts = {**counts, "start_stops": counts["stops"], "power_cycles": None}
    assert shown == counts[counter]


@each
def test_cycles_in_the_ledger_are_those_the_drive_counts(read: Evidence, case: str) -> None:
    """All were observed: the drive's counters show no more."""
    woken = [row for row in read.commands(case) if row["woke"]]
    assert read.final("spinledger_disk_cycles_total", case, observed="yes") == len(woken)
    assert read.final("spinledger_disk_cycles_total", case, observed="no") == 0


@each
def test_every_command_is_counted_by_name(read: Evidence, case: str) -> None:
    """probe_commands_total agrees with the drive's own log, and no other command was sent."""
    since = read.act(case, "arm")["done"]
    name = "spinledger_disk_probe_commands_total"
    grown: dict[str, float] = {}
    for _, labels in read.labels(name, case):
        series = read.series(name, case, command=labels["command"])
        grown[labels["command"]] = series[-1][1]
    sent = read.commands(case, *STATE_PROBES, *RECORDS, until=read.ended)
    assert sum(grown.values()) == pytest.approx(len(sent), abs=2)
    got = {row["what"] for row in read.commands(case, since=since, until=read.ended)}
    assert got <= {*STATE_PROBES, *RECORDS, *MEDIA}
