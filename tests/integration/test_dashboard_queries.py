"""Every query of every dashboard and console, run in a real Prometheus with a simulated week.

Outside authority: the installed Prometheus, which parses and evaluates the queries, and the shelf
behind the data: rows are as many as it has disks, kinds, windows or states. Two scenarios: a calm
week, and two days in which a waker runs away, a timer is lost, a guest takes a disk over and the
exporter is down for two hours. Eight disks, so that each is ready in half a minute. Every query is
evaluated at the moment of the last scrape, however long the tests take.
"""

from __future__ import annotations

import json
import math
import re
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from spinledger.sim.rehearse import Rehearsal
from tests.fakes.scraped import INSTANCE, JOB, PATIENCE_S, Month, filled_in, fires, month

FOLDER = Path(__file__).parents[2] / "dashboards"
BOARDS: dict[str, dict[str, Any]] = {
    file.stem: json.loads(file.read_text(encoding="utf-8")) for file in FOLDER.glob("*.json")
}
DISKS = 8
DAYS = 7
ONE = "sim-attic-flats-1"  # wakes most often, so every counter of it moves
SCHEDULED = 7  # the LAB HDD keeps no quiet hours (sim.shelf)
COUNTED = 7  # the SAS drive has no such counter
STATES, WINDOWS, TIMERS, KINDS = 5, 6, 6, 2

# What Grafana would fill in, with everything chosen.
VALUES = {
    "job": ".*",
    "instance": ".*",
    "pool": ".*",
    "disk": ".*",
    "__interval": "1h",
    "__rate_interval": "1h",
    "__range": "6d",
}

SHORT = "a projection needs more than a week"

# Expected rows by dashboard and title: of each query in turn, or why there are none.
ROWS: dict[str, dict[str, list[int] | str]] = {
    "overview": {
        "Disks": [1],
        "Asleep now": [1],
        "Asleep": [1],
        "Spin-ups, last day": [1],
        "Over a limit": [1],
        "Energy saved": [1],
        "Time spinning": [DISKS],
        "All disks": [DISKS] * 5,
        "Who wakes what": [-1, -1, -1],
        "Disks by state": [STATES],
        "Limit used": [DISKS],
        "Budget used, last day": [DISKS],
        "Asleep in the last quiet window": [SCHEDULED],
        "Findings": [1],
        "Oldest sample": [1],
    },
    "disk": {
        "Disk": [1],
        "Time by state": [STATES],
        "Quiet hours": [1],
        "Spin-ups a day": [1, 1],
        "Against the limits": [WINDOWS, WINDOWS, WINDOWS],
        "Spin-ups a day with other timers": [TIMERS],
        "Asleep with other timers": [TIMERS],
        "Standby timer": [1, 1],
        "Power, estimated": [4],
        "Spin-ups by cause": [-1],
        "Who wakes it": [-1, -1, -1],
        "Spin-up wait": [1],
        "Rated life used": [KINDS],
        "Missed spin-ups": [1],
        "Probes an hour": [-1],
        "Failed probes an hour": "every drive answers",
        "Findings": "nothing is wrong with this disk",
    },
    "wear": {
        "Rated life used": [DISKS * KINDS],
        "Years until a rating is used up": SHORT,
        "Ratings": [DISKS * KINDS, DISKS * KINDS, 0],
        "Spindle starts a day": [DISKS],
        "Head loads a day": [DISKS],
        "Power-on time": [COUNTED],
        "Emergency retracts": [COUNTED],
        "Age of the reading": [DISKS],
        "Rejected readings": "every value was plausible",
    },
    "fleet": {
        "Hosts": [1],
        "Disks": [1],
        "Alerts firing": [1],
        "Disks over a limit": [1],
        "Disks by state": [2, 1],
        "Spin-ups of the last day by host": [1],
        "Closest to a limit": [DISKS],
        "Least time asleep": [DISKS],
        "Most alerts": "nothing is wrong with a disk",
        "Asleep now by host": [1],
        "Stalest disks": [DISKS],
        "Time since the last write": [1],
    },
}

