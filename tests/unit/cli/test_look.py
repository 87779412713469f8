"""`look`: pages compared as rendered, at several widths, empty, crowded, with odd names."""

from __future__ import annotations

import argparse
import io
import json
import re
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from threading import Thread
from typing import Any
from urllib.parse import parse_qs, urlparse
from zoneinfo import ZoneInfo

import pytest

from spinledger.cli import look, recent, screen, weekly
from spinledger.cli.look import render
from spinledger.cli.screen import Screen
from spinledger.model import SECOND, DiskView, Finding, Labels, Number, Policy, State
from spinledger.web.snapshot_json import snapshot_json
from tests.fakes.snapshots import WALL_NS, disk, full_view, snapshot, view

Json = dict[str, Any]
Samples = Mapping[str, Mapping[Labels, Number]]

NOW_S = WALL_NS / SECOND  # Monday 2026-09-21 14:13:20 UTC (date -u -d @1790000000)
HOUR_S = 3600.0
DAY_S = 86400.0
ESCAPE = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")


def told(*views: DiskView, absent: bool = False) -> Json:
    """GET /snapshot of these disks."""
    made = snapshot_json(snapshot(*views))
    if not absent:
        assert isinstance(made["exporter"], dict)
        made["exporter"]["absent_since"] = []
    shown: Json = json.loads(json.dumps(made))
    return shown


def span(name: str, state: str, from_h: float, to_h: float | None, active: float = 0.0) -> Json:
    """A span by hours before now; None: still open."""
    ended = None if to_h is None else NOW_S - to_h * HOUR_S
    seconds = (from_h - (to_h or 0.0)) * HOUR_S
    return {
        "disk": name,
        "state": state,
        "began": NOW_S - from_h * HOUR_S,
        "ended": ended,
        "seconds": seconds,
        "active_seconds": active * seconds,
        "evidence": "moved",
    }


def woken(name: str, *hours_ago: float) -> list[Json]:
    """Spin-ups of a disk."""
    return [{"disk": name, "at": NOW_S - hours * HOUR_S, "witnessed": True} for hours in hours_ago]


def books() -> Json:
    """Disk 0 slept a week but for an hour's use each day; disk 1 spins, and was unseen at first."""
    first, second = disk(0).identity, disk(1).identity
    spans, at = [], 7 * 24.0
    while at > 0:
        spans.append(span(first, "standby", at, at - 23))
        spans.append(span(first, "spinning", at - 23, at - 24 or None, active=0.9))
        at -= 24
    spans.append(span(second, "unwitnessed", 7 * 24, 20))
    spans.append(span(second, "spinning", 20, None, active=0.1))
    cycles = woken(first, *(24.0 * day + 1 for day in range(7)))
    return {"version": 1, "spans": spans, "cycles": cycles, "days": []}


def asleep(number: int, **policy: object) -> DiskView:
    """A disk in standby for three hours, with a schedule that it keeps."""
    plain = view(number, State.STANDBY, pool="plates")
    samples: Samples = {
        **plain.samples,
        "state_seconds": {("standby",): 60 * DAY_S, ("idle",): 20 * DAY_S},
        "recent_cycles": {("1d",): 1, ("7d",): 7},
        "cycle_limit_used_ratio": {("1d",): 0.1, ("7d",): 0.2},
        "quiet_window_asleep_ratio": {(): 0.914},
        "quiet_window_asleep_min_ratio": {(): 0.5},
        "rated_life_used_ratio": {("load",): 0.12, ("start_stop",): 0.31},
        "rated_life_end": {
            ("load", "early"): NOW_S + 30 * weekly.YEAR_S,
            ("load", "late"): NOW_S + 40 * weekly.YEAR_S,
            ("start_stop", "early"): NOW_S + 12 * weekly.YEAR_S,
            ("start_stop", "late"): NOW_S + 20 * weekly.YEAR_S,
        },
    }
    since = WALL_NS - 3 * 3600 * SECOND
    owned = Policy(budget_per_day=2.0, budget_source="configured", quiet="nights")
    return replace(
        plain,
        samples=samples,
        since_wall_ns=since,
        policy=replace(owned, **policy),  # type: ignore[arg-type]
    )


def runaway(number: int) -> DiskView:
    """A disk in use, over its budget, that hardly slept and whose rating is used up."""
    plain = asleep(number)
    samples: Samples = {
        **plain.samples,
        "recent_cycles": {("1d",): 61, ("7d",): 310},
        "cycle_limit_used_ratio": {("1d",): 4.0, ("7d",): 8.0},
        "quiet_window_asleep_ratio": {(): 0.08},
        "rated_life_used_ratio": {("start_stop",): 1.02},
        "rated_life_end": {("start_stop", "early"): NOW_S - 1, ("start_stop", "late"): NOW_S + 9},
    }
    return replace(plain, state=State.ACTIVE, samples=samples)


