"""What simulated drives reply, through the ports and the codec, and what probes do to them."""

from __future__ import annotations

import ast
import re
from dataclasses import fields
from pathlib import Path

import pytest

from spinledger.codec import commands, reply
from spinledger.errors import Misuse, Undecodable
from spinledger.model import (
    HOUR,
    MILLISECOND,
    MINUTE,
    SECOND,
    Answered,
    Command,
    Condition,
    Gone,
    Mode,
    Probe,
    Reason,
    Refused,
    Reported,
    Seen,
)
from spinledger.sim import answers, drive
from spinledger.sim.drive import Burst
from spinledger.sim.kinds import KINDS, Interface, Kind, Level
from spinledger.sim.rack import Rack
from spinledger.sim.shelf import Bench, Plug, SimulatedShelf

ASLEEP = 25 * MINUTE  # every kind's timer is 20 min


def rack(kind: str, *arrivals: int | Burst, plugs: tuple[Plug, ...] = ()) -> Rack:
    """One drive of that kind, spinning at time 0."""
    return SimulatedShelf.of([Bench(KINDS[kind], arrivals)], plugs)


def probe(one: Rack, at_ns: int, number: int = 1) -> Probe:
    """Send the disk's own probe."""
    disk = one.places[0].disk
    assert disk.probe_method is not None
    sent = Probe(number, disk.identity, disk.probe_method, at_ns, at_ns + 10 * SECOND)
    one.prober.send(sent, disk)
    return sent


def answer(one: Rack, at_ns: int, number: int = 1) -> Answered:
    """Send the probe and wait for its reply."""
    probe(one, at_ns, number)
    due_ns = one.prober.due_ns()
    assert due_ns is not None
    assert list(one.prober.replies(due_ns - 1)) == []
    (answered,) = one.prober.replies(due_ns)
    return answered


def state(one: Rack, at_ns: int, number: int = 1) -> tuple[Mode, Condition | None]:
    """The state that the drive reports."""
    found = answer(one, at_ns, number).reply
    assert isinstance(found, Reported)
    return found.mode, found.condition


def reason(one: Rack, at_ns: int, number: int = 1) -> Reason:
    """Why it reports none."""
    found = answer(one, at_ns, number).reply
    assert isinstance(found, Refused)
    return found.reason


def test_a_plain_drive_answers_in_milliseconds_and_sleeps_on() -> None:
    """FFh while it spins, 00h in standby (HC580 specification, p138), and no cycle by a probe."""
    one = rack("plain")
    assert state(one, MINUTE) == (Mode.ACTIVE_OR_IDLE, None)
    for number in range(10):
        reply_ = answer(one, ASLEEP + number * MINUTE, number)
        assert MILLISECOND <= reply_.elapsed_ns <= 3 * MILLISECOND
        assert isinstance(reply_.reply, Reported)
        assert reply_.reply.mode is Mode.STANDBY
    (truth,) = one.truth(HOUR).values()
    assert (truth.cycles, truth.probes) == (0, 11)
    assert truth.mode_ns == {"ready": 20 * MINUTE, "standby": 40 * MINUTE}


def test_the_drive_gets_the_bytes_of_the_closed_table() -> None:
    """What a drive logs is the row's command block: 85 06 20 ... E5 00 (built from Linux 6.1
    ata_scsi_pass_thru; SAS: 03h)."""
    one, other = rack("plain"), rack("sas")
    probe(one, MINUTE)
    probe(other, MINUTE)
    logged = [next(iter(shelf.truth().values())).sent[0].cdb for shelf in (one, other)]
    assert logged[0] == bytes.fromhex("85062000000000000000000000 00E500".replace(" ", ""))
    assert logged[1] == commands.TABLE[Command.REQUEST_SENSE].cdb


def test_no_command_bytes_are_written_in_this_room() -> None:
    """Bytes of standards come from the codec alone: no module here holds a bytes literal."""
    room = Path(drive.__file__).parent
    found = [
        f"{file.name}:{found.lineno}"
        for file in sorted(room.glob("*.py"))
        for found in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(found, ast.Constant) and isinstance(found.value, bytes) and found.value
    ]
    assert found == []


def test_a_probe_raises_the_request_count_only() -> None:
    """Our pass-through moved iorequest_cnt and not stat: seen on Linux 6.1."""
    one = rack("plain")
    disk = one.places[0].disk
    before = one.counters.read(disk, MINUTE)
    probe(one, MINUTE)
    after = one.counters.read(disk, MINUTE)
    assert before is not None
    assert after is not None
    assert after.requests == before.requests + 1
    assert (after.sectors_read, after.flushes, after.in_flight) == (0, 0, 0)


