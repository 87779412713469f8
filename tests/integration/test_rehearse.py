"""The rehearsal: the same bytes again, the simulator's own tally, and a real Prometheus.

Outside authority: the installed promtool and Prometheus, which load and answer; and the simulator's
tally of its drives, which is kept apart from everything the exporter reads. The bound of standby (3
samples of 5 s a cycle) is our own, from the cadence; no source.
"""

from __future__ import annotations

import io
import json
import os
import signal
import socket
import subprocess
import sys
import urllib.parse
import urllib.request
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from spinledger.cli import main
from spinledger.errors import Unavailable
from spinledger.ledger.summary import lifetime as totals_of
from spinledger.model import DAY, HOUR, SECOND, State
from spinledger.sim.rehearse import START_WALL_NS, Rehearsal, Rehearsed, ends_wall_ns, rehearse
from spinledger.sim.shelf import EPOCH_WALL_NS
from spinledger.store import export
from spinledger.store.history import History, PastSpan, read
from tests.fakes.patience import PATIENCE_S, until

ROOT = Path(__file__).parents[2]
FAST_S = 5
MS = 1_000_000  # nanoseconds
REBOOT_EVENING_NS = int(datetime(2026, 3, 17, 20, tzinfo=UTC).timestamp()) * SECOND
SHORT_TIMER_DISK = "sim-attic-flats-1"  # stops after so short a time that cycles may hide


def run(folder: Path, days: float, name: str = "a") -> tuple[Rehearsed, str]:
    """A rehearsal on a new ledger, and its series."""
    out = io.StringIO()
    return rehearse(Rehearsal(days), folder / f"{name}.db", out), out.getvalue()


def cycles_of(done: Rehearsed) -> dict[str, float]:
    """Recorded spin-ups, by disk."""
    accounts = done.loop.accounts.items()
    return {
        name: totals_of(one).cycles + totals_of(one).unobserved_cycles for name, one in accounts
    }


def test_the_same_seed_gives_the_same_bytes(tmp_path: Path) -> None:
    """Two rehearsals of half a day make the same series and equal ledgers."""
    _, first = run(tmp_path, 0.5)
    _, second = run(tmp_path, 0.5, "b")
    assert first == second
    assert first.count("\n") > 10_000
    assert given(tmp_path / "a.db") == given(tmp_path / "b.db")


def test_quiet_hours_are_those_of_the_shelfs_people(tmp_path: Path) -> None:
    """A rehearsal in Prague begins at 22:00 there, with quiet hours, whatever the machine's zone.

    Source: tz database, Europe/Prague is UTC+1 on 1 March 2026; the rehearsal begins at 21:00 UTC.
    """
    _, series = run(tmp_path, 0.02)
    began = {
        float(line.split(" ")[-2])
        for line in series.splitlines()
        if line.startswith("spinledger_disk_quiet_began_timestamp_seconds{")
    }
    assert began == {START_WALL_NS / SECOND}


def test_a_commit_that_waits_on_purpose_says_so(tmp_path: Path) -> None:
    """Whenever the newest commit is older than a minute, commits are exported as deferred, so the
    rule on unsaved ledgers stays silent in a rehearsal, which commits every six hours."""
    _, series = run(tmp_path, 0.5)
    values: dict[float, dict[str, float]] = {}
    for line in series.splitlines():
        if line.startswith("spinledger_ledger_"):
            head, value, at = line.rsplit(" ", 2)
            values.setdefault(float(at), {})[head.partition("{")[0]] = float(value)
    old = [
        each["spinledger_ledger_deferred"]
        for at, each in values.items()
        if at - each.get("spinledger_ledger_commit_timestamp_seconds", at) > 60 + FAST_S
    ]
    assert len(old) > 50
    assert set(old) == {1.0}