# Rows of the faulty days, where they differ; one disk is that of the runaway waker. -1: some.
FAULTY_ROWS: dict[str, dict[str, list[int] | str]] = {
    "overview": {"Findings": [-1]},
    "disk": {"Findings": [-1], "Probes an hour": [-1]},
    "wear": {},
    "fleet": {"Most alerts": [-1]},
}
RUNAWAY, TIMERLESS = "sim-attic-frames-1", "sim-attic-plates-2"  # by sim.faults
FAULTY_DAYS = 2
DOWN_S = 7200.0

PANELS = [
    pytest.param(name, panel, id=f"{name}: {panel['title']}")
    for name, board in BOARDS.items()
    for panel in board["panels"]
]


@pytest.fixture(scope="module")
def week(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Month]:
    """Eight disks, seven days."""
    with month(tmp_path_factory.mktemp("month"), Rehearsal(days=DAYS, disks=DISKS)) as running:
        yield running


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Month]:
    """Eight disks, two days with faults; the alert on the runaway fires at the end."""
    end = datetime.now(UTC) - timedelta(minutes=1)

    def ago(hours: float) -> str:
        return f"{end - timedelta(hours=hours):%Y-%m-%dT%H:%M}+00:00"

    faults = (
        f"runaway_waker@{ago(20)}",
        f"guest_disk@{ago(20)}",
        f"lost_timer@{ago(30)}",
        f"exporter_down_day@{ago(40)}/{ago(40 - DOWN_S / 3600)}",
    )
    folder = tmp_path_factory.mktemp("faulty")
    asked = Rehearsal(days=FAULTY_DAYS, disks=DISKS, faults=faults)
    with month(folder, asked, end.timestamp()) as running:
        assert fires(running, "DiskCyclesRunaway")
        yield running


def result(running: Month, board: str, query: str, disk: str = ONE) -> list[dict[str, Any]]:
    """The rows of a dashboard's query with all disks chosen, or one on the board of one.

    All disks are filled in as Grafana does: by name, so that a series without a disk is not chosen
    by chance.
    """
    every = "|".join(view.disk.identity for view in running.views())
    values = VALUES | {"disk": disk if board == "disk" else f"({every})"}
    return running.probe(filled_in(query, values))


@pytest.mark.parametrize(("board", "panel"), PANELS)
def test_panel_has_the_expected_rows(week: Month, board: str, panel: dict[str, Any]) -> None:
    """Prometheus accepts each query and returns as many rows as expected."""
    found = [len(result(week, board, target["expr"])) for target in panel["targets"]]
    assert as_expected(found, ROWS[board][panel["title"]])


@pytest.mark.parametrize(("board", "panel"), PANELS)
def test_panel_has_its_rows_when_much_is_wrong(
    faulty: Month, board: str, panel: dict[str, Any]
) -> None:
    """The same with faults: alerts and findings have rows now, the others as many as before."""
    due = (ROWS[board] | FAULTY_ROWS[board])[panel["title"]]
    found = [len(result(faulty, board, target["expr"], RUNAWAY)) for target in panel["targets"]]
    assert as_expected(found, due)


def as_expected(found: list[int], due: list[int] | str) -> bool:
    """True where the counts are the expected ones, or none where a reason is given."""
    if isinstance(due, str):
        return not any(found)
    return all(
        count > 0 if want < 0 else count == want for count, want in zip(found, due, strict=True)
    )


def test_every_panel_is_in_the_table() -> None:
    """The table above has each panel, and no other."""
    assert {
        name: {panel["title"] for panel in board["panels"]} for name, board in BOARDS.items()
    } == {name: set(rows) for name, rows in ROWS.items()}
    assert all(set(rows) <= set(ROWS[name]) for name, rows in FAULTY_ROWS.items())


def shown(running: Month, board: str, title: str, at: int = 0, disk: str = ONE) -> list[Any]:
    """The rows of a panel's query."""
    (panel,) = (one for one in BOARDS[board]["panels"] if one["title"] == title)
    return result(running, board, panel["targets"][at]["expr"], disk)


