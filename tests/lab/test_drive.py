"""The emulated drive alone: no machine, no kernel, time as an argument.

The exporter is judged by this drive, so its answers are compared with published bytes first.
"""

from __future__ import annotations

import pytest

from tests.lab.guest.drive import CHECK_CONDITION, GOOD, Drive, Traits, commands, timer_seconds

# ATA PASS-THROUGH (16) and (12) with CHECK POWER MODE, non-data, CK_COND: Linux 6.12
# drivers/ata/libata-scsi.c:3240-3260; E5h: Ultrastar HC580 specification, p138.
PROBE_16 = bytes.fromhex("85062000000000000000000000 00e500")
PROBE_12 = bytes.fromhex("a1062000000000000 0e50000".replace(" ", ""))
READ = bytes.fromhex("28000000000000000100")
SYNCHRONIZE = bytes.fromhex("35000000000000000000")
REQUEST_SENSE = bytes.fromhex("03000000fc00")


def drive(*quirks: str, **traits: float) -> Drive:
    """A drive at time 0 with a 10 s standby timer."""
    return Drive(Traits("bench", 7, timer_s=10, quirks=frozenset(quirks), **traits), 0.0)  # type: ignore[arg-type]


@pytest.mark.parametrize("cdb", [PROBE_16, PROBE_12])
@pytest.mark.parametrize(("at", "count"), [(1.0, "ff"), (11.0, "00")])
def test_power_mode_is_returned_as_sat_lays_it_out(cdb: bytes, at: float, count: str) -> None:
    """Key 1, 00/1D, one ATA status return descriptor (buffers built from the layout in
    Linux 6.12 drivers/ata/libata-scsi.c:241-316)."""
    answer = drive().execute(cdb, b"", at)
    assert answer.status == CHECK_CONDITION
    assert answer.sense.hex() == f"7201001d0000000e090c000000{count}00000000000000 50".replace(
        " ", ""
    )


def test_timer_runs_from_the_last_read_and_not_from_a_probe() -> None:
    """A read at 4 s and probes at 6, 8, 12 s: standby at 14 s exactly."""
    bench = drive()
    bench.execute(READ, b"", 4.0)
    for at in (6.0, 8.0, 12.0):
        bench.execute(PROBE_16, b"", at)
    bench.settle(13.9)
    assert bench.mode == "active"
    bench.settle(30.0)
    assert bench.mode == "standby"
    assert bench.log[-1]["at"] == 14.0


def test_restart_timer_quirk_never_sleeps_while_probed() -> None:
    """Probed every 5 s with a 10 s timer it stays awake; without probes it sleeps."""
    bench = drive("restart-timer")
    for at in range(5, 60, 5):
        bench.execute(PROBE_16, b"", at)
    assert bench.mode == "active"
    assert all(row["restarted_timer"] for row in commands(bench.log))
    bench.settle(66.0)
    assert bench.mode == "standby"


def test_read_spins_up_and_is_logged() -> None:
    """A read in standby takes the spin-up time and counts one start."""
    bench = drive()
    answer = bench.execute(READ, b"", 20.0)
    assert answer.wait_s == 1.0
    assert (bench.mode, bench.wakes, bench.start_stops) == ("active", 1, 101)
    assert bench.log[-1]["woke"]


def test_synchronize_cache_neither_wakes_nor_restarts() -> None:
    """A flush of a clean cache changes neither mode nor timer."""
    bench = drive()
    bench.execute(SYNCHRONIZE, b"", 9.0)
    bench.execute(SYNCHRONIZE, b"", 20.0)
    assert (bench.mode, bench.wakes) == ("standby", 0)
    assert not any(row["woke"] or row["restarted_timer"] for row in commands(bench.log))


def test_wakes_on_probe_quirk() -> None:
    """The probe spins it up and returns FFh after the spin-up time."""
    answer = drive("wakes-on-probe").execute(PROBE_16, b"", 20.0)
    assert (answer.wait_s, answer.sense[13]) == (1.0, 0xFF)


