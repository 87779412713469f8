"""Readings of the drive's own counters: merged, judged, rated."""

from __future__ import annotations

from dataclasses import replace

import pytest

from spinledger.errors import Misuse
from spinledger.model import Command, Policy, Record, Worn
from spinledger.wear import ratings, reading
from tests.fakes.facts import DISK

C = Command
SMART = Record(
    C.SMART_READ_DATA,
    {"start_stops": 50, "loads": 5678, "retracts": 7, "power_cycles": 40, "power_on_raw": 20_000},
)
GENERAL = Record(C.DEVICE_STATISTICS_GENERAL, {"power_cycles": 41, "power_on_s": 72_000_000})
ROTATING = Record(
    C.DEVICE_STATISTICS_ROTATING, {"loads": 5700, "retracts": 8, "spindle_s": 63_205_200}
)
DAY_S = 86_400


def merged(*records: Record, before: Worn | None = None, elapsed_s: int = 0) -> Worn:
    """A reading at no particular time."""
    return reading.merge("d", 1, records, before, elapsed_s)


def test_the_standards_log_is_preferred() -> None:
    """Device Statistics before vendor attributes, counter by counter (own rule)."""
    worn = merged(SMART, GENERAL, ROTATING)
    assert (worn.loads, worn.retracts, worn.power_cycles) == (5700, 8, 41)
    assert (worn.start_stops, worn.power_on_s, worn.spindle_s) == (50, 72_000_000, 63_205_200)
    assert reading.origins(worn)["start_stops"] == "smart_read_data"
    assert reading.origins(worn)["loads"] == "device_statistics_rotating"


def test_a_counter_keeps_its_source() -> None:
    """A log that is missing once does not make another record's figure count as a fall."""
    first = merged(SMART, GENERAL, ROTATING)
    second = merged(SMART, GENERAL, before=first)
    assert second.loads is None
    assert second.start_stops == 50
    kept = reading.baseline(first, reading.judge(second, first, DAY_S))
    assert kept.loads == 5700
    third = merged(SMART, GENERAL, ROTATING, before=kept)
    assert third.loads == 5700
    alone = merged(SMART)
    assert merged(SMART, ROTATING, before=alone).loads == 5678


def test_scsi_records() -> None:
    """Pages 0Eh and 1Ah of mode give counts, ratings and the standby timer."""
    cycles = Record(C.START_STOP_LOG, {"start_stops": 9, "loads": 90, "rated_load": 600_000})
    timers = Record(C.POWER_CONDITION_MODE, {"standby_z_ms": 1_200_000})
    worn = merged(cycles, timers)
    assert (worn.start_stops, worn.loads, worn.rated_load) == (9, 90, 600_000)
    assert (worn.timer_ms, worn.rated_start_stop, worn.power_on_s) == (1_200_000, None, None)


IDENTIFY = Record(
    C.IDENTIFY_DEVICE,
    {"apm_level": 0x80, "epc_supported": 1, "epc_enabled": 1},
)
CONDITIONS = Record(C.POWER_CONDITIONS_LOG, {"idle_b_ms": 120_000, "standby_z_ms": 1_200_000})


def test_what_the_drive_says_of_its_power_management() -> None:
    """APM level, EPC and the timers of its power conditions, as the records have them."""
    worn = merged(IDENTIFY, CONDITIONS)
    assert (worn.apm, worn.epc, worn.timer_ms) == (0x80, 1, 1_200_000)
    assert reading.power_timers(worn) == {"idle_b": 120_000, "standby_z": 1_200_000}
    assert reading.power_timers(merged(SMART)) == {}


def test_a_timer_of_a_feature_set_that_is_off_is_none() -> None:
    """Timers of the Power Conditions log run only while EPC is enabled (ACS-3, from memory)."""
    off = replace(IDENTIFY, values={**IDENTIFY.values, "epc_enabled": 0})
    worn = merged(off, CONDITIONS)
    assert (worn.epc, worn.timer_ms) == (0, None)
    assert reading.power_timers(worn)["standby_z"] == 1_200_000


def test_apm_that_is_off_differs_from_apm_that_was_not_read() -> None:
    """IDENTIFY data without a level say off; without IDENTIFY data the last word is kept."""
    first = merged(IDENTIFY, CONDITIONS)
    silent = merged(SMART, before=first)
    assert (silent.apm, silent.epc, silent.timers) == (None, None, "")
    kept = reading.baseline(first, reading.judge(silent, first, DAY_S))
    assert (kept.apm, kept.epc, kept.timers) == (0x80, 1, first.timers)
    off = merged(Record(C.IDENTIFY_DEVICE, {"gpl": 1}), before=kept)
    assert reading.baseline(kept, reading.judge(off, kept, DAY_S)).apm == 0