def figure(week: Month, board: str, title: str, at: int = 0) -> list[float]:
    """The values of a panel's query, ascending."""
    return sorted(float(row["value"][1]) for row in shown(week, board, title, at))


def test_the_overview_shows_what_the_simulator_did(week: Month) -> None:
    """Disks, sleep and spin-ups are those of the simulator's own tally.

    increase() extrapolates to the ends of its range, so time has a tolerance: 10 min of scrape
    interval at either end of six days.
    """
    assert figure(week, "overview", "Disks") == [DISKS]
    truth = week.rehearsed.shelf.truth(week.rehearsed.clock.now())
    recent = [view.facts.windows["1d"].count for view in week.views()]
    assert figure(week, "overview", "Spin-ups, last day") == [sum(recent)]
    asleep = sum(one.stopped_ns for one in truth.values()) / 1e9 / (DISKS * DAYS * 86_400)
    assert figure(week, "overview", "Asleep") == pytest.approx([asleep], abs=0.05)
    shares = figure(week, "overview", "Time spinning")
    assert shares[0] >= 0
    assert shares[-1] == pytest.approx(1)  # one disk never sleeps
    by_state = figure(week, "overview", "Disks by state")
    assert sum(by_state) == pytest.approx(DISKS, abs=0.05)


def test_one_disk_shows_its_own_figures(week: Month) -> None:
    """Time adds up, limits are the exporter's, and the present timer's what-if is what happened."""
    assert sum(figure(week, "disk", "Time by state")) == pytest.approx(3600, rel=0.01)
    (view,) = (one for one in week.views() if one.disk.identity == ONE)
    assert figure(week, "disk", "Against the limits", 1) == sorted(
        [window.limit for window in view.facts.windows.values()]
    )
    truth = week.rehearsed.shelf.truth(week.rehearsed.clock.now())[ONE]
    assert figure(week, "disk", "Standby timer") == [300]
    with_timers = figure(week, "disk", "Spin-ups a day with other timers")
    assert with_timers[-1] == pytest.approx(truth.cycles / DAYS, rel=0.1)
    shares = figure(week, "disk", "Asleep with other timers")
    assert all(0 <= share <= 1 for share in shares)


def test_wear_shows_the_drives_counts(week: Month) -> None:
    """A rating's used share is the count over the rating, in the same Prometheus."""
    count = week.probe(f'spinledger_disk_start_stop_cycles_total{{disk="{ONE}"}}')
    rated = week.probe(f'spinledger_disk_rated_cycles{{disk="{ONE}",kind="start_stop"}}')
    used = float(count[0]["value"][1]) / float(rated[0]["value"][1])
    assert any(math.isclose(one, used) for one in figure(week, "wear", "Rated life used"))


def test_the_fleet_shows_every_host(week: Month) -> None:
    """Recording rules of the rule pack, evaluated here, say what the raw series say."""
    assert figure(week, "fleet", "Disks") == [DISKS]
    raw = week.probe("sum by (spinledger_disk_power_state) (spinledger_disk_power_state)")
    disks = {row["metric"]["spinledger_disk_power_state"]: float(row["value"][1]) for row in raw}
    shown_states = figure(week, "fleet", "Disks by state")
    assert shown_states == sorted([disks["standby"], disks["unknown"]])
    spinning = figure(week, "fleet", "Disks by state", 1)
    assert spinning == [disks["active"] + disks["idle"]]
    assert figure(week, "fleet", "Spin-ups of the last day by host") == figure(
        week, "overview", "Spin-ups, last day"
    )


