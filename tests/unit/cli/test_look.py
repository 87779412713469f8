"""`look`: pages compared as rendered, at several widths, empty, crowded, with odd names."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from spinledger.cli import strips
from spinledger.cli.exporter import histories
from spinledger.cli.look import Picture, render
from spinledger.cli.screen import Screen
from spinledger.model import HOUR, SECOND, State
from spinledger.strip import Range, strip
from spinledger.web.snapshot_json import Json
from tests.fakes.looks import (
    DAY_S,
    NOW_S,
    Samples,
    asleep,
    found,
    history,
    runaway,
    snapshot_of,
    span,
    spin_ups,
)
from tests.fakes.series import changed
from tests.fakes.snapshots import WALL_NS, disk, full_view, view

ESCAPE = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")


def page(shown: Json, width: int = 80, recent: Json | None = None, **more: Any) -> list[str]:
    """The page, in UTC."""
    found = None if recent is None else histories(recent, NOW_S)
    return render(Screen(width), Picture(shown, found, UTC), **more)


NIGHT = [
    "Last night (22:00 to 07:00): 1 of 3 disks slept at least half of it; for 1 disk",
    "it is unknown.",
    "  sdb asleep 0 %: this disk has never slept.",
    "    First: set its timer again.",
]
"""Disk 0 slept, disk 1 spun; nothing is recorded of disk 2."""


def test_the_page_at_80_columns() -> None:
    """A sleeping disk, a runaway with a finding, and one in an unknown state."""
    shown = snapshot_of(asleep(0), found(runaway(1)), view(2, State.UNKNOWN))
    assert page(shown, recent=history()) == [
        "Mon 21 Sep 14:13  3 disks: 1 asleep, 1 active, 1 unknown; 1 finding below",
        *NIGHT,
        "",
        "DISK             STATE    FOR SPIN-UPS/DAY LAST 24 HOURS            ASLEEP",
        "                                              18    00    06    12",
        "sda LAB HDD 7200 asleep  3h00     1 of 2   _______________________1    96%",
        "sdb LAB HDD 7200 active  3h00    61 of 2 ! ....--------------------     0%",
        "sdc LAB HDD 7200 unknown   1m    0 of 24                                 -",
        "",
        "_ asleep  - spinning  . unobserved  1-9, + spin-ups in that hour",
        "! over its limit: sdb 310 of 38 in 7 d",
        "The budget is a mean of many days. A limit is the count in a window that a disk",
        "within its budget would reach by chance less than once in a thousand years;",
        "alerts use the limits.",
        "sdc: state unknown: no answer at the deadline.",
        "Life of sdb: 102% of its rated spindle starts used; the rating is used up.",
        "Life of sda: 31% of its rated spindle starts used; at this pace the rest will",
        "last 12 to 20 years. A rating is a design figure; it does not forecast a",
        "failure.",
        "",
        "! sdb: This disk has never slept.",
        "  Evidence:  it idled for 6 h.",
        "  Try:       Set its timer again.",
        "  Cost:      A short timer costs spin-ups.",
        "  Ask first: the drive maker's document.",
        "  Or:        A background scan: it ends by itself.",
    ]


def test_the_page_at_120_columns_has_more() -> None:
    """Pool and used life are added where there is room; nothing else changes."""
    heading, _, row = page(snapshot_of(asleep(0)), 120, recent=history())[3:6]
    assert (
        heading
        == f"{'DISK':16} STATE   FOR SPIN-UPS/DAY {'LAST 24 HOURS':24} ASLEEP POOL   LIFE USED"
    )
    assert (
        row == f"sda LAB HDD 7200 asleep 3h00{'1 of 2':>11}   {'_' * 23}1    96% plates       31%"
    )


def test_a_narrow_page_keeps_what_matters() -> None:
    """At 40 columns disk, state, age and spin-ups are left, and no line is longer."""
    lines = page(snapshot_of(asleep(0), found(runaway(1))), 40, recent=history())
    at = lines.index("DISK            STATE   FOR SPIN-UPS/DAY")
    assert lines[at : at + 3] == [
        "DISK            STATE   FOR SPIN-UPS/DAY",
        "sda LAB HDD 7.. asleep 3h00     1 of 2",
        "sdb LAB HDD 7.. active 3h00    61 of 2 !",
    ]
    assert max(map(len, lines)) <= 40
    assert not any("spin-ups in that hour" in line for line in lines)


def test_a_page_that_is_watched_is_short() -> None:
    """Of a finding the evidence, the fix and its cost are left; the table is whole."""
    shown = snapshot_of(asleep(0), found(runaway(1)))
    lines, short = page(shown, recent=history()), page(shown, recent=history(), brief=True)
    assert short == [line for line in lines if line[:6] not in ("  Ask ", "  Or: ")]
    assert len(short) == len(lines) - 2


def test_a_state_that_began_unobserved_is_marked() -> None:
    """Over a restart a disk slept for longer than is known; an idle one was in use since."""
    found_so = changed(asleep(0), since_seen=False)
    touched = view(1, State.IDLE)
    touched = changed(touched, untouched_wall_ns=touched.facts.since_wall_ns + 40 * SECOND)
    lines = page(snapshot_of(found_so, touched))
    assert any(line.startswith("sda LAB HDD 7200 asleep >3h00 ") for line in lines)
    assert any(line.startswith("sdb LAB HDD 7200 idle     20s ") for line in lines)
    assert any(line.startswith("> at least: the state began") for line in lines)
    assert not any("> at least" in line for line in page(snapshot_of(asleep(0))))


def test_no_disk() -> None:
    """An empty host is one sentence."""
    assert page(snapshot_of()) == ["Mon 21 Sep 14:13  No rotating disk found.", ""]


def test_without_history_it_says_so() -> None:
    """The strip is left out, and one line says why; the rest stays."""
    lines = page(snapshot_of(asleep(0)))
    assert "DISK             STATE   FOR SPIN-UPS/DAY POOL   LIFE USED" in lines
    assert "This exporter keeps no history, so the last 24 hours cannot be shown." in lines


def test_without_an_exporter_it_says_so() -> None:
    """One sample of the counters does not show a state; the address that was tried is named."""
    absent = "http://127.0.0.1:9786: nothing answers (connection refused)"
    picture = Picture(snapshot_of(view(0, State.UNKNOWN)), None, UTC, absent)
    lines = render(Screen(80), picture)
    assert f"No exporter: {absent}. This is one sample" in " ".join(lines)
    assert not any("no answer at the deadline" in line for line in lines)


def test_sixty_disks_with_one_finding() -> None:
    """One line a disk, one finding for all that have it, six of them named."""
    views = [found(asleep(n), f"it idled for {n % 5} h") for n in range(60)]
    lines = page(snapshot_of(*views), recent=history())
    assert sum(line.startswith("sd") for line in lines) == 60
    assert [line for line in lines if line.startswith("! ")] == [
        "! sda, sdb, sdc, sdd, sde, sdf and 54 more: This disk has never slept."
    ]
    assert [line for line in lines if "Evidence" in line] == [
        "  Evidence:  sda, sdf, sdk, sdp, sdu, sdz and 6 more: it idled for 0 h.",
        "  Evidence:  sdb, sdg, sdl, sdq, sdv, sda and 6 more: it idled for 1 h.",
        "  Evidence:  sdc, sdh, sdm, sdr, sdw, sdb and 6 more: it idled for 2 h.",
        "  Evidence:  and 2 more.",
    ]
    assert max(map(len, lines)) <= 80


@pytest.mark.parametrize("width", [60, 80, 120, 200])
@pytest.mark.parametrize("week", [False, True])
def test_long_and_hostile_names_stay_in_their_column(width: int, week: bool) -> None:
    """A model with an escape sequence and a pool of 90 characters break neither line nor screen."""
    odd = asleep(0)
    named = replace(odd.disk, model="ARCHIVE \x1b[2J\n" + "X" * 50, pool="p" * 90)
    lines = page(
        snapshot_of(changed(odd, disk=named), runaway(1)), width, recent=history(), week=week
    )
    assert not any(ESCAPE.search(line) or "\n" in line for line in lines)
    assert max(map(len, lines)) <= width
    assert sum(line.startswith("sd") for line in lines) == 2
    (row,) = [line for line in lines if line.startswith("sda ARCHIVE ?[")]
    assert ".. " in row


def test_a_power_condition_is_shown() -> None:
    """idle_b says more than idle."""
    assert any(" idle_b " in line for line in page(snapshot_of(full_view(0))))


def test_an_absent_disk_is_named() -> None:
    """A disk the ledger knows and that is not here has its line."""
    lines = page(snapshot_of(asleep(0), absent=True))
    assert "wwn-0x5000c500a1b2ffff: absent for 1d00h." in lines


def test_a_budget_is_proposed_after_two_weeks() -> None:
    """3 spin-ups a day in 80 observed days: 5 would do; a configured budget stays."""
    plain = asleep(0, budget_source="default", budget_per_day=24.0)
    samples: Samples = {"cycles": {("yes",): 240, ("no",): 0}}
    lines = " ".join(page(snapshot_of(changed(plain, samples))))
    assert "sda: the budget is the default; `budget_per_day: 5` would fit" in lines
    young: Samples = {
        **samples,
        "state_seconds": {("standby",): 13 * DAY_S, ("idle",): 0, ("unobserved",): 9 * DAY_S},
    }
    for other in (changed(plain, young), changed(asleep(0), samples)):
        assert "the budget is the default" not in " ".join(page(snapshot_of(other)))


# The week


def test_the_week_at_80_columns() -> None:
    """One line a disk; the finding below in three lines."""
    shown = snapshot_of(asleep(0), found(runaway(1)), view(2, State.IDLE))
    assert page(shown, recent=history(), week=True) == [
        "Mon 21 Sep 14:13  3 disks: 1 asleep, 1 active, 1 idle; 1 finding below",
        *NIGHT,
        "",
        "DISK             LAST NIGHT SPIN-UPS/DAY SPIN-UPS BY HOUR         LIFE LEFT",
        "                                         00    06    12    18",
        "sda LAB HDD 7200 slept 100%   1.0 of 2   .............7.......... 12 to 20 years",
        "sdb LAB HDD 7200 slept 0% !     - of 2 ! ........................ used up !",
        "sdc LAB HDD 7200 unknown       - of 24   ........................ not rated",
        "",
        "Spin-ups: a day, and the budget; by local hour in seven days, . none, + ten or",
        "more.",
        "! slept less than configured, or rated life ends within the horizon",
        "Life by spindle starts: sda and sdb",
        "! over its limit: sdb 310 of 38 in 7 d",
        "The budget is a mean of many days. A limit is the count in a window that a disk",
        "within its budget would reach by chance less than once in a thousand years;",
        "alerts use the limits.",
        "",
        "! sdb: This disk has never slept.",
        "  Evidence:  it idled for 6 h.",
        "  Try:       Set its timer again.",
        "  Cost:      A short timer costs spin-ups.",
    ]


# The strip


DRAWN = [
    ("standby", 6, 4, 0.0),
    ("spinning", 4, 3, 0.9),
    ("spinning", 3, 1.4, 0.1),
    ("unknown", 1.4, 0.9, 0.0),
    ("unobserved", 0.9, None, 0.0),
]


def signs(spans: list[Json], cycles: list[Json]) -> str:
    """The last eight hours of disk 0."""
    found = histories({"spans": spans, "cycles": cycles}, NOW_S)
    shown = Range("", "", 8 * HOUR, HOUR)
    return strips.signs(strip(found[disk(0).identity], shown, WALL_NS))


def test_the_strip() -> None:
    """One sign an hour: the state that lasted longest, or the number of spin-ups."""
    name = disk(0).identity
    spans = [span(name, state, began, ended, active) for state, began, ended, active in DRAWN]
    assert signs(spans, []) == "  __=--."
    many = spin_ups(name, 3.5, *[1.5] * 9, *[0.5] * 10)
    assert signs(spans, many) == "  __1-9+"
    assert strips.legend([signs(spans[:2], [])]) == "_ asleep  = mostly active"


@pytest.mark.parametrize(
    ("now", "zone", "drawn"),
    [  # the tz database: Kolkata is 5 h 30 min ahead; Prague's clocks skip 02:00 on 29 March
        ("2026-06-10T14:13", "UTC", "   18    00    06    12"),
        ("2026-06-10T14:00", "UTC", "    18    00    06    12"),
        ("2026-06-10T14:00", "Asia/Kolkata", "    18    00    06    12"),
        ("2026-06-10T00:30", "UTC", "     06    12    18    0"),
        ("2026-03-29T14:13", "Europe/Prague", "    18    00   06    12"),
    ],
)
def test_hours_stand_over_the_strip(now: str, zone: str, drawn: str) -> None:
    """Each of 00, 06, 12 and 18 stands over the sign in whose hour it began, by the local clock."""
    place = ZoneInfo(zone)
    moment = datetime.fromisoformat(now).replace(tzinfo=place).timestamp()
    assert strips.ruler(round(moment) * SECOND, place) == drawn
