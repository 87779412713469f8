"""Packed attribute values, from the formats of the public drive database."""

from __future__ import annotations

import pytest

from spinledger.codec import packings

HOURS = 12_345


@pytest.mark.parametrize(
    ("name", "raw", "seconds"),
    [
        # drivedb.h default raw24(raw8): 12,345 hours beside a foreign byte.
        ("hours", 0xAB_0000_0000 | HOURS, HOURS * 3600),
        # msec24hour32: hours in the low 32 bits, milliseconds above.
        ("hours_ms", 0x1234_0000_3039, HOURS * 3600),
        ("minutes", HOURS * 60 + 7, (HOURS * 60 + 7) * 60),
        ("minutes", 0x0001_0000_0000 | 61, 61 * 60),
        ("half_minutes", 241, 7230),
        ("seconds", 86_401, 86_401),
    ],
)
def test_clock_packings(name: str, raw: int, seconds: int) -> None:
    """Each way to count power-on time (smartmontools drivedb.h; smartctl(8) option -v 9)."""
    assert packings.clock_s(name, raw) == seconds


@pytest.mark.parametrize(
    ("raw", "loads"),
    [
        (600_000, None),
        # "1152921/1152733" as some drives are printed: loads above, unloads below.
        (1_152_921 << 24 | 1_152_733, 1_152_921),
        (105 << 24 | 5, 105),
        (5 << 24 | 105, None),  # more unloads than loads
        (600_000 << 24 | 10, None),
        (0xFFFF_FFFF_FFFF, 0xFFFFFF),
    ],
)
def test_a_pair_of_loads_and_unloads(raw: int, loads: int | None) -> None:
    """Loads and unloads in two halves that agree (smartctl(8), -v 193,loadunload)."""
    assert packings.pair(raw) == loads


@pytest.mark.parametrize(
    ("name", "raw", "given"),
    [
        ("start_stops", 65_535, ("start_stops", 65_535)),
        ("start_stops", 1234 | 7 << 16, ("start_stops_raw", 459_986)),
        ("retracts", 50 | 900 << 16, ("retracts_raw", 58_982_450)),
        ("loads", 4000 | 3 << 16, ("loads_raw", 200_608)),
        ("loads", 105 << 24 | 5, ("loads", 105)),
        ("power_on_raw", 1 << 47, ("power_on_raw", 1 << 47)),
    ],
)
def test_meanings(name: str, raw: int, given: tuple[str, int]) -> None:
    """Up to 16 bits a count has one reading (drivedb.h: raw48, raw16); above it goes on raw."""
    assert packings.meaning(name, raw) == given


@pytest.mark.parametrize("row", packings.CLOCKS, ids=lambda row: row.name)
@pytest.mark.parametrize("hours", [4_000, 17_520, 43_830, 87_660])
def test_the_standard_log_shows_the_packing(row: packings.Clock, hours: int) -> None:
    """Beside the hours of Device Statistics a raw value has one reading: the true one."""
    raw = hours * 3600 // row.unit_s
    found = packings.by_hours(raw, hours * 3600)
    assert packings.clock_s(found, raw) == hours * 3600
    assert found == row.name or {found, row.name} <= {"hours", "hours_ms"}


@pytest.mark.parametrize("row", packings.CLOCKS, ids=lambda row: row.name)
@pytest.mark.parametrize("elapsed_s", [36_000, 86_400, 30 * 86_400])
def test_the_pace_shows_the_packing(row: packings.Clock, elapsed_s: int) -> None:
    """Two readings a known time apart distinguish hours, minutes, half minutes and seconds."""
    before = 5_000_000
    after = before + elapsed_s // row.unit_s
    found = packings.by_pace(before, after, elapsed_s)
    assert found == row.name or {found, row.name} <= {"hours", "hours_ms"}


def test_what_cannot_be_known() -> None:
    """Too short a time, a standing counter, and a wild one prove no packing (own rule)."""
    assert packings.by_pace(100, 101, 3600) == ""
    assert packings.by_pace(100, 100, 86_400) == ""
    assert packings.by_pace(100, 100_000_000, 86_400) == ""
    assert packings.by_hours(0, 500 * 3600) == ""