@pytest.mark.parametrize(
    ("unit_s", "packing"), [(3600, "hours"), (60, "minutes"), (30, "half_minutes"), (1, "seconds")]
)
def test_the_packing_is_found_out(unit_s: int, packing: str) -> None:
    """Not known until the drive's own pace over a day shows it, and kept from then on."""
    raw = 9_000_000 // unit_s
    first = merged(Record(C.SMART_READ_DATA, {"power_on_raw": raw}))
    assert (first.packing, first.power_on_s) == ("", None)
    after = Record(C.SMART_READ_DATA, {"power_on_raw": raw + DAY_S // unit_s})
    second = merged(after, before=first, elapsed_s=DAY_S)
    assert second.packing == packing
    assert second.power_on_s == (raw + DAY_S // unit_s) * unit_s
    judged = reading.judge(second, first, DAY_S)
    assert judged.verdict == reading.ACCEPTED
    third = merged(after, before=reading.baseline(first, judged), elapsed_s=60)
    assert third.packing == packing


def test_the_standards_hours_show_the_packing() -> None:
    """Beside Device Statistics hours attribute 9 needs no guess: 1,200,000 minutes here."""
    minutes = Record(C.SMART_READ_DATA, {"power_on_raw": 1_200_000})
    assert merged(minutes, GENERAL).packing == "minutes"


def test_the_cross_check_has_what_no_record_has() -> None:
    """Its counters are last in order; its hours say how to read attribute 9."""
    second = {"loads": 1, "retracts": 3, "power_on_s": 1_200_000 * 60}
    minutes = Record(C.SMART_READ_DATA, {"power_on_raw": 1_200_000, "loads": 2})
    worn = reading.merge("d", 1, [minutes], second=second)
    assert (worn.loads, worn.retracts) == (2, 3)
    assert (worn.packing, worn.power_on_s) == ("minutes", 1_200_000 * 60)
    assert reading.origins(worn)["power_on_s"] == "smart_read_data"
    alone = reading.merge("d", 1, [], second=second)
    assert (alone.loads, alone.power_on_s) == (1, 1_200_000 * 60)


def test_a_cross_check_that_disagrees() -> None:
    """More than one count or one hour apart; the standard's own log is not compared."""
    worn = merged(SMART, ROTATING)
    second = {"start_stops": 51, "power_cycles": 42, "loads": 1, "power_on_s": 20_001 * 3600}
    found = reading.disagreements(worn, second)
    assert [(one.counter, one.reason) for one in found] == [("power_cycles", "disagrees")]
    assert reading.disagreements(worn, {}) == ()


def test_the_standards_hours_stay_the_source() -> None:
    """Where the hours came from the log, attribute 9 does not take over while that is missing."""
    first = merged(SMART, GENERAL)
    assert merged(SMART, before=first).power_on_s is None


WORN = Worn("d", 0, 50, 5678, 40, 20_000 * 3600, None, None, None, "", 7, 17_000 * 3600)


@pytest.mark.parametrize(
    ("change", "elapsed_s", "counter", "reason"),
    [
        ({"loads": 5677}, DAY_S, "loads", "fell"),
        ({"start_stops": 0}, DAY_S, "start_stops", "fell"),
        ({"power_on_s": 3600}, DAY_S, "power_on_s", "fell"),
        ({"loads": 5678 + 3603}, 3600, "loads", "too_fast"),
        ({"start_stops": 50 + 723}, 3600, "start_stops", "too_fast"),
        ({"power_on_s": 30_000 * 3600}, DAY_S, "power_on_s", "too_fast"),
        ({"retracts": 65_535}, DAY_S // 2, "retracts", "too_fast"),
        ({"spindle_s": 20_100 * 3600}, 5_000 * 3600, "spindle_s", "too_high"),
    ],
)
def test_refused(change: dict[str, int], elapsed_s: int, counter: str, reason: str) -> None:
    """A fall, a jump, a motor older than its drive: that counter is refused, the rest is kept."""
    judged = reading.judge(replace(WORN, **change), WORN, elapsed_s)  # type: ignore[arg-type]
    assert (judged.verdict, [one.counter for one in judged.objections]) == (reason, [counter])
    assert judged.objections[0].reason in reading.REASONS
    assert getattr(judged.worn, counter) is None
    others = {"loads", "start_stops", "power_on_s", "retracts", "spindle_s", "power_cycles"}
    for name in others - {counter}:
        assert getattr(judged.worn, name) == getattr(WORN, name)
    assert getattr(reading.baseline(WORN, judged), counter) == getattr(WORN, counter)


@pytest.mark.parametrize(
    ("loads", "hours", "verdict"),
    [
        (14_907_336, 17_557, "accepted"),  # a recorded drive, 14 a minute: much, but possible
        (3600 * 100, 100, "accepted"),
        (3600 * 101 + 1, 100, "too_high"),  # over one a second of life
        (1_152_733, 0, "accepted"),  # no age reported
    ],
)
def test_one_load_a_second_of_life(loads: int, hours: int, verdict: str) -> None:
    """More than one load cycle a second of life is no load cycle (common practice, no source)."""
    worn = replace(WORN, loads=loads, power_on_s=hours * 3600, start_stops=None, power_cycles=None,
                   retracts=None, spindle_s=None)  # fmt: skip
    assert reading.judge(worn, None, 0).verdict == verdict


@pytest.mark.parametrize("elapsed_s", [0, 1, 60, DAY_S, 365 * DAY_S])
def test_the_possible_is_accepted(elapsed_s: int) -> None:
    """Nothing happened, or what a busy drive can do in the time: accepted."""
    assert reading.judge(WORN, WORN, elapsed_s).verdict == reading.ACCEPTED
    busy = replace(
        WORN,
        loads=5678 + elapsed_s,
        start_stops=50 + elapsed_s // 5,
        power_on_s=20_000 * 3600 + elapsed_s // 3600 * 3600,
    )
    assert reading.judge(busy, WORN, elapsed_s).objections == ()


def test_time_does_not_run_back() -> None:
    """A reading older than its baseline is our own mistake."""
    with pytest.raises(Misuse):
        reading.judge(WORN, WORN, -1)


def test_ratings() -> None:
    """The configured one, else the drive's, else none: never guessed."""
    given = replace(WORN, rated_load=600_000, rated_start_stop=50_000)
    owner = Policy(rated_load=300_000)
    both = reading.ratings(owner, given)
    assert both["load"] == reading.Rating(300_000, "configured")
    assert both["start_stop"] == reading.Rating(50_000, "drive")
    assert reading.ratings(Policy(), WORN) == {}
    assert reading.ratings(Policy(), None) == {}
    assert reading.used_ratio(150_000, both["load"]) == 0.5
    assert reading.used_ratio(None, both["load"]) is None
    assert reading.used_ratio(5, None) is None


@pytest.mark.parametrize(
    ("starts", "powers", "observed", "missed"),
    [(10, 0, 10, 0), (10, 0, 7, 3), (10, 2, 7, 1), (10, 4, 7, 0), (0, 0, 0, 0), (1, 0, 2, 0)],
)
def test_unobserved(starts: int, powers: int, observed: int, missed: int) -> None:
    """Starts less those of power-on less those in the ledger, floored at 0."""
    after = replace(WORN, start_stops=50 + starts, power_cycles=40 + powers)
    assert reading.unobserved(WORN, after, observed) == missed


def test_unobserved_of_a_scsi_drive() -> None:
    """Page 0Eh has no power cycles: known only while the drive kept its power. Between readings
    taken spinning, completed cycles and starts are as many (MAX3073 manual, 4-66)."""
    before = replace(WORN, power_cycles=None)
    after = replace(before, start_stops=53)
    assert reading.unobserved(before, after, 1) is None
    assert reading.unobserved(before, after, 1, powered_throughout=True) == 2
    assert reading.unobserved(replace(before, start_stops=None), after, 1) is None


@pytest.mark.parametrize(("stops", "observed", "missed"), [(3, 1, 2), (3, 3, 0), (0, 1, 0)])
def test_unobserved_of_a_scsi_drive_over_a_boot(stops: int, observed: int, missed: int) -> None:
    """Page 1Ah counts transitions to standby_z, which a loss of power is not (SCSI Commands
    Reference Manual, p351): they count where page 0Eh cannot; else page 0Eh does."""
    before = replace(WORN, power_cycles=None, to_standby_z=40)
    after = replace(before, start_stops=57, to_standby_z=40 + stops)
    assert reading.unobserved(before, after, observed) == missed
    assert reading.unobserved(before, after, 1, powered_throughout=True) == 6


def test_units_of_one_spindle_are_counted_once() -> None:
    """Logical units that share a spindle show the same counters: one of them is counted."""
    one = replace(DISK, identity="b", device="x")
    two = replace(DISK, identity="a", device="x")
    other = replace(DISK, identity="c", device="y")
    assert reading.one_per_spindle([one, two, other]) == {"a", "c"}
    assert reading.one_per_spindle([]) == frozenset()


@pytest.mark.parametrize(
    ("rating", "a_day"), [(600_000, 328.5), (300_000, 164.3), (50_000, 27.4), (10_000, 5.5)]
)
def test_budget_arithmetic(rating: int, a_day: float) -> None:
    """Over 5 x 365.25 days: 600,000 cycles are 328.5 a day, and so on (by arithmetic)."""
    assert round(ratings.daily_budget(rating), 1) == a_day
    assert ratings.daily_budget(rating) * 1826.25 == pytest.approx(rating)


# Load/unload cycles, start/stop cycles and emergency unloads, typed from each manual's page.
MANUALS = {
    "Ultrastar HC580 specification, 6.5.4, p34": (600_000, None, None),
    "Ultrastar C15K600 specification, 10.1 and 10.2, p45": (600_000, 50_000, None),
    "Travelstar Z5K500 specification, 6.3.6, p27": (600_000, None, 20_000),
    "Travelstar 60GH and 40GN specification, 6.4.6, p42": (300_000, None, 20_000),
    "Microdrive DSCM-11000 specification, 12.4, p66": (300_000, None, 3_000),
}


def test_published_ratings() -> None:
    """Each row has the figures of the manual that it names."""
    rows = {row.source: (row.load, row.start_stop, row.emergency) for row in ratings.PUBLISHED}
    assert rows == MANUALS