def found(seen: DiskView, evidence: str = "it idled for 6 h") -> DiskView:
    """The same disk with a finding."""
    finding = Finding(
        "never_slept",
        seen.disk.identity,
        "This disk has never slept",
        evidence,
        "Set its timer again",
        "A short timer costs spin-ups",
        "the drive maker's document",
        ("A background scan: it ends by itself",),
    )
    return replace(seen, findings=(finding,))


def page(shown: Json, width: int = 80, **more: Any) -> list[str]:
    """The page, in UTC."""
    return render(Screen(width), shown, live=True, zone=UTC, **more)


def test_the_page_at_80_columns() -> None:
    """A sleeping disk, a runaway with a finding, and one that does not tell."""
    shown = told(asleep(0), found(runaway(1)), view(2, State.UNKNOWN))
    assert page(shown, booked=books()) == [
        "Mon 21 Sep 14:13  3 disks: 1 asleep, 1 in use, 1 not known; 1 finding below",
        "",
        "DISK             STATE      FOR TODAY/BUDGET LAST 24 H                ASLEEP",
        "sda LAB HDD 7200 asleep    3h00        1/2   _______________________1    75%",
        "sdb LAB HDD 7200 in use    3h00       61/2 ! ????--------------------    75%",
        "sdc LAB HDD 7200 not known   1m       0/24                                0%",
        "",
        "_ asleep  - spinning  = mostly in use  ? not known  1-9, + spin-ups in that hour",
        "! not what its owner wants",
        "sdc: not known: no answer at the deadline.",
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
    heading, row = page(told(asleep(0)), 120, booked=books())[2:4]
    assert (
        heading == f"{'DISK':16} STATE   FOR TODAY/BUDGET {'LAST 24 H':24} POOL   ASLEEP LIFE USED"
    )
    assert row == f"sda LAB HDD 7200 asleep 3h00{'1/2':>11}   {'_' * 23}1 plates    75%       31%"


def test_a_narrow_page_keeps_what_matters() -> None:
    """At 40 columns disk, state, age and spin-ups are left, and no line is longer."""
    lines = page(told(asleep(0), found(runaway(1))), 40, booked=books())
    assert lines[3:6] == [
        "DISK            STATE   FOR TODAY/BUDGET",
        "sda LAB HDD 7.. asleep 3h00        1/2",
        "sdb LAB HDD 7.. in use 3h00       61/2 !",
    ]
    assert max(map(len, lines)) <= 40
    assert not any("spin-ups in that hour" in line for line in lines)


def test_no_disk() -> None:
    """An empty host is one sentence."""
    assert page(told()) == ["Mon 21 Sep 14:13  No rotating disk is watched.", ""]


def test_without_history_it_says_so() -> None:
    """The strip is left out, and one line tells why; the rest stays."""
    lines = page(told(asleep(0)))
    assert lines[2] == "DISK             STATE   FOR TODAY/BUDGET POOL   ASLEEP LIFE USED"
    assert "This exporter tells no history, so the last 24 hours cannot be shown." in lines


def test_without_an_exporter_it_says_so() -> None:
    """One look at the counters cannot know a state."""
    lines = render(Screen(80), told(view(0, State.UNKNOWN)), live=False, zone=UTC)
    assert any(line.startswith("No exporter answers") for line in lines)
    assert not any("no answer at the deadline" in line for line in lines)


def test_sixty_disks_with_one_finding() -> None:
    """One line a disk, one finding for all that have it, six of them named."""
    views = [found(asleep(n), f"it idled for {n % 5} h") for n in range(60)]
    lines = page(told(*views), booked=books())
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
    lines = page(told(replace(odd, disk=named), runaway(1)), width, booked=books(), week=week)
    assert not any(ESCAPE.search(line) or "\n" in line for line in lines)
    assert max(map(len, lines)) <= width
    assert sum(line.startswith("sd") for line in lines) == 2
    (row,) = [line for line in lines if line.startswith("sda ARCHIVE ?[2J?")]
    assert "X.. " in row


def test_a_power_condition_is_told() -> None:
    """idle_b says more than idle."""
    assert any(" idle_b " in line for line in page(told(full_view(0))))


def test_an_absent_disk_is_told() -> None:
    """A disk the ledger knows and that is not here has its line."""
    lines = page(told(asleep(0), absent=True))
    assert "wwn-0x5000c500a1b2ffff: not here since 1d00h ago." in lines


def test_a_budget_is_proposed_after_two_weeks() -> None:
    """3 spin-ups a day in 80 days watched: 5 would do; a configured budget is left alone."""
    plain = asleep(0, budget_source="default", budget_per_day=24.0)
    samples: Samples = {**plain.samples, "cycles": {("yes",): 240, ("no",): 0}}
    lines = " ".join(page(told(replace(plain, samples=samples))))
    assert "sda: no budget is set; `budget_per_day: 5` would suit" in lines
    young: Samples = {
        **samples,
        "state_seconds": {("standby",): 13 * DAY_S, ("unwitnessed",): 9 * DAY_S},
    }
    for other in (replace(plain, samples=young), replace(asleep(0), samples=samples)):
        assert "no budget is set" not in " ".join(page(told(other)))


# The week


def test_the_week_at_80_columns() -> None:
    """One line a disk; the finding below in three lines."""
    shown = told(asleep(0), found(runaway(1)), view(2, State.IDLE))
    assert page(shown, booked=books(), week=True) == [
        "Mon 21 Sep 14:13  3 disks: 1 asleep, 1 in use, 1 idle; 1 finding below",
        "",
        "DISK             LAST NIGHT A DAY/BUDGET WOKEN, BY HOUR 0-23      LIFE LEFT",
        "sda LAB HDD 7200 slept 91%       1.0/2   .............7.......... 12 to 20 y",
        "sdb LAB HDD 7200 slept 8% !        -/2 ! ........................ used up !",
        "sdc LAB HDD 7200 not known        -/24   ........................ -",
        "",
        "Spin-ups of seven days by local hour, + for ten and more.  ! not what its owner",
        "wants",
        "",
        "! sdb: This disk has never slept.",
        "  Seen: it idled for 6 h.",
        "  Try:  Set its timer again.",
        "  Mind: A short timer costs spin-ups.",
    ]


def test_the_week_without_history() -> None:
    """Spin-ups come from the snapshot; when they were is not known, and it says so."""
    lines = page(told(asleep(0)), week=True)
    assert lines[2:4] == [
        "DISK             LAST NIGHT SPIN-UPS A DAY/BUDGET LIFE LEFT",
        "sda LAB HDD 7200 slept 91%         7      1.0/2   12 to 20 y",
    ]
    assert "This exporter tells no history, so when disks were woken cannot be shown." in lines


def test_the_week_as_json() -> None:
    """The same figures, unrounded."""
    (week,) = weekly.weeks(told(asleep(0)), books(), UTC)
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
    (week,) = weekly.weeks(told(view(2)), {"spans": spans, "cycles": []}, UTC)
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
    assert recent.strip(spans, [], NOW_S, hours=8) == "  __=--?"
    many = woken(name, 3.5, *[1.5] * 9, *[0.5] * 10)
    assert recent.strip(spans, many, NOW_S, hours=8) == "  __1-9+"


def test_the_strip_ignores_what_is_older() -> None:
    """A span and a spin-up of last week are not in the last day."""
    name = disk(0).identity
    week_ago = span(name, "standby", 200, 150)
    assert recent.strip([week_ago], woken(name, 24.0, 199.0), NOW_S) == "1" + " " * 23


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
    told_s = recent.last_night(moment, prague)
    assert told_s == tuple(datetime.fromisoformat(one).timestamp() for one in (began, ended))


def test_a_night_nobody_saw_is_not_known() -> None:
    """Under nine tenths seen there is no share; unknown time is not seen."""
    name = disk(0).identity
    seen = [span(name, "standby", 10, 3), span(name, "unknown", 3, 2)]
    night = NOW_S - 10 * HOUR_S, NOW_S - 2 * HOUR_S
    assert recent.slept(seen, *night) is None
    assert recent.slept([*seen[:1], span(name, "spinning", 3, 2)], *night) == pytest.approx(7 / 8)


def test_an_unwatched_week_has_no_pace() -> None:
    """310 spin-ups in 20 hours that somebody watched are no pace a day."""
    (week,) = weekly.weeks(told(runaway(1)), books(), UTC)
    assert (week.cycles, week.per_day, week.over) == (310, None, True)


# The terminal


def test_colour_says_nothing_that_words_do_not() -> None:
    """With the codes taken out the page is the plain one; without a terminal there are none."""
    shown = told(asleep(0), found(runaway(1)), view(2, State.UNKNOWN))
    for week in (False, True):
        plain = render(Screen(80), shown, True, books(), week, UTC)
        coloured = render(Screen(80, coloured=True), shown, True, books(), week, UTC)
        assert coloured != plain
        assert [ESCAPE.sub("", line) for line in coloured] == plain


class Terminal(io.StringIO):
    """Standard output that says it is a terminal."""

    def isatty(self) -> bool:
        """It is."""
        return True


@pytest.mark.parametrize(
    ("environment", "coloured"),
    [
        ({"TERM": "xterm"}, True),
        ({"TERM": "xterm", "NO_COLOR": "1"}, False),
        ({"TERM": "xterm", "NO_COLOR": ""}, True),
        ({"TERM": "dumb"}, False),
    ],
)
def test_who_gets_colour(
    environment: dict[str, str], coloured: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """no-color.org: set and not empty, regardless of its value, means no colour."""
    monkeypatch.setattr(sys, "stdout", Terminal())
    assert screen.of_terminal(environment).coloured == coloured
    monkeypatch.setattr(sys, "stdout", io.StringIO())
    assert not screen.of_terminal(environment).coloured


def test_watching_draws_over_the_last_page() -> None:
    """ECMA-48: CUP to the corner, EL after each line, ED at the end; no more lines than rows."""
    parts: list[str] = []
    screen.animate(Screen(80, rows=6), [f"line {n}" for n in range(9)], parts.append)
    drawn = "".join(parts)
    assert drawn.startswith("\x1b[Hline 0\x1b[K\n")
    assert drawn.endswith("(5 more lines; `spinledger look` shows all)\x1b[K\n\x1b[J")
    assert drawn.count("\n") == 5


@contextmanager
def exporter(shown: Json, history: Json | None) -> Iterator[tuple[int, list[str]]]:
    """An HTTP server with /snapshot and perhaps /history; its port and the paths asked for."""
    asked: list[str] = []

    class Answers(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            body = {"/snapshot": shown, "/history": history}.get(urlparse(self.path).path)
            self.send_response(404 if body is None else 200)
            self.end_headers()
            self.wfile.write(json.dumps(body).encode())

        def log_message(self, format: str, *args: object) -> None:
            """Silent."""

    server = HTTPServer(("127.0.0.1", 0), Answers)
    thread = Thread(target=server.serve_forever)
    thread.start()
    try:
        yield server.server_port, asked
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def command(folder: Path, port: int, *options: str) -> int:
    """Run the command against an exporter at that port; its exit code."""
    path = folder / "spinledger.yml"
    path.write_text(f"listen: 127.0.0.1:{port}\n")
    parser = argparse.ArgumentParser()
    look.add_arguments(parser)
    return look.run(parser.parse_args(["--config", str(path), *options]))


@pytest.mark.parametrize("held", [False, True])
def test_the_exit_code_tells_of_findings(
    tmp_path: Path, held: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    """1 with a finding, 0 without, whatever form is asked for."""
    one = asleep(0)
    with exporter(told(found(one) if held else one), books()) as (port, _):
        for options in ([], ["--week"], ["--json"], ["--week", "--json"]):
            assert command(tmp_path, port, *options) == int(held)
    assert "1 asleep" in capsys.readouterr().out


@pytest.mark.parametrize(("options", "days"), [([], 1), (["--week"], 7)])
def test_the_books_are_asked_for_by_the_exporters_own_time(
    tmp_path: Path, options: list[str], days: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """A simulated exporter's now is not ours: `since` is counted from its snapshot."""
    with exporter(told(asleep(0)), books()) as (port, asked):
        command(tmp_path, port, *options)
    assert asked[0] == "/snapshot"
    (since,) = parse_qs(urlparse(asked[1]).query)["since"]
    assert datetime.fromisoformat(since).timestamp() == NOW_S - days * DAY_S
    assert len(asked) == 2
    assert "7200" in capsys.readouterr().out


def test_json_has_the_week(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The snapshot as it came, and beside it a row a disk."""
    with exporter(told(asleep(0)), None) as (port, _):
        command(tmp_path, port, "--week", "--json")
    shown = json.loads(capsys.readouterr().out)
    assert shown["from_exporter"]
    assert [week["woken_by_hour"] for week in shown["week"]] == [None]
    assert shown["week"][0]["cycles"] == 7


def test_watching_ends_with_an_interrupt(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Three pictures, the books asked for once, and the exit code of the last picture."""
    pauses: list[float] = []

    def sleep(seconds: float) -> None:
        pauses.append(seconds)
        if len(pauses) == 3:
            raise KeyboardInterrupt

    monkeypatch.setattr("spinledger.cli.look.time.sleep", sleep)
    with exporter(told(found(asleep(0))), books()) as (port, asked):
        assert command(tmp_path, port, "--watch") == 1
    assert sum(path == "/snapshot" for path in asked) == 3
    assert sum(path.startswith("/history") for path in asked) == 1
    assert "\x1b" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(-5, "0s"), (59, "59s"), (60, "1m"), (3599, "59m"), (11_100, "3h05"), (180_000, "2d02h")],
)
def test_lengths_of_time(seconds: float, text: str) -> None:
    """At most seven characters."""
    assert look.span_text(seconds) == text
