"""Plans and records: which commands are sent to which disk, and what each reply says."""

from __future__ import annotations

import contextlib
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spinledger.codec import ata, counters, identify, logs, modes, sat, statistics
from spinledger.codec.commands import TABLE
from spinledger.errors import Misuse, Undecodable
from spinledger.model import (
    Command,
    Completion,
    Condition,
    Disk,
    Reason,
    Record,
    Refused,
    Reported,
)
from tests.fakes.facts import DISK

RECORDS = sorted(set(Command) - {Command.CHECK_POWER_MODE_12, Command.CHECK_POWER_MODE_16,
                                 Command.REQUEST_SENSE})  # fmt: skip
ATA = replace(DISK, probe_method=Command.CHECK_POWER_MODE_16)

IDENTIFY = identify.encode(
    identify.Identify(
        serial="A-1",
        firmware="LAB1",
        model="LAB HDD 5400",
        wwn=None,
        rotation_rpm=5400,
        non_rotating=False,
        apm_enabled=True,
        apm_level=0x80,
        epc_supported=True,
        epc_enabled=False,
        standard_timer=True,
        gpl_supported=True,
    )
)


def smart(**raws: int) -> bytes:
    """SMART data with raw values by attribute, named `a193`."""
    return logs.encode_smart(
        [
            logs.Attribute(int(name[1:]), 0x32, 100, 100, raw.to_bytes(6, "little"))
            for name, raw in raws.items()
        ]
    )


def good(data: bytes) -> Completion:
    """GOOD with data."""
    return Completion(0, 0, 0, b"", data, 1_000_000)


def test_smart() -> None:
    """Attributes 4, 9, 12, 192, 193 (names: drivedb.h DEFAULT; 5K320 specification, p151)."""
    data = smart(a1=9, a3=0x01F4_01A0, a4=1234, a9=20_000, a12=40, a192=7, a193=5678, a194=35)
    assert counters.read(Command.SMART_READ_DATA, good(data)).values == {
        "start_stops": 1234,
        "power_on_raw": 20_000,
        "power_cycles": 40,
        "retracts": 7,
        "loads": 5678,
    }


@pytest.mark.parametrize(
    ("raws", "loads"),
    [
        ({"a225": 9000}, 9000),
        ({"a225": 9000, "a193": 5678}, 5678),
        ({"a193": 5678, "a225": 9000}, 5678),
        ({"a193": 1 << 47, "a4": 1}, None),
        ({"a4": 1}, None),
    ],
)
def test_load_cycles_of_older_drives(raws: dict[str, int], loads: int | None) -> None:
    """225 on older drives, 193 where both are there (drivedb.h DEFAULT), absent if unreadable."""
    assert counters.read(Command.SMART_READ_DATA, good(smart(**raws))).values.get("loads") == loads


def test_identify() -> None:
    """APM level of word 91, GPL of words 84 and 87 bit 5, EPC of 119 and 120 bit 7
    (91: Travelstar 5K160 specification, p53; the others from memory)."""
    data = IDENTIFY
    assert data[182] == 0x80
    assert data[2 * 84] & 0x20
    assert counters.read(Command.IDENTIFY_DEVICE, good(data)).values == {
        "apm_level": 0x80,
        "gpl": 1,
        "epc_supported": 1,
        "epc_enabled": 0,
    }


def test_identify_integrity() -> None:
    """With A5h in word 255 a wrong sum is malformed (ACS-3 integrity word, from memory)."""
    data = bytearray(IDENTIFY)
    data[510] = 0xA5
    data[511] = -sum(data) & 0xFF
    assert counters.read(Command.IDENTIFY_DEVICE, good(bytes(data))).values["gpl"] == 1
    data[182] ^= 1
    with pytest.raises(Undecodable, match="checksum"):
        counters.read(Command.IDENTIFY_DEVICE, good(bytes(data)))