def test_power_conditions_of_both_interfaces() -> None:
    """81h 82h 83h 01h 00h (HC580, table 86), and 5E/01 05 07 09 02 (Linux sense_codes.h)."""
    expected = [
        (Mode.ACTIVE_OR_IDLE, None),
        (Mode.IDLE, Condition.IDLE_A),
        (Mode.IDLE, Condition.IDLE_B),
        (Mode.IDLE, Condition.IDLE_C),
        (Mode.IDLE, Condition.STANDBY_Y),
    ]
    times = [SECOND, 3 * SECOND, 3 * MINUTE, 11 * MINUTE, 16 * MINUTE]
    ata, sas = rack("epc"), rack("sas")
    assert [state(ata, at_ns, n) for n, at_ns in enumerate(times)] == expected
    assert [state(sas, at_ns, n) for n, at_ns in enumerate(times)] == expected
    assert state(ata, ASLEEP, 9) == (Mode.STANDBY, None), "COUNT 00h does not name standby_z"
    assert state(sas, ASLEEP, 9) == (Mode.STANDBY, Condition.STANDBY_Z)


def test_a_sas_drive_refuses_pass_through() -> None:
    """ATA PASS-THROUGH to a SAS drive: ILLEGAL REQUEST 20/00 (SPC-4, from memory)."""
    place = rack("sas").places[0]
    cdb = commands.TABLE[Command.CHECK_POWER_MODE_16].cdb
    answered = answers.answer(place.drive, cdb, MINUTE)
    assert answered is not None
    with pytest.raises(Undecodable) as caught:
        reply.interpret(Command.CHECK_POWER_MODE_16, answered[1])
    assert caught.value.reason == Reason.REJECTED


def test_request_sense_to_an_ata_drive_is_emulated() -> None:
    """Behind libata REQUEST SENSE is NO SENSE whatever the drive does (Linux 6.12
    drivers/ata/libata-scsi.c:4694)."""
    place = rack("plain").places[0]
    answered = answers.answer(place.drive, commands.TABLE[Command.REQUEST_SENSE].cdb, ASLEEP)
    assert answered is not None
    reported = reply.interpret(Command.REQUEST_SENSE, answered[1])
    assert reported.mode is Mode.ACTIVE_OR_IDLE
    assert place.drive.stopped


def test_a_drive_that_answers_and_then_spins_up() -> None:
    """The quirk `wakes, answers first`: 00h within milliseconds, then a cycle that is ours."""
    one = rack("wakes_answers_first")
    assert state(one, ASLEEP) == (Mode.STANDBY, None)
    assert state(one, ASLEEP + MINUTE, 2) == (Mode.ACTIVE_OR_IDLE, None)
    (truth,) = one.truth().values()
    assert truth.wakes == {("probe", answers.EXPORTER): 1}


def test_a_drive_that_spins_up_and_then_answers() -> None:
    """The quirk `wakes, spins first`: FFh, as late as the spin-up takes."""
    one = rack("wakes_spins_first")
    late = answer(one, ASLEEP)
    assert isinstance(late.reply, Reported)
    assert late.reply.mode is Mode.ACTIVE_OR_IDLE
    assert late.elapsed_ns >= 10 * SECOND
    assert next(iter(one.truth().values())).cycles == 1


@pytest.mark.parametrize(("kind", "sleeps"), [("plain", True), ("restarts_on_probe", False)])
def test_a_drive_whose_timer_a_probe_restarts(kind: str, sleeps: bool) -> None:
    """Probed every minute it never sleeps; when it is no longer probed, it does."""
    one = rack(kind)
    for minute in range(1, 120):
        state(one, minute * MINUTE, minute)
    (truth,) = one.truth(2 * HOUR).values()
    assert (truth.stopped_ns > 0) is sleeps
    assert next(iter(one.truth(3 * HOUR).values())).stopped_ns > 0


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        ("no_registers", Reason.NO_REGISTERS),
        ("rejects", Reason.REJECTED),
        ("aborts", Reason.REJECTED),
    ],
)
def test_a_drive_or_bridge_that_reports_no_state(kind: str, expected: Reason) -> None:
    """A refusal, and never a state, awake or asleep; the drive sleeps on."""
    one = rack(kind)
    assert reason(one, MINUTE) == expected
    assert reason(one, ASLEEP, 2) == expected
    assert next(iter(one.truth().values())).cycles == 0


def test_a_slow_drive_answers_after_30_seconds() -> None:
    """The answer comes when the deadline is long past; one command is outstanding at a time."""
    one = rack("slow")
    probe(one, MINUTE)
    assert one.prober.due_ns() == MINUTE + 30 * SECOND
    with pytest.raises(Misuse):
        probe(one, MINUTE + 5 * SECOND, 2)
    (late,) = one.prober.replies(MINUTE + 30 * SECOND)
    assert late.at_ns == MINUTE + 30 * SECOND
    assert late.elapsed_ns == 30 * SECOND
    probe(one, MINUTE + 31 * SECOND, 3)


