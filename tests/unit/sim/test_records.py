"""Simulated drives give their records as real ones do, in the same bytes."""

from __future__ import annotations

import pytest

from spinledger.codec import commands
from spinledger.codec.counters import reply_of
from spinledger.model import DAY, HOUR, MINUTE, SECOND, Command, Completion, Record, Refused
from spinledger.sim import answers
from spinledger.sim.drive import Burst, Drive, Op
from spinledger.sim.kinds import KINDS, Kind

C = Command


def drive(name: str, every_ns: int = 12 * HOUR) -> Drive:
    """A drive that is read every so often, for ever."""
    feed = (Burst(n * every_ns, 1, 0, 8, Op.READ, "reader") for n in range(1, 1000))
    return Drive(KINDS[name], feed, 0, log=100)


def read(one: Drive, command: Command, at_ns: int) -> Record | Refused:
    """What a read of a record gives."""
    answer = answers.answer(one, commands.TABLE[command].cdb, at_ns)
    assert answer is not None
    found = reply_of(command, answer[1])
    assert isinstance(found, Record | Refused)
    return found


def values(one: Drive, command: Command, at_ns: int) -> dict[str, int]:
    """The values of a record."""
    found = read(one, command, at_ns)
    assert isinstance(found, Record), found
    return dict(found.values)


def test_an_ata_drive_reports_its_odometer() -> None:
    """Ten days with two spin-ups a day: SMART, statistics and the odometer agree."""
    one = drive("plain")
    at = 10 * DAY + 12 * HOUR + MINUTE
    smart = values(one, C.SMART_READ_DATA, at)
    general = values(one, C.DEVICE_STATISTICS_GENERAL, at)
    rotating = values(one, C.DEVICE_STATISTICS_ROTATING, at)
    meter = one.odometer
    assert smart["start_stops"] == meter.starts == 1 + 21
    assert smart["loads"] == rotating["loads"] == meter.loads
    assert smart["power_on_raw"] * 3600 == general["power_on_s"] == 252 * 3600
    assert rotating["spindle_s"] < general["power_on_s"]
    assert values(one, C.IDENTIFY_DEVICE, at)["gpl"] == 1


def test_a_sas_drive_reports_complete_cycles() -> None:
    """Page 0Eh counts a cycle when it is complete (MAX3073 manual, 4-66); 1Ah both ways."""
    one = drive("sas")
    at = 10 * DAY + 12 * HOUR + MINUTE
    cycles = values(one, C.START_STOP_LOG, at)
    ways = values(one, C.TRANSITIONS_LOG, at)
    assert cycles["start_stops"] == one.odometer.stops == ways["to_standby_z"]
    assert ways["to_active"] == ways["to_standby_z"] + 1
    assert ways["to_idle_a"] == ways["to_standby_y"] + 1, "a minute awake: idle_a and no further"
    assert (cycles["rated_load"], cycles["rated_start_stop"]) == (600_000, 50_000)
    assert values(one, C.POWER_CONDITION_MODE, at)["standby_z_ms"] == 20 * 60_000


@pytest.mark.parametrize(
    ("kind", "command", "reason"),
    [
        ("plain", C.START_STOP_LOG, "rejected"),
        ("sas", C.SMART_READ_DATA, "rejected"),
        ("rejects", C.SMART_READ_DATA, "rejected"),
        ("aborts", C.DEVICE_STATISTICS_GENERAL, "rejected"),
    ],
)
def test_what_a_drive_does_not_have(kind: str, command: Command, reason: str) -> None:
    """Pages of the other interface, and drives that refuse: rejected (own rule)."""
    found = read(drive(kind), command, SECOND)
    assert isinstance(found, Refused)
    assert found.reason == reason


@pytest.mark.parametrize(("kind", "wakes"), [("plain", 0), ("wakes_on_log_read", 1)])
def test_a_log_read_may_wake(kind: str, wakes: int) -> None:
    """A sleeping drive that wakes on a log read does, the others reply asleep."""
    one = drive(kind)
    assert one.settle(6 * HOUR).mode_ns["standby"] > 5 * HOUR
    values(one, C.SMART_READ_DATA, 6 * HOUR)
    truth = one.settle(7 * HOUR)
    assert truth.wakes.get(("log_read", "exporter"), 0) == wakes
    assert (truth.log_reads, truth.probes) == (1, 0)


@pytest.mark.parametrize(("kind", "slept_min"), [("plain", 10), ("restarts_on_log_read", 0)])
def test_a_log_read_may_restart_the_timer(kind: str, slept_min: int) -> None:
    """Read every 15 min, a drive that restarts its 20 min timer does not sleep (drivetemp.rst)."""
    one = drive(kind)
    for quarter in (1, 2):
        values(one, C.SMART_READ_DATA, quarter * 15 * MINUTE)
    asleep = one.settle(30 * MINUTE).mode_ns.get("standby", 0)
    assert asleep == slept_min * MINUTE


def test_sleep_is_ended_by_a_log_read() -> None:
    """A drive in PM3:Sleep takes no command: the link is reset (seen on Linux 6.1)."""
    one = drive("sleep")
    one.settle(HOUR)
    found = read(one, C.SMART_READ_DATA, HOUR)
    assert isinstance(found, Refused)
    assert found.reason == "status_clear"


@pytest.mark.parametrize("kind", KINDS.values(), ids=lambda kind: kind.name)
def test_every_kind_replies_to_every_command(kind: Kind) -> None:
    """Each command gives each kind's record or a refusal with a reason, never a decoding error."""
    for command in Command:
        one = Drive(kind, iter(()), 0)
        answer = answers.answer(one, commands.TABLE[command].cdb, SECOND)
        if answer is not None:
            assert isinstance(answer[1], Completion)
            assert not str(getattr(reply_of(command, answer[1]), "reason", "")).startswith(
                "malformed"
            )