@pytest.mark.parametrize("name", BOARDS)
def test_choices_have_their_values(week: Month, name: str) -> None:
    """Each variable offers what there is: one host, the pools, the disks."""
    due = {"instance": {INSTANCE}, "pool": {"darks", "flats", "frames", "plates"}}
    due["job"] = {JOB}
    disks = [view.disk for view in week.views()]
    due["disk"] = {disk.identity for disk in disks}
    seen = set()
    for variable in BOARDS[name]["templating"]["list"]:
        if variable["type"] != "query":
            continue
        query, label = variable["query"]["query"], "disk"
        if found := re.fullmatch(r"label_values\((.+), (\w+)\)", query):
            query, label = found.groups()
        rows = week.probe(filled_in(query.removeprefix("query_result"), VALUES))
        assert {row["metric"][label] for row in rows} == due[variable["name"]]
        if variable["name"] == "disk":
            # As Grafana writes a row for its regex; JavaScript writes a group without the P.
            shown = re.compile(variable["regex"][1:-2].replace("?<", "?P<"))
            texts = [",".join(f'{k}="{v}"' for k, v in row["metric"].items()) for row in rows]
            pairs = {"".join(g or "" for g in one) for t in texts for one in shown.findall(t)}
            names = {f"{d.model} {d.serial} {d.kernel_name}" for d in disks}
            assert pairs == names | due["disk"]
        seen.add(variable["name"])
    assert seen >= {"job", "instance"}


@pytest.mark.parametrize("name", BOARDS)
def test_marks_of_alerts_can_be_queried(week: Month, name: str) -> None:
    """The annotation's query is accepted; no fault was ordered in that week, so nothing fires."""
    (annotation,) = BOARDS[name]["annotations"]["list"]
    assert result(week, name, annotation["expr"]) == []


@pytest.mark.parametrize("name", BOARDS)
def test_an_alert_is_marked_while_it_fires(faulty: Month, name: str) -> None:
    """The runaway's alert is about a wake group and names no disk: it is marked once on every
    dashboard that shows a disk of the group, and not on that of another group's disk.
    """
    (annotation,) = BOARDS[name]["annotations"]["list"]
    rows = result(faulty, name, annotation["expr"], RUNAWAY)
    runaway = [row["metric"] for row in rows if row["metric"]["alertname"] == "DiskCyclesRunaway"]
    assert [given["wake_group"] for given in runaway] == ["frames"]
    if name == "disk":
        rows = result(faulty, name, annotation["expr"], ONE)
        assert [row for row in rows if row["metric"]["alertname"] == "DiskCyclesRunaway"] == []


def test_the_boards_show_what_is_wrong(faulty: Month) -> None:
    """The disk over its limit, the lost timer and the two hours without an exporter are there.

    By the scenario as ordered; the exporter comes back at its next sample, so the hours are those
    of the order to within ten minutes.
    """
    assert figure(faulty, "overview", "Over a limit") == [1]
    assert figure(faulty, "fleet", "Disks over a limit") == [1]
    assert figure(faulty, "fleet", "Alerts firing")[0] >= 1
    (nearest,) = (
        row for row in shown(faulty, "overview", "Limit used") if row["metric"]["disk"] == RUNAWAY
    )
    assert float(nearest["value"][1]) >= 1
    held = shown(faulty, "disk", "Findings", disk=TIMERLESS)
    assert "timer_not_holding" in {row["metric"]["code"] for row in held}
    unobserved = faulty.probe(
        f'increase(spinledger_disk_state_seconds_total{{disk="{RUNAWAY}",state="unobserved"}}'
        f"[{FAULTY_DAYS}d])"
    )
    assert float(unobserved[0]["value"][1]) == pytest.approx(DOWN_S, abs=600)


def console(week: Month, path: str) -> str:
    """A console as Prometheus serves it; a template that fails is its 500."""
    try:
        with urllib.request.urlopen(
            f"{week.consoles}/consoles/{path}", timeout=PATIENCE_S
        ) as answer:
            text: str = answer.read().decode()
            return text
    except urllib.error.HTTPError as refused:
        raise AssertionError(refused.read().decode()) from refused


