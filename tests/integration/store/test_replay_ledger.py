"""`spinledger replay --ledger`: gaps and watched time of a ledger file, worked by hand."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from spinledger import cli
from spinledger.config.settings import Tariff
from spinledger.model import HOUR, MINUTE, SECOND, Entry, Evidence, Gap, Policy, Span, Watts
from spinledger.ports import Commit
from spinledger.web.context import PageContext
from spinledger.web.snapshot_json import snapshot_json, summary_json
from tests.fakes.snapshots import snapshot, view
from tests.integration.store.written import BOOT, WALL_NS, dump, settle, store
from tests.unit.cli.test_exporter import served

USED, BUSY, YOUNG = "sim-used", "sim-busy", "sim-young"


def span(disk: str, state: str, from_h: int, to_h: int) -> Span:
    """A span by hours of boot time, which is wall time here."""
    began, ended = from_h * HOUR, to_h * HOUR
    return Span(disk, state, began, ended, WALL_NS + began, WALL_NS + ended, 0, Evidence.MOVED)


def gap(from_h: float, minutes: int, censored: bool = False) -> Gap:
    """A gap of the disk in use."""
    began = round(from_h * HOUR)
    return Gap(USED, began, began + minutes * MINUTE, WALL_NS + began, censored)


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    """One disk with three gaps and six unobserved hours, one never still, one not observed."""
    path = tmp_path / "ledger.db"
    file_store = store(path, None)
    file_store.restore()
    entries: list[Entry] = [
        span(USED, "spinning", 0, 4),
        span(USED, "unobserved", 4, 10),
        span(USED, "spinning", 10, 24),
        gap(1, 30),
        gap(3, 60, censored=True),
        gap(12, 90),
        span(BUSY, "spinning", 0, 24),
    ]
    accounts = {disk: dump(1, 24 * HOUR) for disk in (USED, BUSY, YOUNG)}
    assert file_store.commit(
        Commit(1, 24 * HOUR, WALL_NS + 24 * HOUR, BOOT, True, accounts, {}, tuple(entries))
    )
    settle(file_store)
    file_store.close()
    return path


def given(capsys: pytest.CaptureFixture[str], ledger: Path, disk: str, *options: str) -> Any:
    """What the command prints as JSON."""
    arguments = ["replay", "--ledger", str(ledger), "--disk", disk, "--json", *options]
    assert cli.main(arguments) == 0
    return json.loads(capsys.readouterr().out)


def test_unobserved_time_is_left_out(capsys: pytest.CaptureFixture[str], ledger: Path) -> None:
    """24 h less 6 h unobserved; gaps of 30, 60, 90 min on 20 and 60 min, one end unobserved."""
    first, second = given(capsys, ledger, USED, "--timers", "1200,3600")["timers"]
    assert first["observed_seconds"] == second["observed_seconds"] == 18 * 3600
    assert (first["cycles"], first["waits"]) == (3, 2)
    assert first["asleep_seconds"] == (10 + 40 + 70) * 60
    assert first["cycles_per_day"] == pytest.approx(4)
    assert (second["cycles"], second["asleep_seconds"]) == (1, 30 * 60)


CONFIG = """
tariff: {currency: EUR, per_kwh: 0.50}
disks:
  - match: {identity: sim-used}
    budget_per_day: 120
    declared_timer: 40m
    watts: {idle: 6, standby: 1}
    spinup_joules: 600
  - match: {all: true}
    budget_per_day: 24