def test_a_hung_drive_answers_never_or_hours_later() -> None:
    """A hung command cannot be ended; the free signals go on meanwhile."""
    never, hours = rack("hung", HOUR), rack("hung_for_hours")
    probe(never, MINUTE)
    assert never.prober.due_ns() is None
    assert list(never.prober.replies(100 * HOUR)) == []
    counted = never.counters.read(never.places[0].disk, 2 * HOUR)
    assert counted is not None
    assert counted.sectors_read == 8
    probe(hours, MINUTE)
    assert hours.prober.due_ns() == MINUTE + 2 * HOUR


def test_a_probe_of_a_drive_that_is_spinning_up() -> None:
    """A command outside the queue waits for the queued read; older drives report 00h meanwhile.

    The latter: "in, going to or recovering from Standby" (Maxtor product manual, 7-8).
    """
    waits = answer(rack("plain", ASLEEP), ASLEEP + SECOND)
    assert isinstance(waits.reply, Reported)
    assert waits.reply.mode is Mode.ACTIVE_OR_IDLE
    assert waits.elapsed_ns > 9 * SECOND
    at_once = answer(rack("recovering_00h", ASLEEP), ASLEEP + SECOND)
    assert isinstance(at_once.reply, Reported)
    assert at_once.reply.mode is Mode.STANDBY
    assert at_once.elapsed_ns < 3 * MILLISECOND


def test_a_probe_of_a_drive_in_sleep_ends_the_sleep() -> None:
    """Link reset, 0.39 s, COUNT 00h with ATA status 00h, then FFh: seen on Linux 6.1."""
    one = rack("sleep")
    first = answer(one, ASLEEP)
    assert isinstance(first.reply, Refused)
    assert first.reply.reason == Reason.STATUS_CLEAR
    assert first.elapsed_ns == 390 * MILLISECOND
    assert state(one, ASLEEP + MINUTE, 2) == (Mode.ACTIVE_OR_IDLE, None)
    assert next(iter(one.truth().values())).wakes == {("probe", answers.EXPORTER): 1}


def test_unplug_and_plug_keep_the_identity_under_another_name() -> None:
    """Gone and Seen come at their times; an outstanding command ends with a host error."""
    one = rack("slow", plugs=(Plug(HOUR, 0, False), Plug(2 * HOUR, 0, True)))
    disk = one.places[0].disk
    assert one.discoverer.due_ns() == HOUR
    probe(one, HOUR - SECOND)
    assert one.counters.read(disk, HOUR) is None
    assert list(one.discoverer.changes(HOUR)) == [Gone(disk.identity, HOUR)]
    (lost,) = one.prober.replies(HOUR)
    assert isinstance(lost.reply, Refused)
    assert lost.reply.reason == Reason.HOST_ERROR
    assert one.discoverer.scan(HOUR)[0] == []
    probe(one, HOUR + MINUTE, 2)
    (unsent,) = one.prober.replies(HOUR + MINUTE)
    assert not unsent.sent
    assert unsent.reply == Refused(Reason.GONE, "no such disk")
    (seen,) = one.discoverer.changes(2 * HOUR)
    assert isinstance(seen, Seen)
    assert seen.disk.identity == disk.identity
    assert seen.disk.nodes != disk.nodes
    assert seen.disk.diskseq != disk.diskseq


@pytest.mark.parametrize(("kind", "sleeps"), [("plain", True), ("loses_timer", False)])
def test_a_drive_that_loses_its_timer_when_replugged(kind: str, sleeps: bool) -> None:
    """The timer is volatile on some drives: it sleeps before the re-plug and never after."""
    one = rack(kind, plugs=(Plug(HOUR, 0, False), Plug(2 * HOUR, 0, True)))
    before = next(iter(one.truth(HOUR).values())).stopped_ns
    after = next(iter(one.truth(9 * HOUR).values())).stopped_ns
    assert before == 40 * MINUTE
    assert (after > before) is sleeps


def test_every_kind_has_its_probe_and_identity() -> None:
    """Identities begin `sim-`, and each interface has its probe."""
    for name, kind in KINDS.items():
        assert kind.name == name
        disk = rack(name).places[0].disk
        assert disk.identity.startswith("sim-")
        assert disk.transport == "simulated"
        sas = kind.interface is Interface.SAS
        assert (disk.probe_method is Command.REQUEST_SENSE) is sas


@pytest.mark.parametrize(
    ("row", "name"),
    [(row, field.name) for row in (Kind, Level) for field in fields(row)],
    ids=lambda value: getattr(value, "__name__", value),
)
def test_every_quirk_has_a_behaviour(row: type, name: str) -> None:
    """Each field of a kind is read by the simulation, so no quirk is there in name alone."""
    sources = [
        path.read_text(encoding="utf-8")
        for path in Path(drive.__file__).parent.glob("*.py")
        if path.name != "kinds.py"
    ]
    assert any(re.search(rf"\.{name}\b", text) for text in sources), f"{row.__name__}.{name}"