def test_refusals() -> None:
    """ILLEGAL REQUEST 20/00 without pass-through; ABORTED COMMAND, ERR and ABRT (from memory)."""
    rejected = drive("rejects").execute(PROBE_16, b"", 1.0).sense
    assert (rejected[2], rejected[12], rejected[13]) == (5, 0x20, 0)
    aborted = drive("aborts").execute(PROBE_16, b"", 1.0).sense
    assert (aborted[1], aborted[11], aborted[21]) == (0xB, 0x04, 0x51)


def test_silent_bridge_returns_good_and_nothing() -> None:
    """GOOD status without sense, asleep or awake."""
    answer = drive("no-registers").execute(PROBE_16, b"", 20.0)
    assert (answer.status, answer.sense) == (GOOD, b"")


def test_status_clear_looks_like_standby_by_count_alone() -> None:
    """Count 00h and ATA status 00h, although it spins."""
    bench = drive("status-clear")
    sense = bench.execute(PROBE_16, b"", 1.0).sense
    assert (sense[13], sense[21], bench.mode) == (0x00, 0x00, "active")


def test_a_probe_ends_sleep() -> None:
    """In Sleep the first answer is all zeros after 0.4 s, the next one FFh."""
    bench = drive()
    bench.execute(bytes.fromhex("85062000000000000000000000 00e600"), b"", 1.0)
    assert bench.mode == "sleep"
    first = bench.execute(PROBE_16, b"", 2.0)
    assert (first.wait_s, first.sense[13], first.sense[21]) == (0.4, 0x00, 0x00)
    assert bench.log[-1]["woke"]
    assert bench.execute(PROBE_16, b"", 3.0).sense[13] == 0xFF


def test_sas_drive_reports_by_request_sense_only() -> None:
    """GOOD; 00/00 awake, 5E/02 standby by timer, 5E/04 by command (from memory); 85h refused."""
    bench = drive("sas")
    replies = [bench.execute(REQUEST_SENSE, b"", at) for at in (1.0, 20.0)]
    assert [answer.status for answer in replies] == [GOOD, GOOD]
    assert [answer.data[12:14].hex() for answer in replies] == ["0000", "5e02"]
    bench.execute(READ, b"", 21.0)
    bench.execute(bytes.fromhex("1b0000003000"), b"", 23.0)  # START STOP UNIT, STANDBY
    assert bench.execute(REQUEST_SENSE, b"", 24.0).data[12:14].hex() == "5e04"
    assert bench.execute(PROBE_16, b"", 25.0).sense[12] == 0x20
    page = bench.execute(bytes.fromhex("120189024000"), b"", 26.0)  # INQUIRY, VPD page 89h
    assert page.status == CHECK_CONDITION


# Its records. ATA PASS-THROUGH (16), PIO data-in (protocol 4) of one block: the same lines of Linux
# 6.12. LOG SENSE and MODE SENSE: SPC-4, from memory.
SMART = bytes.fromhex("85080e00d00001000000 4f00c200b000")
GENERAL, ROTATING, UNKNOWN = (
    bytes.fromhex(f"85090e00000001000400{page}000000 2f00".replace(" ", ""))
    for page in ("01", "03", "05")
)
IDENTIFY = bytes.fromhex("85080e0000000100000000000000ec00")
CYCLES, TRANSITIONS = (bytes.fromhex(f"4d00{page}0000000000fc00") for page in ("4e", "5a"))
TIMERS = bytes.fromhex("5a081a0000000000fc00")


def woken(*quirks: str) -> Drive:
    """A drive that slept and was read twice."""
    bench = drive(*quirks)
    for at in (20.0, 40.0):
        bench.execute(READ, b"", at)
    return bench


def test_smart_data_have_its_counters() -> None:
    """Entries of 12 bytes from byte 2, raw value at 5 (Travelstar 5K320 specification, p151)."""
    data = woken().execute(SMART, b"", 42.0).data
    raw = {data[at]: int.from_bytes(data[at + 5 : at + 11], "little") for at in range(2, 62, 12)}
    assert (raw[4], raw[9], raw[12], raw[193]) == (102, 1234, 12, 195)
    assert sum(data) % 256 == 0


