"""`spinledger wear`: dates by arithmetic and numpy, and each mistake in a file as one line.

Source of the interval: design of wear.projection, tried against numpy in unit/wear; here a steady
count, whose end is arithmetic.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from spinledger.cli import main
from spinledger.model import DAY, SECOND, Policy, Reading, Worn
from spinledger.sim.rehearse import Rehearsal, rehearse
from spinledger.wear.life import DriveCounters
from spinledger.wear.shown import wear_json

START_S = 1_700_000_000
DAY_S = 86_400


def written(tmp_path: Path, rows: list[str], header: str = "timestamp_seconds,count") -> str:
    """A file with these rows."""
    path = tmp_path / "record.csv"
    path.write_text("\n".join([header, *rows]) + "\n")
    return str(path)


def steady(days: int, a_day: int) -> list[str]:
    """Rows of a count that grows by the same each day."""
    return [f"{START_S + n * DAY_S},{1000 + n * a_day}" for n in range(days + 1)]


def test_a_steady_record_ends_when_arithmetic_says(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """40 days at 25 a day leave 10,000 of 12,000: 400 more days, and nothing scatters."""
    path = written(tmp_path, steady(40, 25))
    assert main(["wear", "--readings", path, "--rated", "12000", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    end = START_S + 440 * DAY_S
    for name in ("early", "middle", "late"):
        assert found[f"{name}_timestamp_seconds"] == pytest.approx(end, abs=1)
    assert found["coverage"] == 0.9
    assert (found["count"], found["cycles_per_day"]) == (2000, 25)
    assert found["too_short_for"] == "peaks once a month"
    assert main(["wear", "--readings", path, "--rated", "12000"]) == 0
    shown = capsys.readouterr().out.replace("\u202f", ",")
    assert "cycles: 2,000 of 12,000 rated: 17 % used" in shown
    assert "25 a day" in shown
    assert "between 2025-01-27 and 2025-01-27 (90 % prediction interval)" in shown


def test_a_still_record_has_no_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without one cycle in it no century is enough: null, and said in words."""
    path = written(tmp_path, steady(40, 0))
    assert main(["wear", "--readings", path, "--rated", "12000", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [found[f"{name}_timestamp_seconds"] for name in ("early", "middle", "late")] == [
        None
    ] * 3
    assert main(["wear", "--readings", path, "--rated", "12000"]) == 0
    assert "not used up within a century" in capsys.readouterr().out


BAD = {
    "no_rows": ([], "has no readings"),
    "short": (steady(10, 5), "11 readings in 10.0 days are too few"),
    "few": ([f"{START_S},1", f"{START_S + 90 * DAY_S},9"], "2 readings in 90.0 days are too few"),
    "back": ([f"{START_S},1", f"{START_S - 1},2"], ":3: timestamp_seconds is not later"),
    "fall": ([f"{START_S},9", f"{START_S + 1},2"], ":3: count falls from 9 to 2"),
    "count": ([f"{START_S},many"], ":2: count 'many' is not a whole number"),
    "time": (["noon,1"], ":2: timestamp_seconds 'noon' is not a number"),
    "cut": ([f"{START_S}"], ":2: the row is too short"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_is_one_line(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With the line and the fix; exit 2."""
    rows, message = BAD[name]
    assert main(["wear", "--readings", written(tmp_path, rows), "--rated", "600000"]) == 2
    error = capsys.readouterr().err
    assert message in error
    assert error.count("\n") == 1


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--readings", "missing.csv", "--rated", "9"], "cannot be read"),
        (["--readings", "missing.csv"], "--rated: is missing"),
        (["--readings", "missing.csv", "--rated", "0"], "not a number of cycles above 0"),
        (["--rated", "9"], "for a record kept elsewhere"),
        (["--readings", "missing.csv", "--rated", "9", "--disk", "sda"], "leave out --disk"),
    ],
)
def test_bad_options_are_one_line(
    options: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 2, and what to give."""
    assert main(["wear", *options]) == 2
    error = capsys.readouterr().err
    assert message in error
    assert error.count("\n") == 1


@pytest.mark.parametrize("header", ["count", "timestamp_seconds", "timestamp_seconds,count,count"])
def test_a_header_has_each_column_once(
    header: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Missing or doubled, it is refused at line 1."""
    path = written(tmp_path, steady(40, 25), header)
    assert main(["wear", "--readings", path, "--rated", "12000"]) == 2
    assert "record.csv:1: " in capsys.readouterr().err


def test_a_disk_of_a_ledger(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By its serial, from the ledger of a rehearsal: the counters are the simulated drive's own."""
    ledger, config = tmp_path / "a.db", tmp_path / "c.yml"
    done = rehearse(Rehearsal(0.2, disks=2), ledger)
    config.write_text("disks: [{match: {all: true}, rated: {load: 600000}}]\n")
    place = done.shelf.places[0]
    options = ["--ledger", str(ledger), "--config", str(config), "--disk", place.disk.serial]
    assert main(["wear", "--json", *options]) == 0
    (found,) = json.loads(capsys.readouterr().out)["disks"]
    assert found["disk"] == place.disk.identity
    (rating,) = found["ratings"]
    assert 0 <= place.drive.odometer.loads - rating["count"] <= 1  # it may have woken since
    assert (rating["rated_cycles"], rating["rated_by"]) == (600_000, "configured")
    assert rating["cycles_per_day"] is rating["late_timestamp_seconds"] is None
    assert main(["wear", *options]) == 0
    assert "no projection: it needs 14 days of readings" in capsys.readouterr().out


def test_each_rating_is_shown_as_what_it_is() -> None:
    """Loads used by 40 % and start-stops by 19 % stand apart, each with its own pace and dates."""
    fold, policy = DriveCounters(), Policy(rated_load=600_000, rated_start_stop=50_000)
    for day in range(31):
        counts = (9_500 + 20 * day, 240_000 + 100 * day)
        one = Worn("d", 0, *counts, None, None, None, None, None, "")
        at_ns = START_S * SECOND + day * DAY
        fold.step(Reading("d", at_ns, at_ns, one, "accepted"), policy)
    found = wear_json(fold.worn, fold.wall_ns, fold.rated(policy))
    load, starts = found["ratings"]
    assert (load["kind"], load["count"], load["cycles_per_day"]) == ("load", 243_000, 100)
    assert load["used_ratio"] == pytest.approx(0.405)
    assert (starts["kind"], starts["count"], starts["cycles_per_day"]) == ("start_stop", 10_100, 20)
    assert starts["used_ratio"] == pytest.approx(0.202)
    ends = [one["middle_timestamp_seconds"] - START_S - 30 * DAY_S for one in (load, starts)]
    assert ends == pytest.approx([357_000 / 100 * DAY_S, 39_900 / 20 * DAY_S])
