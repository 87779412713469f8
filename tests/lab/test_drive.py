"""The emulated drive on the bench: no machine, no kernel, time as an argument.

The drive is the judge of the exporter, so its answers are held against published bytes first.
"""

from __future__ import annotations

import pytest

from tests.lab.guest.drive import CHECK_CONDITION, GOOD, Drive, Traits, commands, timer_seconds

# SAT-3 ATA PASS-THROUGH (16) and (12) with CHECK POWER MODE, non-data, CK_COND.
ASK_16 = bytes.fromhex("85062000000000000000000000 00e500")
ASK_12 = bytes.fromhex("a1062000000000000 0e50000".replace(" ", ""))
READ = bytes.fromhex("28000000000000000100")
SYNCHRONIZE = bytes.fromhex("35000000000000000000")
REQUEST_SENSE = bytes.fromhex("03000000fc00")


def drive(*quirks: str, **traits: float) -> Drive:
    """A drive at time 0 with a 10 s standby timer."""
    return Drive(Traits("bench", 7, timer_s=10, quirks=frozenset(quirks), **traits), 0.0)  # type: ignore[arg-type]


@pytest.mark.parametrize("cdb", [ASK_16, ASK_12])
@pytest.mark.parametrize(("at", "count"), [(1.0, "ff"), (11.0, "00")])
def test_power_mode_is_returned_as_sat_lays_it_out(cdb: bytes, at: float, count: str) -> None:
    """Key 1, 00/1D, one ATA status return descriptor (SAT-3; buffers built from the layout)."""
    answer = drive().execute(cdb, b"", at)
    assert answer.status == CHECK_CONDITION
    assert answer.sense.hex() == f"7201001d0000000e090c000000{count}00000000000000 50".replace(
        " ", ""
    )


def test_timer_runs_from_the_last_read_and_not_from_a_question() -> None:
    """A read at 4 s and questions at 6, 8, 12 s: standby at 14 s exactly."""
    bench = drive()
    bench.execute(READ, b"", 4.0)
    for at in (6.0, 8.0, 12.0):
        bench.execute(ASK_16, b"", at)
    bench.settle(13.9)
    assert bench.mode == "active"
    bench.settle(30.0)
    assert bench.mode == "standby"
    assert bench.log[-1]["at"] == 14.0


def test_restart_timer_quirk_never_sleeps_while_asked() -> None:
    """Asked every 5 s with a 10 s timer it stays up; left alone it sleeps."""
    bench = drive("restart-timer")
    for at in range(5, 60, 5):
        bench.execute(ASK_16, b"", at)
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
    """A flush of a clean cache leaves mode and timer alone."""
    bench = drive()
    bench.execute(SYNCHRONIZE, b"", 9.0)
    bench.execute(SYNCHRONIZE, b"", 20.0)
    assert (bench.mode, bench.wakes) == ("standby", 0)
    assert not any(row["woke"] or row["restarted_timer"] for row in commands(bench.log))


def test_wakes_on_question_quirk() -> None:
    """The question spins it up and comes back FFh after the spin-up time."""
    answer = drive("wakes-on-question").execute(ASK_16, b"", 20.0)
    assert (answer.wait_s, answer.sense[13]) == (1.0, 0xFF)


def test_refusals() -> None:
    """ILLEGAL REQUEST 20/00 without pass-through; ABORTED COMMAND with ERR and ABRT (SPC-4)."""
    rejected = drive("rejects").execute(ASK_16, b"", 1.0).sense
    assert (rejected[2], rejected[12], rejected[13]) == (5, 0x20, 0)
    aborted = drive("aborts").execute(ASK_16, b"", 1.0).sense
    assert (aborted[1], aborted[11], aborted[21]) == (0xB, 0x04, 0x51)


def test_silent_bridge_returns_good_and_nothing() -> None:
    """GOOD status without sense, asleep or awake."""
    answer = drive("no-registers").execute(ASK_16, b"", 20.0)
    assert (answer.status, answer.sense) == (GOOD, b"")


def test_status_clear_looks_like_standby_by_count_alone() -> None:
    """Count 00h and ATA status 00h, although it spins."""
    bench = drive("status-clear")
    sense = bench.execute(ASK_16, b"", 1.0).sense
    assert (sense[13], sense[21], bench.mode) == (0x00, 0x00, "active")


def test_question_ends_sleep() -> None:
    """In Sleep the first answer is all zeros after 0.4 s, the next one FFh."""
    bench = drive()
    bench.execute(bytes.fromhex("85062000000000000000000000 00e600"), b"", 1.0)
    assert bench.mode == "sleep"
    first = bench.execute(ASK_16, b"", 2.0)
    assert (first.wait_s, first.sense[13], first.sense[21]) == (0.4, 0x00, 0x00)
    assert bench.log[-1]["woke"]
    assert bench.execute(ASK_16, b"", 3.0).sense[13] == 0xFF


def test_sas_guise_tells_by_request_sense_only() -> None:
    """GOOD status; 00/00 awake, 5E/02 standby by timer, 5E/04 by command (SPC-4); 85h refused."""
    bench = drive("sas")
    told = [bench.execute(REQUEST_SENSE, b"", at) for at in (1.0, 20.0)]
    assert [answer.status for answer in told] == [GOOD, GOOD]
    assert [answer.data[12:14].hex() for answer in told] == ["0000", "5e02"]
    bench.execute(READ, b"", 21.0)
    bench.execute(bytes.fromhex("1b0000003000"), b"", 23.0)  # START STOP UNIT, STANDBY
    assert bench.execute(REQUEST_SENSE, b"", 24.0).data[12:14].hex() == "5e04"
    assert bench.execute(ASK_16, b"", 25.0).sense[12] == 0x20
    page = bench.execute(bytes.fromhex("120189024000"), b"", 26.0)  # INQUIRY, VPD page 89h
    assert page.status == CHECK_CONDITION


@pytest.mark.parametrize(
    ("code", "seconds"),
    [(0x00, 0), (0x0C, 60), (0xF0, 1200), (0xF1, 1800), (0xFB, 19800), (0xFC, 1260), (0xFF, 1275)],
)
def test_standby_timer_code(code: int, seconds: float) -> None:
    """ACS-3, standby timer periods: not monotonic, FCh is 21 min and FFh 21 min 15 s."""
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
