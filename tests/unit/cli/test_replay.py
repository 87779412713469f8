"""`spinledger replay` on small traces worked by hand."""

from __future__ import annotations

import argparse
import csv
import json
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from spinledger.cli import replay
from spinledger.errors import BadInput

ROWS = """timestamp_seconds,op,actor
0,read,gallery
100,write,backup
400,read,gallery
1000,read,gallery
"""


def run(tmp_path: Path, *options: str, rows: str = ROWS) -> int:
    """Run the command on a trace."""
    path = tmp_path / "night.csv"
    path.write_text(rows, encoding="utf-8")
    parser = argparse.ArgumentParser()
    replay.add_arguments(parser)
    return replay.run(parser.parse_args(["--trace", str(path), *options]))


def report_of(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, *options: str, rows: str = ROWS
) -> dict[str, Any]:
    """What the command prints as JSON."""
    assert run(tmp_path, "--json", *options, rows=rows) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def sums(report: dict[str, Any]) -> list[tuple[int, float]]:
    """Cycles and seconds asleep of each timer."""
    return [(timer["cycles"], timer["asleep_seconds"]) for timer in report["timers"]]


def test_json_by_hand(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Gaps of 100, 300, 600 s: by hand for timers of 60, 299.5 and 300 s (strictly longer)."""
    report = report_of(capsys, tmp_path, "--timers", "300,60,299.5")
    assert sums(report) == [(3, 820), (2, 301), (1, 300)]
    first, second, third = report["timers"]
    assert (first["standby_seconds"], first["ata_timer_code"]) == (60, "0x0C")
    assert (second["standby_seconds"], second["ata_timer_code"]) == (299.5, None)
    assert first["observed_seconds"] == 1000
    assert first["asleep_ratio"] == pytest.approx(0.82)
    assert first["cycles_per_day"] == pytest.approx(259.2)
    assert (third["waits"], third["waits_by_hour"][0]) == (1, 1)
    assert report["recommended"]["standby_seconds"] == 0
    assert report["reference"] == {"break_even_seconds": 24, "competitive_bound": 2}


def test_timers_as_durations(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """As in the configuration: 5m is 300 s, 1m is 60 s."""
    assert sums(report_of(capsys, tmp_path, "--timers", "5m,1m")) == [(3, 820), (1, 300)]


def test_spinup_absorbs(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """With 250 s of spin-up idleness begins at 350 and 650, in time for I/O at 400: by hand."""
    report = report_of(capsys, tmp_path, "--timers", "60", "--spinup", "250")
    assert sums(report) == [(2, 40 + 540)]


def test_without(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Without the backup the gaps are 400 and 600 s: by hand."""
    assert sums(report_of(capsys, tmp_path, "--timers", "60", "--without", "backup")) == [(2, 880)]


def test_hold(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The write at 100 held for 60 s goes at 160: gaps of 160, 240 and 600 s."""
    assert sums(report_of(capsys, tmp_path, "--timers", "100", "--hold", "60")) == [
        (3, 60 + 140 + 500)
    ]


def test_absorb_shows_the_spread(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Over five seeds the spread brackets the first, and half the reads gone make fewer cycles."""
    rows = "timestamp_seconds,op\n" + "".join(f"{n * 100},read\n" for n in range(2000))
    whole = report_of(capsys, tmp_path, "--timers", "60,150", rows=rows)
    report = report_of(capsys, tmp_path, "--timers", "60,150", "--absorb", "0.5", rows=rows)
    assert sums(whole) == [(1999, 1999 * 40), (0, 0)]
    for timer in report["timers"]:
        low, high = timer["spread"]["cycles"]
        assert low <= timer["cycles"] <= high
        assert low < high
    # Of 2000 reads half are left, and half of those gaps are longer than one interval: 4 sigma.
    assert report["timers"][0]["cycles"] == pytest.approx(1000, abs=4 * 22.4)
    assert report["timers"][1]["cycles"] == pytest.approx(500, abs=4 * 22.4)


def test_the_recommended_timer(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """One I/O a night in ten days: every timer fits, and the shortest saves most."""
    rows = "timestamp_seconds\n" + "".join(f"{n * 86400}\n" for n in range(11))
    report = report_of(capsys, tmp_path, "--budget", "2", rows=rows)
    assert report["recommended"]["standby_seconds"] == 60
    assert report["recommended"]["ata_timer_code"] == "0x0C"
    assert "the most of all timers tried" in report["recommended"]["reason"]


def test_the_table_names_the_timer_and_the_hours(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The code in hexadecimal, as the standard writes it: 12 times 5 s (ACS-3, STANDBY, COUNT).

    An I/O each midnight for ten days: ten waits, all in the first hour of the day.
    """
    rows = "timestamp_seconds\n" + "".join(f"{n * 86400}\n" for n in range(11))
    run(tmp_path, "--budget", "2", rows=rows)
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "night.csv: 10 d observed"
    assert [line for line in lines if "0x0C" in line] == ["To set: ATA timer code 0x0C."]
    assert any(
        line.startswith("Before you set a timer, read the maker's document") for line in lines
    )
    at = lines.index("Waits by hour of day, UTC; scale: 9 = 10 waits:")
    assert lines[at + 2] == "  9" + "." * 23
    assert lines[-1].endswith("uses more than 2 times the energy of a perfect timer.")


def test_csv_has_a_row_a_timer(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The CSV form holds the figures of the JSON form."""
    run(tmp_path, "--timers", "60,300", "--csv")
    rows = list(csv.DictReader(capsys.readouterr().out.splitlines()))
    assert [(row["standby_seconds"], row["cycles"], row["asleep_seconds"]) for row in rows] == [
        ("60", "3", "820"),
        ("300", "1", "300"),
    ]


def test_table_and_plot(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The table fits 80 columns but for sentences; the SVG parses and has a title and words."""
    plot = tmp_path / "plot.svg"
    run(tmp_path, "--plot", str(plot))
    lines = capsys.readouterr().out.splitlines()
    assert any(line.startswith("Recommended: ") for line in lines)
    assert all(len(line) <= 80 for line in lines if not line.endswith("."))
    root = ElementTree.parse(plot).getroot()
    names = {child.tag.rpartition("}")[2]: child.text for child in root}
    assert root.get("role") == "img"
    assert names["title"] == "Standby timers tried on night.csv"
    assert "5 min: asleep 30.0%" in (names["desc"] or "")


CONFIG = """
schedules: {nights: {zone: Etc/UTC, windows: ["Mon-Sun 00:00-00:05"]}}
tariff: {currency: EUR, per_kwh: 0.30}
what_if: {timers: [1m], spinup: 0s, waits_per_day: 5}
defaults: {quiet: nights, watts: {idle: 5, standby: 1}, budget_per_day: 2}
"""


def test_config_gives_quiet_hours_and_money(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The first five minutes of a day are quiet: asleep 60-100 and 160-300 there, by hand."""
    config = tmp_path / "config.yaml"
    config.write_text(CONFIG, encoding="utf-8")
    (timer,) = report_of(capsys, tmp_path, "--config", str(config))["timers"]
    assert timer["quiet"] == {"cycles": 1, "asleep_seconds": 40 + 140}
    assert timer["rest"] == {"cycles": 2, "asleep_seconds": 100 + 540}
    joules_a_year = (4 * 820 - 3 * 120) * 31_557.6
    assert timer["money_per_year"] == pytest.approx(joules_a_year / 3.6e6 * 0.30)


@pytest.mark.parametrize(
    ("options", "complaint"),
    [
        (["--timers", "5x"], "--timers: '5x' is not a duration; give it such as 5m, or as"),
        (["--timers", "0,60"], "--timers: 0 disables the timer; give seconds above 0"),
        (["--budget", "many"], "--budget: 'many' is not allowed; give spin-ups a day"),
        (["--absorb", "1.5"], "--absorb: '1.5' is not allowed; give a share from 0 to 1"),
        (["--absorb", "nan"], "--absorb: 'nan' is not allowed; give a share from 0 to 1"),
        (["--hold", "-1"], "--hold: '-1' is not a duration"),
        (["--without", "media"], "no row has the actor 'media'; name one of its actors, such as"),
        (["--plot", "/nowhere/at/all.svg"], "--plot /nowhere/at/all.svg: No such file"),
    ],
)
def test_bad_options(tmp_path: Path, options: list[str], complaint: str) -> None:
    """Each is one line that names the option or file, and the fix."""
    with pytest.raises(BadInput) as caught:
        run(tmp_path, *options)
    assert complaint in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("option", ["--without=x", "--absorb=0.5", "--hold=5"])
def test_columns_that_are_needed(tmp_path: Path, option: str) -> None:
    """A trace of times alone cannot answer who or what kind."""
    with pytest.raises(BadInput, match=r"night.csv:1: no column (op|actor), which --"):
        run(tmp_path, option, rows="timestamp_seconds\n1\n2\n")


@pytest.mark.parametrize("option", ["--absorb=0.5", "--hold=5"])
def test_ops_that_are_needed(tmp_path: Path, option: str) -> None:
    """A trace with other words for reads and writes would be replayed unchanged."""
    with pytest.raises(BadInput, match=r"night.csv: no row has the op read or write; write"):
        run(tmp_path, option, rows="timestamp_seconds,op\n1,r\n2,w\n")


def test_a_ledger_has_no_actors(tmp_path: Path) -> None:
    """A plain ledger refuses --absorb, with the way to get what is needed."""
    parser = argparse.ArgumentParser()
    replay.add_arguments(parser)
    with pytest.raises(BadInput, match="--absorb: a ledger has gaps"):
        replay.run(parser.parse_args(["--ledger", str(tmp_path / "l.db"), "--absorb", "0.5"]))
    with pytest.raises(BadInput, match="there is no such file"):
        replay.run(parser.parse_args(["--ledger", str(tmp_path / "l.db")]))


def day_of(*columns: str) -> str:
    """A day with `backup` each 600 s and `tv` at 10:00 and 11:00; columns before the actor."""
    rows = sorted([(n * 600, "backup") for n in range(145)] + [(36_000, "tv"), (39_600, "tv")])
    return "timestamp_seconds,op,actor\n" + "".join(f"{at},read,{who}\n" for at, who in rows)


def test_leaving_a_program_out_keeps_the_day(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Worked by hand: without the backup the gaps are 10 h, 1 h and 13 h of the same day; less 20
    min each 23 h of 24 asleep, in two sleeps that end; and every spin-up is a wait."""
    options = ("--timers", "1200", "--without", "backup")
    report = report_of(capsys, tmp_path, *options, rows=day_of())
    (shown,) = report["timers"]
    assert (shown["cycles"], shown["waits"], shown["observed_seconds"]) == (2, 2, 86_400)
    assert shown["asleep_ratio"] == pytest.approx(23 / 24)
    assert report["recommended"]["standby_seconds"] == 1200
    assert "maker's document" in report["recommended"]["caution"]


def test_leaving_the_only_program_out_is_a_day_asleep(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Nothing is left: asleep all day but for the timer, no spin-up, no wait (by hand)."""
    rows = "\n".join(line for line in day_of().splitlines() if "tv" not in line) + "\n"
    options = ("--timers", "20m", "--without", "backup")
    (shown,) = report_of(capsys, tmp_path, *options, rows=rows)["timers"]
    assert (shown["cycles"], shown["asleep_seconds"]) == (0, 85_200)


def test_begin_and_end_bound_a_day(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """An evening's use in a day that was captured whole: asleep until 20:00 and from 21:20 on."""
    rows = "timestamp_seconds,op\n0,begin\n" + "".join(
        f"{at},read\n" for at in range(72_000, 75_601, 60)
    )
    report = report_of(capsys, tmp_path, "--timers", "1200", rows=rows + "86400,end\n")
    (shown,) = report["timers"]
    assert (shown["cycles"], shown["observed_seconds"]) == (1, 86_400)
    assert shown["asleep_seconds"] == 72_000 - 1200 + 86_400 - 75_600 - 1200
    assert report["recommended"]["standby_seconds"] == 1200


@pytest.mark.parametrize("rows", ["1,read\n2,begin\n3,read\n", "1,begin\n2,end\n3,read\n"])
def test_bounds_out_of_place(tmp_path: Path, rows: str) -> None:
    """One line with the row, exit 2."""
    with pytest.raises(BadInput, match=r"night.csv:(3|4): (begin|end) is out of place; begin with"):
        run(tmp_path, rows="timestamp_seconds,op\n" + rows)


def test_doubled_columns_are_refused(tmp_path: Path) -> None:
    """Replay cannot know which of two times counts."""
    with pytest.raises(BadInput, match=r"night.csv:1: 2 columns timestamp_seconds; name each"):
        run(tmp_path, rows="timestamp_seconds,timestamp_seconds\n1,2\n2,3\n")


def test_longer_timers_are_tried_for_the_advice(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """I/O each 11 min by day lets no short timer save within the limits; the nights of 12 h do for
    a timer of 15 min, which is recommended and shown though 5 min alone was given."""
    times = [day * 86_400 + at for day in range(3) for at in range(0, 43_200, 660)]
    rows = "timestamp_seconds\n" + "".join(f"{at}\n" for at in times) + f"{3 * 86_400}\n"
    report = report_of(capsys, tmp_path, "--timers", "5m", rows=rows)
    assert report["recommended"]["standby_seconds"] == 900
    assert [one["standby_seconds"] for one in report["timers"]] == [300, 900]
