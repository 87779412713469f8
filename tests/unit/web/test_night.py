"""Last night and the last week in words. Reference: nights worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from spinledger.cli import weekly
from spinledger.facts import DiskView, Rated
from spinledger.findings.woken import NOT_TRACED
from spinledger.model import DAY, HOUR, MINUTE, SECOND, Finding
from spinledger.quiet.hours import Calendar
from spinledger.strip import DiskHistory, Period, SpinUp
from spinledger.web.night import Night, hint, night_json, nights, sentence
from spinledger.web.tables import week_table
from spinledger.web.week import YEAR_NS, Week, life, week_json, weeks
from tests.fakes.recorded import nights as nightly
from tests.fakes.snapshots import WALL_NS, view

NOW = WALL_NS  # Monday 2026-09-21 14:13:20 UTC, 16:13:20 in Prague
PRAGUE = ZoneInfo("Europe/Prague")
ENDED = NOW - 9 * HOUR - 13 * MINUTE - 20 * SECOND  # 07:00 in Prague
BEGAN = ENDED - 9 * HOUR
CALENDARS = {"nights": nightly()}
ALWAYS = NOW - 20 * DAY


def night_of(
    *histories: DiskHistory, views: tuple[DiskView, ...] = (), calendars: object = None
) -> Night:
    """The night of as many disks."""
    disks = views or tuple(view(number) for number in range(len(histories)))
    known = {one.disk.identity: had for one, had in zip(disks, histories, strict=True)}
    (found,) = nights(disks, known, CALENDARS if calendars is None else {}, NOW)
    return found


def slept(hours: float, active: int = 0, spin_ups: int = 0) -> DiskHistory:
    """Asleep for the first hours of the night, spinning before and after."""
    woke = BEGAN + round(hours * HOUR)
    periods = (
        Period(ALWAYS, BEGAN, "spinning", 0),
        Period(BEGAN, woke, "standby", 0),
        Period(woke, ENDED, "spinning", active),
        Period(ENDED, NOW, "spinning", 0),
    )
    ups = tuple(SpinUp(BEGAN + number * MINUTE, True) for number in range(spin_ups))
    return DiskHistory(tuple(one for one in periods if one.ended > one.began), ups)


def words(night: Night) -> str:
    """The sentence, in Prague."""
    return sentence(night, NOW, PRAGUE)


def test_the_sentence_counts_disks() -> None:
    """4.5 of 9 hours are half of them; a disk of which nothing is recorded is counted apart."""
    assert words(night_of(slept(9), slept(4.5), slept(4.4))) == (
        "Last night (22:00 to 07:00): 2 of 3 disks slept at least half of it."
    )
    assert words(night_of(slept(9), slept(0), DiskHistory())) == (
        "Last night (22:00 to 07:00): 1 of 3 disks slept at least half of it; "
        "for 1 disk it is unknown."
    )
    assert words(night_of(slept(9))).endswith(": the disk slept at least half of it.")
    assert words(night_of(slept(1))).endswith(": the disk did not sleep at least half of it.")


def test_other_shares_than_half() -> None:
    """The configured share is named where it is the same for all disks."""

    def with_least(number: int, least: float) -> DiskView:
        plain = view(number)
        policy = replace(plain.policy, quiet_asleep_min=least)
        return replace(plain, facts=replace(plain.facts, policy=policy))

    same = (with_least(0, 0.8), with_least(1, 0.8))
    found = night_of(slept(8), slept(7), views=same)
    assert words(found).endswith(": 1 of 2 disks slept at least 80 % of it.")
    other = (with_least(0, 0.8), with_least(1, 0.2))
    found = night_of(slept(8), slept(7), views=other)
    assert words(found).endswith(": 2 of 2 disks slept as configured.")


def test_what_is_not_known_yet_is_said() -> None:
    """Before anything is recorded, and in the first night, there is no verdict."""
    assert words(night_of(DiskHistory())) == (
        "Last night (22:00 to 07:00): unknown: nothing is recorded yet."
    )
    late = DiskHistory((Period(ENDED - HOUR, NOW, "standby", 0),))
    assert words(night_of(late)) == (
        "Last night (22:00 to 07:00): unknown: the record begins on Mon 21 Sep at 06:00."
    )
    lost = DiskHistory((Period(ALWAYS, NOW, "unobserved", 0),))
    assert words(night_of(lost)).endswith(": unknown: too little was observed.")


def test_without_quiet_hours_it_is_the_last_day() -> None:
    """The last 24 hours are judged, and how to configure quiet hours is said."""
    found = night_of(slept(9), calendars={})
    assert words(found) == "Last 24 hours: the disk did not sleep at least half of it."
    assert "No quiet hours are configured: with `schedules` and `quiet`" in hint([found])
    assert hint([night_of(slept(9))]) == ""


def test_disks_without_quiet_hours_are_not_judged_beside_others() -> None:
    """Where others have quiet hours, such a disk is left out of the verdict, and named."""
    plain = view(1)
    free = replace(plain, facts=replace(plain.facts, policy=replace(plain.policy, quiet=None)))
    disks = (view(0), free)
    histories = {one.disk.identity: slept(0) for one in disks}
    quiet, rest = nights(disks, histories, CALENDARS, NOW)
    assert words(quiet).startswith("Last night (22:00 to 07:00): the disk did not sleep")
    assert words(rest) == "Without quiet hours, the last 24 hours: sdb asleep 0 %."
    assert rest.short == []
    assert hint([quiet, rest]) == ""


def test_a_window_of_days_ago_has_its_date() -> None:
    """Quiet hours of Friday nights alone: on Monday the last window is not last night."""
    friday = nightly().schedule
    windows = tuple(window for window in friday.windows if window.day == 4)
    calendar = Calendar(replace(friday, windows=windows), PRAGUE)
    (found,) = nights((view(0),), {}, {"nights": calendar}, NOW)
    assert words(found).startswith("Quiet hours of Fri 18 Sep (22:00 to 07:00): ")


FINDING = Finding(
    "regular_access",
    "",
    "This disk is accessed at fixed intervals",
    "every 5 min",
    "Find the program",
    "Time",
)


@pytest.mark.parametrize(
    ("history", "findings", "cause", "remedy"),
    [
        (slept(0), (FINDING,), f"accessed at fixed intervals; {NOT_TRACED}", "Find the program"),
        (slept(4, spin_ups=5), (), "spun up 5 times", "record which program uses it: "),
        (slept(0, active=4 * HOUR), (), "active for 4 h", "record which program uses it: "),
        (
            slept(0, active=HOUR),
            (),
            "idle most of the time, without a spin-down",
            "check that its standby timer is set",
        ),
    ],
)
def test_why_a_disk_did_not_sleep(
    history: DiskHistory, findings: tuple[Finding, ...], cause: str, remedy: str
) -> None:
    """A finding that explains it, else what the strip shows; and what to do first."""
    disk = replace(view(0), findings=findings)
    (short,) = night_of(history, views=(disk,)).short
    assert short.cause == cause
    assert short.remedy.startswith(remedy)


def test_the_program_that_woke_it_most_is_named() -> None:
    """It explains the night before any finding does, where it caused more than half of many."""
    pool = replace(FINDING, code="member_keeps_pool_awake", sentence="One member keeps it awake")
    disk = replace(view(0), findings=(pool,))
    plain = slept(1, spin_ups=5)
    named = tuple(
        one._replace(cause="read", actor="indexer") if number < 3 else one
        for number, one in enumerate(plain.spin_ups)
    )
    (short,) = night_of(replace(plain, spin_ups=named), views=(disk,)).short
    assert short.cause == "spun up 5 times, mostly because of indexer"
    assert short.remedy == "Move what indexer reads off this disk, or have it read less often"
    (half,) = night_of(replace(plain, spin_ups=named[1:]), views=(disk,)).short
    assert half.cause == "One member keeps it awake"


def test_a_lost_timer_explains_more_than_its_effect_on_the_pool() -> None:
    """A disk whose timer is lost also keeps its pool awake: the timer is the cause."""
    pool = replace(FINDING, code="member_keeps_pool_awake")
    timer = replace(FINDING, code="timer_not_holding", sentence="It no longer spins down")
    disk = replace(view(0), findings=(pool, timer))
    (short,) = night_of(slept(0), views=(disk,)).short
    assert short.cause == "It no longer spins down"


def test_the_worst_comes_first() -> None:
    """By how far each stays below its own share."""
    found = night_of(slept(3), slept(9), slept(1), slept(2))
    assert [one.view.disk.kernel_name for one in found.short] == ["sdc", "sdd", "sda"]
    (shown,) = night_json([found], NOW, PRAGUE)
    assert isinstance(shown["short"], list)
    assert [one["share"] for one in shown["short"]] == ["asleep 11 %", "asleep 22 %", "asleep 33 %"]


def test_unknown_time_is_named_beside_the_share() -> None:
    """An hour of nine unknown, and still too little."""
    history = DiskHistory(
        (
            Period(ALWAYS, BEGAN + HOUR, "standby", 0),
            Period(BEGAN + HOUR, BEGAN + 2 * HOUR, "unknown", 0),
            Period(BEGAN + 2 * HOUR, NOW, "spinning", 0),
        )
    )
    (short,) = night_of(history).short
    assert short.share == "asleep 11 % (11 % of the time is unknown)"


# The week


def week_of(disk: DiskView, history: DiskHistory) -> Week:
    """One disk's week, in UTC."""
    histories = {disk.disk.identity: history}
    found = nights((disk,), histories, CALENDARS, NOW)
    return weeks(found, histories, NOW, UTC)[disk.disk.identity]