def test_gaps_in_a_history_are_what_replay_used(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Sums over the gaps of `history --json`, by hand, are the figures of `replay --ledger`; the
    disk is named as the screen shows it, by the kernel's name."""
    ledger = tmp_path / "a.db"
    rehearse(Rehearsal(2, disks=2), ledger)
    found = json.loads(given(ledger))
    disk = found["disks"][0]
    known = read(ledger).disk(disk)
    assert known is not None
    assert known.kernel_name == "sda"
    options = ["--disk", "sda", "--timers", "20m", "--json"]
    assert main(["replay", "--ledger", str(ledger), *options]) == 0
    (shown, *_) = json.loads(capsys.readouterr().out)["timers"]
    gaps = [gap for gap in found["gaps"] if gap["disk"] == disk]
    assert gaps[-1]["ended"] is None
    assert all(gap["ended"] for gap in gaps[:-1])
    slept = [gap["seconds"] - 1200 for gap in gaps if gap["seconds"] > 1200]
    assert shown["cycles"] == len(slept) - (gaps[-1]["seconds"] > 1200) > 3
    assert shown["asleep_seconds"] == pytest.approx(sum(slept), abs=0.01)


def given(ledger: Path) -> str:
    """The ledger as JSON, as `history --json` writes it at a fixed time."""
    history = read(ledger)
    query = export.query_of(history, None, None, START_WALL_NS + DAY)
    return "".join(export.json_of(history, query))


@pytest.mark.parametrize(
    ("start_wall_ns", "days"),
    [(START_WALL_NS, 2), (REBOOT_EVENING_NS, 1)],
    ids=["two days", "a night with a reboot"],
)
def test_the_ledger_agrees_with_the_simulators_tally(
    tmp_path: Path, start_wall_ns: int, days: float
) -> None:
    """Every spin-up is recorded, observed within two samples or known from the drive's counters;
    the latter are those after a sleep no longer than a sample, or while the exporter did not run.
    Standby is never above the truth, and short of it by 3 samples a cycle at most."""
    done = rehearse(Rehearsal(days, start_wall_ns=start_wall_ns), tmp_path / "a.db")
    truth, history = done.shelf.truth(done.clock.now()), read(tmp_path / "a.db")
    outages = done.shelf.outages(0, done.clock.now())
    unseen = 0
    for name, account in done.loop.accounts.items():
        cycles = list(history.cycles(name))
        seen = [one.at_wall_ns - EPOCH_WALL_NS for one in cycles if one.observed]
        hidden, stopped_ns = 0, -DAY
        for one in truth[name].events:
            if one.what == "stop":
                stopped_ns = one.at_ns
            elif one.what == "start":
                if seen and abs(seen[0] - one.at_ns) <= 2 * FAST_S * SECOND:
                    seen.pop(0)
                    continue
                blind = any(gap.began_ns <= one.at_ns < gap.ended_ns for gap in outages)
                assert blind or one.at_ns - stopped_ns <= FAST_S * SECOND, (name, one)
                hidden += 1
        assert seen == [], (name, "a spin-up that was none")
        assert sum(not cycle.observed for cycle in cycles) == hidden, name
        assert len(cycles) == truth[name].cycles, name
        unseen += hidden
        blind_ns = sum(gap.ended_ns - gap.began_ns for gap in outages)
        asleep_s = totals_of(account).state_ns[State.STANDBY] / SECOND
        short_s = truth[name].stopped_ns / SECOND - asleep_s
        bound_s = 3 * FAST_S * (truth[name].cycles + 1) + blind_ns / SECOND
        assert -1e-6 <= short_s <= bound_s, name
    assert unseen >= 2, "a test of hidden spin-ups has some"


def test_a_gap_in_the_middle_is_one_unobserved_span(tmp_path: Path) -> None:
    """Half the time, an hour without exporter, the other half: just that hour is unobserved."""
    ledger = tmp_path / "gap.db"
    rehearse(Rehearsal(0.25), ledger)
    later = START_WALL_NS + DAY // 4 + HOUR
    second = rehearse(Rehearsal(0.25, start_wall_ns=later), ledger)
    for name, account in second.loop.accounts.items():
        times = totals_of(account).state_ns
        assert abs(times[State.UNOBSERVED] - HOUR) <= 2 * FAST_S * SECOND, name
        assert sum(times.values()) == DAY // 2 + HOUR, name  # to the last sample
        spans = [
            one
            for one in read(ledger).spans(name)
            if one.state == State.UNOBSERVED.value and one.length_ns
        ]
        assert len(spans) == 1, name
    whole = tmp_path / "whole.db"
    rehearse(Rehearsal(0.25 + 1 / 24), whole)
    before = START_WALL_NS + DAY // 4 - HOUR
    for name in second.loop.accounts:
        of_both = [
            [one for one in read(file).spans(name) if one.ended_wall_ns <= before]
            for file in (ledger, whole)
        ]
        assert of_both[0] == of_both[1], name


def test_a_rehearsal_in_two_parts_is_the_whole(tmp_path: Path) -> None:
    """Continued where it ended, exported counters go on: they are those of one run in one piece."""
    ledger = tmp_path / "parts.db"
    rehearse(Rehearsal(0.25), ledger)
    assert ends_wall_ns(ledger) == START_WALL_NS + DAY // 4
    done = rehearse(Rehearsal(0.25, start_wall_ns=ends_wall_ns(ledger)), ledger)
    whole, _ = run(tmp_path, 0.5)
    assert cycles_of(done) == cycles_of(whole)
    for name, account in done.loop.accounts.items():
        times, all_at_once = (
            totals_of(one).state_ns for one in (account, whole.loop.accounts[name])
        )
        unobserved = times[State.UNOBSERVED] - all_at_once[State.UNOBSERVED]
        assert unobserved <= FAST_S * SECOND, name
        for state in State:
            apart = abs(times[state] - all_at_once[state])
            assert apart <= 2 * FAST_S * SECOND, (name, state)


def test_a_rehearsal_killed_in_the_middle_goes_on(tmp_path: Path) -> None:
    """After SIGKILL it continues from the last commit: every entry is that of an unbroken
    run, the drives' own counters included, but for two samples that are missing in between.
    """
    ledger = tmp_path / "killed.db"
    command = [sys.executable, "-m", "spinledger", "rehearse", "--ledger", str(ledger)]
    environment = os.environ | {"PYTHONPATH": str(ROOT / "exporter")}
    child = subprocess.Popen([*command, "--days", "60"], env=environment, stdout=subprocess.DEVNULL)
    until(lambda: child.poll() is not None or committed(ledger, START_WALL_NS + 10 * HOUR))
    child.kill()
    child.wait(PATIENCE_S)
    assert child.returncode == -signal.SIGKILL
    middle = ends_wall_ns(ledger)
    assert middle >= START_WALL_NS + 10 * HOUR
    days = (middle - START_WALL_NS) // DAY + 2  # the machine says how far it came
    ends = datetime.fromtimestamp((START_WALL_NS + days * DAY) / SECOND, UTC).isoformat()
    goes_on = [*command, "--continue", "--end", ends]
    subprocess.run(goes_on, env=environment, check=True, capture_output=True)
    whole, _ = run(tmp_path, days)
    for name in whole.loop.accounts:
        broken, unbroken = read(ledger), read(tmp_path / "a.db")
        for entries in ("cycles", "gaps"):
            of, expected = (list(getattr(one, entries)(name)) for one in (broken, unbroken))
            assert of == expected, (name, entries)
        of, expected = ([day.reading for day in one.days(name)] for one in (broken, unbroken))
        assert of == expected, name
        assert fixed(broken, name, middle) == fixed(unbroken, name, 0), name


def fixed(history: History, disk: str, broken_ns: int) -> list[tuple[str, int, int, int]]:
    """State, beginning, end (ms) and active samples of each span; a span that was cut in two there
    is one again, and what is between its parts lasts two samples at most."""
    given: list[PastSpan] = []
    cut = None
    for span in [*history.spans(disk), history.open_span(disk)]:
        assert span is not None
        again_ns = broken_ns + 2 * FAST_S * SECOND
        unsure = span.state in ("unknown", "unobserved")
        if unsure and broken_ns <= span.began_wall_ns and span.ended_wall_ns <= again_ns:
            cut = given.pop() if cut is None else cut
            continue
        if cut is not None:
            assert span.state == cut.state
            active_ns = cut.active_ns + span.active_ns
            span = cut._replace(ended_wall_ns=span.ended_wall_ns, active_ns=active_ns)
            cut = None
        given.append(span)
    return [
        (one.state, one.began_wall_ns // MS, one.ended_wall_ns // MS, samples(one.active_ns))
        for one in given
    ]


def samples(ns: int) -> int:
    """So many samples, a few milliseconds of an answer at a cut aside."""
    return round(ns / (FAST_S * SECOND))


def committed(ledger: Path, wall_ns: int) -> bool:
    """The file holds a spin-up of that time or later."""
    if not ledger.exists():
        return False
    try:
        return any(one >= wall_ns for one in ledger_cycles(ledger, SHORT_TIMER_DISK))
    except Unavailable:  # it is just being made
        return False


def ledger_cycles(ledger: Path, disk: str) -> list[int]:
    """When a disk's spin-ups were, by the file."""
    return [cycle.at_wall_ns for cycle in read(ledger).cycles(disk)]


def test_a_real_prometheus_returns_the_truth(tmp_path: Path) -> None:
    """promtool loads two days of series; the server's last count of cycles is the ledger's."""
    done, series = run(tmp_path, 2)
    (tmp_path / "om").write_text(series, encoding="utf-8")
    load = ["promtool", "tsdb", "create-blocks-from", "openmetrics", "-q"]
    load += ["--max-block-duration=720h", str(tmp_path / "om"), str(tmp_path / "data")]
    subprocess.run(load, check=True)
    (tmp_path / "none.yml").write_text("{}\n", encoding="utf-8")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        url = f"127.0.0.1:{probe.getsockname()[1]}"
    command = ["prometheus", f"--config.file={tmp_path}/none.yml", f"--web.listen-address={url}"]
    command += [f"--storage.tsdb.path={tmp_path}/data", "--storage.tsdb.retention.time=100y"]
    child = subprocess.Popen([*command, "--log.level=error"])
    try:
        at_s = done.clock.wall() // SECOND
        query = "sum by (disk) (spinledger_disk_cycles_total)"
        words = urllib.parse.urlencode({"query": query, "time": at_s})
        found = answer(f"http://{url}/api/v1/query?{words}")
    finally:
        child.terminate()
        child.wait(PATIENCE_S)
    rows = {row["metric"]["disk"]: float(row["value"][1]) for row in found["data"]["result"]}
    assert rows == cycles_of(done)


def answer(address: str) -> Any:
    """The JSON at an address, once the server is up."""
    got: list[Any] = []

    def answers() -> bool:
        with urllib.request.urlopen(address, timeout=PATIENCE_S) as page:
            got.append(json.load(page))
        return True

    until(answers, address)
    return got[-1]