def test_device_statistics_have_its_counters() -> None:
    """ACS-3 9.5, from memory: page number in byte 2 of the first qword; bits 63 and 62 supported
    and valid."""
    bench = woken()
    general, rotating = (bench.execute(cdb, b"", 42.0).data for cdb in (GENERAL, ROTATING))
    assert (general[:3].hex(), rotating[:3].hex()) == ("010001", "010003")
    assert general[0x08:0x10].hex() == "0c000000000000c0"
    assert int.from_bytes(general[0x10:0x14], "little") == 1234
    assert rotating[0x18:0x20].hex() == "c3000000000000c0"
    assert bench.execute(UNKNOWN, b"", 43.0).sense[1] == 0xB  # ABORTED COMMAND


def test_scsi_log_pages_have_its_counters() -> None:
    """Parameters of page 0Eh by code; a cycle counts when complete (MAX3073 manual, 4-66)."""
    bench = woken("sas")
    page = bench.execute(CYCLES, b"", 42.0).data
    assert page[:4].hex() == "0e000034"
    assert page.hex().endswith(
        "0003030400 00c350000403040000006500050304000927c000060304000000c3".replace(" ", "")
    )
    assert bench.execute(TRANSITIONS, b"", 42.0).data.hex() == (
        "1a00001000010304000000660008030400000065"
    )
    assert drive().execute(CYCLES, b"", 1.0).status == CHECK_CONDITION


def test_the_mode_page_has_its_timer() -> None:
    """Byte 3 bit 0 enables standby_z; bytes 8 to 11 count 100 ms (C15K600 specification, p188)."""
    data = drive("sas").execute(TIMERS, b"", 1.0).data
    assert (data[8], data[9], data[11]) == (0x1A, 0x26, 0x01)
    assert int.from_bytes(data[16:20], "big") == 100


@pytest.mark.parametrize("cdb", [SMART, GENERAL, IDENTIFY])
def test_a_record_spins_up_only_a_drive_that_does_so(cdb: bytes) -> None:
    """The quirk wakes it from standby, which is logged; any other sleeps on and answers."""
    for quirks, waits in (((), 0.0), (("wakes-on-record",), 1.0)):
        bench = drive(*quirks)
        answer = bench.execute(cdb, b"", 20.0)
        assert len(answer.data) == 512
        assert (answer.wait_s, bench.wakes, bench.log[-1]["woke"]) == (waits, waits, waits > 0)


@pytest.mark.parametrize(
    ("cdb", "quirks"), [(SMART, ()), (GENERAL, ()), (CYCLES, ("sas",)), (TIMERS, ("sas",))]
)
def test_a_record_restarts_only_a_timer_that_does_so(cdb: bytes, quirks: tuple[str, ...]) -> None:
    """Read at 5 s: with the quirk its 10 s timer runs out at 15 s, else at 10 s."""
    for more, due in (((), 10.0), (("restarts-on-record",), 15.0)):
        bench = drive(*quirks, *more)
        bench.execute(cdb, b"", 5.0)
        bench.settle(30.0)
        assert bench.log[-1]["at"] == due


@pytest.mark.parametrize(
    ("code", "seconds"),
    [(0x00, 0), (0x0C, 60), (0xF0, 1200), (0xF1, 1800), (0xFB, 19800), (0xFC, 1260), (0xFF, 1275)],
)
def test_standby_timer_code(code: int, seconds: float) -> None:
    """Not monotonic: FCh is 21 min and FFh 21 min 15 s (Travan 40 manual, p105)."""
    assert timer_seconds(code) == seconds


def test_standby_command_sets_the_timer() -> None:
    """STANDBY (E2h) with count 01h: standby at once, and 5 s after the next read again."""
    bench = drive()
    bench.execute(bytes.fromhex("850620000000010000000000 0000e200"), b"", 1.0)
    assert bench.mode == "standby"
    bench.execute(READ, b"", 10.0)  # ready at 11 s
    bench.settle(15.9)
    assert bench.mode == "active"
    bench.settle(16.0)
    assert bench.mode == "standby"