def test_spin_ups_of_a_week() -> None:
    """A spin-up an hour ago on each of seven days: one a day at 13 h UTC, by the ledger's count."""
    ups = tuple(SpinUp(NOW - HOUR - day * DAY, True) for day in reversed(range(9)))
    plain = view(0)
    windows = {**plain.facts.windows}
    windows["7d"] = replace(windows["7d"], count=7)
    disk = replace(plain, facts=replace(plain.facts, windows=windows))
    week = week_of(disk, DiskHistory((Period(ALWAYS, NOW, "spinning", 0),), ups))
    assert (week.cycles, week.per_day) == (7, 1.0)
    assert list(week.by_hour) == [7 if hour == 13 else 0 for hour in range(24)]
    (shown,) = week_json({"d": week})
    assert shown["cycles_by_hour"] == list(week.by_hour)
    young = week_of(disk, DiskHistory((Period(NOW - HOUR, NOW, "spinning", 0),), ups))
    assert young.per_day is None  # 310 spin-ups in an hour are no pace a day


@pytest.mark.parametrize(
    ("years", "text", "soon"),
    [
        ((12.2, 19.8), "12 to 20 years", False),
        ((11.6, 12.4), "about 12 years", False),
        ((2.6, 4.0), "3 to 4 years", True),
        ((0.42, 2.0), "5 months to 2 years", True),
        ((0.08, 0.75), "1 to 9 months", True),
        ((31.0, 70.0), "31 years or more", False),
        ((8.0, None), "8 years or more", False),
        ((55.0, 99.0), "over 50 years", False),
        ((-0.1, 0.2), "used up", True),
    ],
)
def test_years_left(years: tuple[float, float | None], text: str, soon: bool) -> None:
    """Early and late bound in years of 365.25 days; marked within the horizon of three years."""
    early, late = (None if one is None else NOW + round(one * YEAR_NS) for one in years)
    rated = {
        "load": Rated(600_000, "configured", 0.1, early, early, late),
        "start_stop": Rated(50_000, "configured", 0.5, NOW + 100 * YEAR_NS),
    }
    plain = view(0)
    week = week_of(replace(plain, facts=replace(plain.facts, rated=rated)), slept(9))
    assert (week.life, week.ends_soon, week.kind) == (text, soon, "load")