def test_hours_become_seconds() -> None:
    """Hours of Device Statistics become seconds (ACS-3 9.5, from memory)."""
    general = statistics.encode_statistics(1, {"power_cycles": 40, "power_on_h": 20_000})
    result = counters.read(Command.DEVICE_STATISTICS_GENERAL, good(general))
    assert result.values == {"power_cycles": 40, "power_on_s": 72_000_000}
    rotating = statistics.encode_statistics(3, {"spindle_h": 17_557, "loads": 14_907_336})
    result = counters.read(Command.DEVICE_STATISTICS_ROTATING, good(rotating))
    assert result.values == {"spindle_s": 63_205_200, "loads": 14_907_336}


def test_start_stop_log() -> None:
    """Counts and ratings of page 0Eh (SCSI Commands Reference Manual, p366 table 346)."""
    page = logs.encode_start_stop(logs.StartStop(50_000, 1234, 600_000, 5678))
    assert counters.read(Command.START_STOP_LOG, good(page)).values == {
        "rated_start_stop": 50_000,
        "start_stops": 1234,
        "rated_load": 600_000,
        "loads": 5678,
    }


@pytest.mark.parametrize("nothing", [0, 0xFFFFFFFF])
def test_a_rating_of_nothing_is_none(nothing: int) -> None:
    """A specified count of zero or all ones specifies nothing (common practice, no source)."""
    page = logs.encode_start_stop(logs.StartStop(rated_load=nothing, loads=0))
    assert counters.read(Command.START_STOP_LOG, good(page)).values == {"loads": 0}


def test_counts_of_all_ones_are_not_reported() -> None:
    """Page 0Eh of a drive that keeps no counts: absent, never 4,294,967,295 (common practice)."""
    page = logs.encode_start_stop(logs.StartStop(50_000, 0xFFFFFFFF, 600_000, 0xFFFFFFFF))
    assert counters.read(Command.START_STOP_LOG, good(page)).values == {
        "rated_start_stop": 50_000,
        "rated_load": 600_000,
    }


def test_timers() -> None:
    """Timers of both worlds come under the same names, in milliseconds."""
    timers = {Condition.IDLE_A: 2_000, Condition.STANDBY_Z: 1_200_000}
    log = statistics.encode_conditions(timers)
    result = counters.read(Command.POWER_CONDITIONS_LOG, good(log))
    assert result.values == {"idle_a_ms": 2_000, "standby_z_ms": 1_200_000}
    result = counters.read(Command.POWER_CONDITION_MODE, good(modes.encode_timers(timers)))
    assert result.values["standby_z_ms"] == 1_200_000
    assert result.values["idle_b_ms"] == 0


def sense(status: int, error: int = 0, **other: int) -> Completion:
    """CHECK CONDITION with an ATA status return, data beside it."""
    raw = sat.encode_ata_return(sat.AtaReturn(0, status, error), **other)  # type: ignore[arg-type]
    return Completion(2, 0, 8, raw, smart(a193=1), 1)


@pytest.mark.parametrize(
    ("completion", "reason"),
    [
        (sense(ata.READY | ata.ERR, ata.ABRT), Reason.REJECTED),  # no such log
        (sense(ata.READY | ata.ERR, 0x40), Reason.DEVICE_ERROR),  # UNC: the log cannot be read
        (sense(0x00), Reason.STATUS_CLEAR),  # the link was reset: PM3:Sleep
        (Completion(2, 0, 8, bytes.fromhex("70 00 05 00 00 00 00 0A 00 00 00 00 20 00 00 00 00 00"),
                    b"", 1), Reason.REJECTED),  # invalid command operation code
        (Completion(2, 0, 8, bytes.fromhex("70 00 06 00 00 00 00 0A 00 00 00 00 29 00 00 00 00 00"),
                    b"", 1), Reason.OTHER_SENSE),  # unit attention: a reset happened
        (Completion(0, 3, 0, b"", b"", 1), Reason.HOST_ERROR),
        (Completion(8, 0, 0, b"", b"", 1), Reason.OTHER_SENSE),  # BUSY
        (good(b""), Reason.MALFORMED),
        (good(bytes(512)), Reason.MALFORMED),  # a bridge that sends zeros
        (good(smart(a193=1)[:511]), Reason.MALFORMED),
        (good(smart(a193=1)[:-1] + b"\1"), Reason.MALFORMED),
    ],
)  # fmt: skip
def test_no_record(completion: Completion, reason: Reason) -> None:
    """What is no record has a reason (SAM-5 status and ACS-3 error bits, from memory)."""
    with pytest.raises(Undecodable) as caught:
        counters.read(Command.SMART_READ_DATA, completion)
    assert caught.value.reason == reason


