"""`look`: pages compared as rendered, at several widths, empty, crowded, with odd names."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from spinledger.cli import lastday, weekly
from spinledger.cli.look import render
from spinledger.cli.screen import Screen
from spinledger.model import SECOND, State
from tests.fakes.looks import (
    DAY_S,
    HOUR_S,
    NOW_S,
    Json,
    Samples,
    asleep,
    books,
    found,
    given,
    runaway,
    span,
    woken,
)
from tests.fakes.series import changed
from tests.fakes.snapshots import disk, full_view, view

ESCAPE = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")


def page(shown: Json, width: int = 80, **more: Any) -> list[str]:
    """The page, in UTC."""
    return render(Screen(width), shown, live=True, zone=UTC, **more)


def test_the_page_at_80_columns() -> None:
    """A sleeping disk, a runaway with a finding, and one that does not tell."""
    shown = given(asleep(0), found(runaway(1)), view(2, State.UNKNOWN))
    assert page(shown, recorded=books()) == [
        "Mon 21 Sep 14:13  3 disks: 1 asleep, 1 in use, 1 not known; 1 finding below",
        "",
        "DISK             STATE      FOR WAKES/BUDGET LAST 24 H, TO NOW        ASLEEP",
        "                                                18    00    06    12",
        "sda LAB HDD 7200 asleep    3h00        1/2   _______________________1    96%",
        "sdb LAB HDD 7200 in use    3h00       61/2 ! ????--------------------     0%",
        "sdc LAB HDD 7200 not known   1m       0/24                                 -",
        "",
        "_ asleep  - spinning  = mostly in use  ? not known  1-9, + spin-ups in that hour",
        "! not what its owner wants",
        "sdc: not known: no answer at the deadline.",
        "Life of sdb: 102% of its rated spindle starts used, that is all of them.",
        "Life of sda: 31% of its rated spindle starts used; at this pace the rest lasts",
        "12 to 20 years. A rating is a design figure, not a forecast of failure.",
        "",
        "! sdb: This disk has never slept.",
        "  Seen: it idled for 6 h.",
        "  Try:  Set its timer again.",
        "  Mind: A short timer costs spin-ups.",
        "  Ask:  the drive maker's document, first.",
        "  Else: A background scan: it ends by itself.",
    ]


def test_the_page_at_120_columns_has_more() -> None:
    """Pool and used life are added where there is room; nothing else changes."""
    heading, _, row = page(given(asleep(0)), 120, recorded=books())[2:5]
    assert (
        heading
        == f"{'DISK':16} STATE   FOR WAKES/BUDGET {'LAST 24 H, TO NOW':24} ASLEEP POOL   LIFE USED"
    )
    assert row == f"sda LAB HDD 7200 asleep 3h00{'1/2':>11}   {'_' * 23}1    96% plates       31%"


def test_a_narrow_page_keeps_what_matters() -> None:
    """At 40 columns disk, state, age and spin-ups are left, and no line is longer."""
    lines = page(given(asleep(0), found(runaway(1))), 40, recorded=books())
    assert lines[3:6] == [
        "DISK            STATE   FOR WAKES/BUDGET",
        "sda LAB HDD 7.. asleep 3h00        1/2",
        "sdb LAB HDD 7.. in use 3h00       61/2 !",
    ]
    assert max(map(len, lines)) <= 40
    assert not any("spin-ups in that hour" in line for line in lines)


def test_a_page_that_is_watched_is_short() -> None:
    """Of a finding the evidence, the mend and its cost are left; the table is whole."""
    shown = given(asleep(0), found(runaway(1)))
    lines, short = page(shown, recorded=books()), page(shown, recorded=books(), brief=True)
    assert short == [line for line in lines if line[:7] not in ("  Ask: ", "  Else:")]
    assert len(short) == len(lines) - 2


def test_a_state_older_than_the_first_look_is_marked() -> None:
    """Over our own restart a disk slept for longer than we know; an idle one was touched since."""
    found_so = changed(asleep(0), since_seen=False)
    touched = view(1, State.IDLE)
    touched = changed(touched, untouched_wall_ns=touched.facts.since_wall_ns + 40 * SECOND)
    lines = page(given(found_so, touched))
    assert lines[3].startswith("sda LAB HDD 7200 asleep >3h00 ")
    assert lines[4].startswith("sdb LAB HDD 7200 idle     20s ")
    assert any(line.startswith("> at least: it was so already") for line in lines)
    assert not any("> at least" in line for line in page(given(asleep(0))))


def test_no_disk() -> None:
    """An empty host is one sentence."""
    assert page(given()) == ["Mon 21 Sep 14:13  No rotating disk is watched.", ""]


def test_without_history_it_says_so() -> None:
    """The strip is left out, and one line tells why; the rest stays."""
    lines = page(given(asleep(0)))
    assert lines[2] == "DISK             STATE   FOR WAKES/BUDGET POOL   LIFE USED"
    assert "This exporter tells no history, so the last 24 hours cannot be shown." in lines


def test_without_an_exporter_it_says_so() -> None:
    """One look at the counters cannot know a state."""
    lines = render(Screen(80), given(view(0, State.UNKNOWN)), live=False, zone=UTC)
    assert any(line.startswith("No exporter answers") for line in lines)
    assert not any("no answer at the deadline" in line for line in lines)


def test_sixty_disks_with_one_finding() -> None:
    """One line a disk, one finding for all that have it, six of them named."""
    views = [found(asleep(n), f"it idled for {n % 5} h") for n in range(60)]
    lines = page(given(*views), recorded=books())
    assert sum(line.startswith("sd") for line in lines) == 60
    assert [line for line in lines if line.startswith("! ")] == [
        "! sda, sdb, sdc, sdd, sde, sdf and 54 more: This disk has never slept."
    ]
    assert [line for line in lines if "Seen" in line] == [
        "  Seen: sda, sdf, sdk, sdp, sdu, sdz and 6 more: it idled for 0 h.",
        "  Seen: sdb, sdg, sdl, sdq, sdv, sda and 6 more: it idled for 1 h.",
        "  Seen: sdc, sdh, sdm, sdr, sdw, sdb and 6 more: it idled for 2 h.",
        "  Seen: and 2 more alike.",
    ]
    assert max(map(len, lines)) <= 80


@pytest.mark.parametrize("width", [60, 80, 120, 200])
@pytest.mark.parametrize("week", [False, True])
def test_long_and_hostile_names_stay_in_their_column(width: int, week: bool) -> None:
    """A model with an escape sequence and a pool of 90 characters break neither line nor screen."""
    odd = asleep(0)
    named = replace(odd.disk, model="ARCHIVE \x1b[2J\n" + "X" * 50, pool="p" * 90)
    lines = page(given(changed(odd, disk=named), runaway(1)), width, recorded=books(), week=week)
    assert not any(ESCAPE.search(line) or "\n" in line for line in lines)
    assert max(map(len, lines)) <= width
    assert sum(line.startswith("sd") for line in lines) == 2
    (row,) = [line for line in lines if line.startswith("sda ARCHIVE ?[2J?")]
    assert "X.. " in row


def test_a_power_condition_is_told() -> None:
    """idle_b says more than idle."""
    assert any(" idle_b " in line for line in page(given(full_view(0))))


def test_an_absent_disk_is_told() -> None:
    """A disk the ledger knows and that is not here has its line."""
    lines = page(given(asleep(0), absent=True))
    assert "wwn-0x5000c500a1b2ffff: not here since 1d00h ago." in lines


def test_a_budget_is_proposed_after_two_weeks() -> None:
    """3 spin-ups a day in 80 days watched: 5 would do; a configured budget is left alone."""
    plain = asleep(0, budget_source="default", budget_per_day=24.0)
    samples: Samples = {"cycles": {("yes",): 240, ("no",): 0}}
    lines = " ".join(page(given(changed(plain, samples))))
    assert "sda: no budget is set; `budget_per_day: 5` would suit" in lines
    young: Samples = {
        **samples,
        "state_seconds": {("standby",): 13 * DAY_S, ("idle",): 0, ("unobserved",): 9 * DAY_S},
    }
    for other in (changed(plain, young), changed(asleep(0), samples)):
        assert "no budget is set" not in " ".join(page(given(other)))


# The week


def test_the_week_at_80_columns() -> None:
    """One line a disk; the finding below in three lines."""
    shown = given(asleep(0), found(runaway(1)), view(2, State.IDLE))
    assert page(shown, recorded=books(), week=True) == [
        "Mon 21 Sep 14:13  3 disks: 1 asleep, 1 in use, 1 idle; 1 finding below",
        "",
        "DISK             LAST NIGHT WAKES A DAY WOKEN, BY HOUR           LIFE LEFT",
        "                                        00    06    12    18",
        "sda LAB HDD 7200 slept 91%   1.0 of 2   .............7.......... 12 to 20 y",
        "sdb LAB HDD 7200 slept 8% !    - of 2 ! ........................ used up !",
        "sdc LAB HDD 7200 not known    - of 24   ........................ not rated",
        "",
        "Wakes: a day, of the budget; by local hour in seven days, + for ten or more.",
        "! not what its owner wants",
        "",
        "! sdb: This disk has never slept.",
        "  Seen: it idled for 6 h.",
        "  Try:  Set its timer again.",
        "  Mind: A short timer costs spin-ups.",
    ]


def test_the_week_without_history() -> None:
    """Spin-ups come from the snapshot; when they were is not known, and it says so."""
    lines = page(given(asleep(0)), week=True)
    assert lines[2:4] == [
        "DISK             LAST NIGHT WAKES A DAY LIFE LEFT  IN 7 DAYS POOL",
        "sda LAB HDD 7200 slept 91%   1.0 of 2   12 to 20 y         7 plates",
    ]
    assert "This exporter tells no history, so when disks were woken cannot be shown." in lines


@pytest.mark.parametrize(
    ("ends_in", "cycles", "shown"),
    [
        ((2.0, 4.0), 9, "2 to 4 y !"),
        ((3.5, 4.2), 9, "4 y"),
        ((2.0, 60.0), 9, "2 y or more !"),
        ((60.0, 70.0), 9, "over 50 y"),
        (None, 9, "not known"),
        (None, 0, "over 50 y"),
    ],
)
def test_years_left(ends_in: tuple[float, float] | None, cycles: int, shown: str) -> None:
    """Marked where sooner than the owner's horizon of three years; a disk that did not spin up in
    30 days of two weeks or more does not wear.
    """
    plain = asleep(0)
    ends = dict(zip(("early", "late"), ends_in or (), strict=False))
    samples: Samples = {
        "rated_cycles": {("load",): 600_000},
        "rated_life_end": {
            ("load", bound): NOW_S + years * 365.25 * DAY_S for bound, years in ends.items()
        },
        "recent_cycles": {("7d",): 0, ("30d",): cycles},
    }
    lines = page(given(changed(plain, samples, rated={})), week=True)
    assert lines[3].split("of 2")[1].split("  0 ")[0].strip() == shown


def test_the_week_as_json() -> None:
    """The same figures, unrounded."""
    (week,) = weekly.weeks(given(asleep(0)), books(), UTC)
    assert week.json() == {
        "disk": disk(0).identity,
        "slept_last_night_ratio": 0.914,
        "cycles": 7,
        "cycles_per_day": 1.0,
        "budget_per_day": 2.0,
        "over_limit": False,
        "woken_by_hour": ".............7..........",
        "years_left": [pytest.approx(12), pytest.approx(20)],
    }


def test_last_night_without_quiet_hours() -> None:
    """From 22:00 to 06:00 local time; half of it slept."""
    identity = disk(2).identity
    spans = [  # it is 14:13:20, so 06:00 was 8.22 h ago
        span(identity, "spinning", 30, 12.2222222),
        span(identity, "standby", 12.2222222, None),
    ]
    (week,) = weekly.weeks(given(view(2)), {"spans": spans, "cycles": []}, UTC)
    assert week.slept_ratio == pytest.approx(0.5, abs=1e-6)


# What the books say


def test_the_strip() -> None:
    """One sign an hour: the state that lasted longest, or the number of spin-ups."""
    name = disk(0).identity
    spans = [
        span(name, "standby", 6, 4),
        span(name, "spinning", 4, 3, active=0.9),
        span(name, "spinning", 3, 1.4, active=0.1),
        span(name, "unknown", 1.4, None),
    ]
    assert lastday.strip(spans, [], NOW_S, hours=8) == "  __=--?"
    many = woken(name, 3.5, *[1.5] * 9, *[0.5] * 10)
    assert lastday.strip(spans, many, NOW_S, hours=8) == "  __1-9+"


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
    assert lastday.ruler(moment, place) == drawn


def test_the_strip_ignores_what_is_older() -> None:
    """A span and a spin-up of last week are not in the last day."""
    name = disk(0).identity
    week_ago = span(name, "standby", 200, 150)
    assert lastday.strip([week_ago], woken(name, 24.0, 199.0), NOW_S) == "1" + " " * 23


@pytest.mark.parametrize(
    ("now", "began", "ended"),
    [
        ("2026-03-29T12:00", "2026-03-28T22:00+01:00", "2026-03-29T06:00+02:00"),
        ("2026-10-25T12:00", "2026-10-24T22:00+02:00", "2026-10-25T06:00+01:00"),
        ("2026-06-10T05:59", "2026-06-08T22:00+02:00", "2026-06-09T06:00+02:00"),
        ("2026-06-10T23:00", "2026-06-09T22:00+02:00", "2026-06-10T06:00+02:00"),
    ],
)
def test_last_night_is_local(now: str, began: str, ended: str) -> None:
    """Seven hours when summer time begins, nine when it ends (European Union, directive 2000/84:
    last Sundays of March and October); before six it is the night before last.
    """
    prague = ZoneInfo("Europe/Prague")
    moment = datetime.fromisoformat(now).replace(tzinfo=prague).timestamp()
    told_s = lastday.last_night(moment, prague)
    assert told_s == tuple(datetime.fromisoformat(one).timestamp() for one in (began, ended))


def test_a_night_nobody_saw_is_not_known() -> None:
    """Under nine tenths seen there is no share; unknown time is not seen."""
    name = disk(0).identity
    seen = [span(name, "standby", 10, 3), span(name, "unknown", 3, 2)]
    night = NOW_S - 10 * HOUR_S, NOW_S - 2 * HOUR_S
    assert lastday.slept(seen, *night) is None
    assert lastday.slept([*seen[:1], span(name, "spinning", 3, 2)], *night) == pytest.approx(7 / 8)


def test_an_unwatched_week_has_no_pace() -> None:
    """310 spin-ups in 20 hours that somebody watched are no pace a day."""
    (week,) = weekly.weeks(given(runaway(1)), books(), UTC)
    assert (week.cycles, week.per_day, week.over) == (310, None, True)