def test_the_kind_of_life_is_named() -> None:
    """40 % of head loads beside 19 % of spindle starts: the page and the terminal name the kind."""
    rated = {
        "load": Rated(600_000, "configured", 0.4),
        "start_stop": Rated(50_000, "configured", 0.19),
    }
    plain = view(0)
    disk = replace(plain, facts=replace(plain.facts, rated=rated))
    week = week_of(disk, slept(9))
    assert "40 % of head loads" in week_table([week], False)
    disks = [{"disk": disk.disk.identity, "kernel_name": "sda"}]
    shown = {"disks": disks, "week": week_json({disk.disk.identity: week})}
    assert weekly.life_kinds(shown) == ["Life by head loads: sda"]


def test_without_years() -> None:
    """Not rated; rated and young; used up; no spin-up in 30 days of two weeks or more."""
    plain = view(0)
    rated = {"load": Rated(600_000, "configured", 0.1)}
    known = replace(plain, facts=replace(plain.facts, rated=rated))
    assert life(plain, None) == "not rated"
    assert life(known, None) == "unknown"
    spent = {"load": Rated(600_000, "configured", 1.02)}
    assert life(replace(plain, facts=replace(plain.facts, rated=spent)), None) == "used up"
    totals = replace(
        plain.facts.totals, state_ns=dict.fromkeys(plain.facts.totals.state_ns, 9 * DAY)
    )
    old = replace(known, facts=replace(known.facts, totals=totals))
    assert life(old, None) == "over 50 years"