def test_a_record_beside_a_status_return() -> None:
    """RECOVERED ERROR 00/1D with a clean status is success, and the data count (Linux 6.12)."""
    assert counters.read(Command.SMART_READ_DATA, sense(ata.READY)).values == {"loads": 1}


@pytest.mark.parametrize(
    ("disk", "identified", "names"),
    [
        (replace(ATA, gpl=True, epc=True), None,
         "identify_device smart_read_data device_statistics_general device_statistics_rotating "
         "power_conditions_log"),
        (replace(ATA, gpl=True, epc=False), None,
         "identify_device smart_read_data device_statistics_general device_statistics_rotating"),
        (replace(ATA, gpl=False), None, "identify_device smart_read_data"),
        (replace(ATA, gpl=None), None, "identify_device smart_read_data"),
        (replace(ATA, gpl=None), {"gpl": 1},
         "identify_device smart_read_data device_statistics_general device_statistics_rotating"),
        (replace(ATA, gpl=True), {"gpl": 0}, "identify_device smart_read_data"),
        (replace(ATA, probe_method=Command.REQUEST_SENSE), None,
         "start_stop_log transitions_log power_condition_mode"),
        (replace(ATA, probe_method=Command.CHECK_POWER_MODE_12), None, ""),
        (replace(ATA, probe_method=None), None, ""),
    ],
)  # fmt: skip
def test_plan(disk: Disk, identified: dict[str, int] | None, names: str) -> None:
    """Logs only with General Purpose Logging (ACS-3, from memory); SCSI pages for SCSI disks."""
    record = None if identified is None else Record(Command.IDENTIFY_DEVICE, identified)
    assert " ".join(counters.plan(disk, record)) == names


@pytest.mark.parametrize("command", RECORDS)
def test_every_record_is_only_read_awake(command: Command) -> None:
    """Each row says that it may spin up and is sent only while sectors move (own rule)."""
    row = TABLE[command]
    assert "only while sectors move" in row.asleep
    assert "restart" in row.timer


def test_any_completion_has_a_reply() -> None:
    """One entry for all commands: a state, a record or a refusal; a state is never a record."""
    probe = Command.CHECK_POWER_MODE_16
    state = Completion(2, 0, 8, sat.encode_ata_return(sat.AtaReturn(0x80)), b"", 1)
    assert isinstance(counters.reply_of(probe, state), Reported)
    assert isinstance(counters.reply_of(Command.SMART_READ_DATA, good(smart(a4=1))), Record)
    refused = counters.reply_of(probe, sense(0x00))
    assert isinstance(refused, Refused)
    assert refused.reason is Reason.STATUS_CLEAR
    with pytest.raises(Misuse):
        counters.read(probe, state)


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(RECORDS), st.sampled_from([0, 2]), st.binary(max_size=40),
       st.binary(max_size=600), st.sampled_from([0, 252, 512, 1024]))  # fmt: skip
def test_garbage(command: Command, status: int, raw: bytes, data: bytes, size: int) -> None:
    """Any bytes give a typed error, or named numbers that are not negative."""
    if size:
        data = data[:size].ljust(size, b"\0")
    with contextlib.suppress(Undecodable):
        result = counters.read(command, Completion(status, 0, 8, raw, data, 1))
        assert set(result.values) <= set(counters.NAMES)
        assert all(value >= 0 for value in result.values.values())