"""


@pytest.mark.parametrize(
    ("disk", "assumed", "timers"), [(USED, (120, 6, 600), 7), (BUSY, (24, 5.7, 120), 6)]
)
def test_the_entry_of_the_disk_gives_the_settings(
    capsys: pytest.CaptureFixture[str],
    ledger: Path,
    tmp_path: Path,
    disk: str,
    assumed: tuple[float, ...],
    timers: int,
) -> None:
    """Budget, watts, joules and the declared timer of its own entry, of another disk those of all;
    the seven timers are the six of what_if.timers and 40 min."""
    config = tmp_path / "config.yml"
    config.write_text(CONFIG, encoding="utf-8")
    report = given(capsys, ledger, disk, "--config", str(config))
    keys = ("budget_per_day", "idle_watts", "spinup_joules")
    assert tuple(report["assumed"][key] for key in keys) == assumed
    assert report["assumed"]["per_kwh"] == 0.5
    assert len(report["timers"]) == timers


def snapshot_of_used() -> dict[str, Any]:
    """GET /snapshot of an exporter with the disk in use: 6 W idle, 1 W standby, 0.50 EUR a kWh."""
    policy = Policy(
        budget_per_day=120,
        watts=Watts(6.0, 1.0, None, "configured"),
        spinup_j=600.0,
        candidates_ns=(20 * MINUTE, 60 * MINUTE),
        whatif_spinup_ns=8 * SECOND,
        declared_ns=40 * MINUTE,
    )
    plain = view(0)
    disk = replace(plain.facts.disk, identity=USED)
    whole = snapshot(replace(plain, facts=replace(plain.facts, disk=disk, policy=policy)))
    context = PageContext(zone="Europe/Prague", tariff=lambda: Tariff("EUR", 0.5))
    return {**snapshot_json(whole), **summary_json(whole, context)}


def test_a_running_exporter_gives_the_settings(
    capsys: pytest.CaptureFixture[str], ledger: Path
) -> None:
    """Timers, watts and price of its disk. By hand, 20 min: asleep 2 h of 18 h at 5 W less is
    10 Wh; 3 spin-ups of 600 J are 0.5 Wh; 9.5 Wh in 18 h are 4.627 kWh and 2.31 EUR a year."""
    with served({"/snapshot": (200, json.dumps(snapshot_of_used()))}) as exporter:
        report = given(capsys, ledger, USED, "--exporter", exporter.url)
        assert report["assumed"]["exporter"] == exporter.url
        cut = ["replay", "--ledger", str(ledger), "--disk", BUSY, "--exporter", exporter.url]
        assert cli.main(cut) == 2
        complaint = f'{exporter.url}: "sim-busy" is no disk here; choose from: sda (sim-used)'
        assert complaint in capsys.readouterr().err
    assumed, first = report["assumed"], report["timers"][0]
    assert (assumed["budget_per_day"], assumed["idle_watts"], assumed["standby_watts"]) == (
        120,
        6,
        1,
    )
    assert (assumed["time_zone"], assumed["spinup_seconds"]) == ("Europe/Prague", 8)
    assert [one["standby_seconds"] for one in report["timers"]] == [1200, 2400, 3600]
    a_year = 9.5 * 365.25 * 24 / 18 / 1000
    assert first["net_kwh_per_year"] == pytest.approx(a_year, rel=0.001)
    assert first["money_per_year"] == pytest.approx(a_year / 2, rel=0.001)
    assert cli.main(cut) == 2  # it no longer answers
    assert "nothing answers" in capsys.readouterr().err
    assert given(capsys, ledger, USED, "--budget", "3")["assumed"]["exporter"] is None


def test_the_settings_of_an_exporter_are_of_a_disk(capsys: pytest.CaptureFixture[str]) -> None:
    """A trace names none."""
    assert cli.main(["replay", "--trace", "t.csv", "--exporter", "http://127.0.0.1:9"]) == 2
    assert "--exporter: no disk is named; give --disk" in capsys.readouterr().err


def test_a_disk_that_is_never_still_is_judged_too(
    capsys: pytest.CaptureFixture[str], ledger: Path
) -> None:
    """A day without a gap is no lack of data: no timer lets it sleep."""
    report = given(capsys, ledger, BUSY)
    assert report["timers"][0]["observed_seconds"] == 24 * 3600
    assert report["recommended"]["reason"].startswith("No timer would let this disk sleep")


def test_what_cannot_be_judged_is_refused_in_one_line(
    capsys: pytest.CaptureFixture[str], ledger: Path, tmp_path: Path
) -> None:
    """A disk not watched yet, a disk that is not there, a file that is no ledger, and one of an
    exporter that has not committed yet."""
    (tmp_path / "notes.txt").write_text("a text file of some length\n" * 100)
    running = store(tmp_path / "running.db", None)
    running.restore()
    for path, disk, complaint in (
        (ledger, YOUNG, "this disk was not observed yet"),
        (ledger, "sim-gone", '--disk: "sim-gone" is no disk here; choose from: '),
        (
            tmp_path / "notes.txt",
            USED,
            "notes.txt: is not a ledger of this program",
        ),
        (tmp_path / "running.db", "sda", "no disk is in it: the exporter that keeps it has not"),
    ):
        assert cli.main(["replay", "--ledger", str(path), "--disk", disk]) == 2
        said = capsys.readouterr().err
        assert complaint in said
        assert said.count("\n") == 1
    running.close()