def test_the_console_of_all_disks_is_served(week: Month) -> None:
    """One strip and one row a disk, with its spin-ups, names and the way to its own page."""
    text = console(week, "spinledger.html")
    assert re.search(rf"<h1>{DISKS} disks, \d asleep</h1>", text)
    assert text.count('<svg class="strip"') == text.count("</svg>") == DISKS
    rows = re.findall(
        r'<tr role="row"><th role="rowheader" scope="row"><a href="([^"]*)">([^<]*)</a></th>'
        "(.*?)</tr>",
        text,
    )
    assert len(rows) == DISKS
    for view in week.views():
        name = f"{view.disk.model} {view.disk.serial}"
        ((link, _, cells),) = (row for row in rows if row[1] == name)
        assert urllib.parse.parse_qs(urllib.parse.urlsplit(link.replace("&amp;", "&")).query) == {
            "instance": [INSTANCE],
            "disk": [view.disk.identity],
        }
        assert f'data-title="Spin-ups, last day">{view.facts.windows["1d"].count}</td>' in cells
    assert not any("unknown" in cells or "! " in cells for _, _, cells in rows)
    times = re.findall(r"(\d\d):(\d\d) UTC</span>", text)
    assert len(times) == 3
    assert times[0] == times[2] != times[1]  # a day ago, half a day ago, now


def test_the_console_of_one_disk_is_served(week: Month) -> None:
    """Its figures are those of the exporter, windows and timers in their order."""
    query = urllib.parse.urlencode({"instance": INSTANCE, "disk": ONE})
    text = console(week, f"spinledger-disk.html?{query}")
    (view,) = (one for one in week.views() if one.disk.identity == ONE)
    assert f"<h1>{view.disk.model} {view.disk.serial}</h1>" in text
    cells = r'<tr><th scope="row">([^<]*)</th><td class="num">([^<]*)</td></tr>'
    found = re.findall(cells, text)
    quiet = view.facts.quiet_window
    assert quiet is not None
    ended = datetime.fromtimestamp(quiet.ended_wall_ns / 1e9, UTC)
    assert (
        dict(found)["The last quiet hours ended"] == f"{ended:%a} {ended.day} {ended:%b %H:%M} UTC"
    )
    figures = dict(found)
    assert figures["Spin-ups of the last day"] == str(view.facts.windows["1d"].count)
    order = [title for title, _ in found]
    windows = ["1h", "3h", "6h", "1d", "7d", "30d"]
    assert [title for title in order if title in windows] == windows
    timers = ["5m 0s", "10m 0s", "20m 0s", "1h 0m 0s", "2h 0m 0s", "4h 0m 0s"]
    assert [title for title in order if title in timers] == timers


def test_consoles_show_alerts_of_the_disk_and_of_its_group(faulty: Month) -> None:
    """A firing alert is shown with its disk or pool, and on the console of a disk it is about,
    with the finding in words and the limit marked; the alert that always fires is not shown.
    """
    shown = '<p class="found">Alert <strong>DiskCyclesRunaway</strong>:'
    sentence = "<strong>This disk spins up far too often</strong>"
    text = console(faulty, "spinledger.html")
    assert f"{shown} {INSTANCE} frames; <a " in text
    assert f"{sentence}: <a " in text
    assert text.count('class="num bad"') == 1
    assert "AlertsLoaded" not in text
    for disk, due in ((RUNAWAY, True), (ONE, False)):
        query = urllib.parse.urlencode({"instance": INSTANCE, "disk": disk})
        text = console(faulty, f"spinledger-disk.html?{query}")
        assert (shown in text) is (sentence in text) is due
        assert ("! </span>" in text) is due


def test_a_console_without_a_disk_says_so(week: Month) -> None:
    """An address that names no disk, or one with a quote in it, gets a page that says so."""
    for query in ("", "?disk=none", "?disk=%22%7D%20or%20vector(1)"):
        text = console(week, f"spinledger-disk.html{query}")
        assert "<h1>No such disk is watched</h1>" in text
        assert "<table" not in text
        assert "<svg" not in text


def test_the_job_is_that_of_the_samples() -> None:
    """The series here carry the job that the shipped scrape sample gives."""
    sample = (FOLDER.parent / "rules" / "samples" / "prometheus.yml").read_text(encoding="utf-8")
    assert f"job_name: {JOB}" in sample
