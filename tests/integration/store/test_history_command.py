"""`spinledger history`, from the file and from a running exporter.

Sources: CSV by Python's csv module (RFC 4180); OpenMetrics blocks by promtool of the installed
Prometheus, which is what people load history with.
"""

from __future__ import annotations

import csv
import io
import json
import subprocess
from collections.abc import Iterable, Mapping
from pathlib import Path

import pytest

from spinledger import cli
from spinledger.cli import history as command
from spinledger.model import DAY, HOUR, Span
from spinledger.store import export
from spinledger.store.history import read
from spinledger.store.ledger import MemoryStore
from spinledger.web.server import WebServer
from tests.integration.store.written import WALL_NS, Shelf, settle, store

PORT_OF_NOBODY = "127.0.0.1:1"


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    """A ledger of three disks and ten days, and a configuration that names it."""
    file_store = store(tmp_path / "ledger.db", None)
    file_store.restore()
    shelf = Shelf(3, wall_ns=WALL_NS + 12 * HOUR)
    for _ in range(10):
        shelf.tick(file_store, DAY, chance=1.0)
        shelf.commit(file_store, clean=True)
        settle(file_store)
    file_store.close()
    configure(tmp_path, PORT_OF_NOBODY)
    return shelf


def configure(folder: Path, listen: str) -> Path:
    """A configuration of our ledger and an address."""
    path = folder / "config.yaml"
    path.write_text(f"listen: {listen}\nledger: {{path: {folder / 'ledger.db'}}}\n")
    return path


@pytest.fixture(autouse=True)
def known(monkeypatch: pytest.MonkeyPatch) -> None:
    """The command under its name, whether or not the whole command line has it."""
    monkeypatch.setitem(cli.COMMANDS, "history", (command, "history"))


def run(folder: Path, *arguments: str) -> int:
    """The command with our configuration."""
    return cli.main(["history", "--config", str(folder / "config.yaml"), *arguments])


def test_csv_from_the_file(
    tmp_path: Path, shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every span of the ledger is a line, each disk's seconds as recorded."""
    assert run(tmp_path, "--csv") == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    recorded = [entry for entry in shelf.recorded if isinstance(entry, Span)]
    assert len(rows) == len(recorded) == 60
    for disk in shelf.names:
        seconds = sum(float(row["seconds"]) for row in rows if row["disk"] == disk)
        truth = sum(span.ended_ns - span.began_ns for span in recorded if span.disk == disk)
        assert seconds == pytest.approx(truth / 1e9, abs=0.001)


def test_json_and_the_table_from_the_file(
    tmp_path: Path, shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """JSON holds spans, cycles and days; the table has a line a disk and day."""
    assert run(tmp_path, "--json", "--disk", shelf.names[1]) == 0
    given = json.loads(capsys.readouterr().out)
    assert (len(given["spans"]), len(given["cycles"])) == (20, 10)
    assert {span["disk"] for span in given["spans"]} == {shelf.names[1]}
    assert sum(day["cycles"] for day in given["days"]) == 10
    assert run(tmp_path) == 0
    lines = capsys.readouterr().out.partition("\n\n")[0].splitlines()
    columns = ["ASLEEP", "SPINNING", "ACTIVE", "UNKNOWN", "UNOBSERVED", "SPIN-UPS"]
    assert lines[0].split() == ["DISK", "AND", "DAY", *columns]
    assert [line for line in lines[1:] if not line.startswith(" ")] == list(shelf.names)
    assert sum(int(line.split()[-1]) for line in lines[1:] if line.startswith(" ")) == 30
    assert max(map(len, lines)) <= 80


def test_since_leaves_out_earlier_days(
    tmp_path: Path, shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """A date three days before the end leaves three spin-ups a disk."""
    assert run(tmp_path, "--json", "--since", "2026-01-08T15:00+00:00") == 0
    given = json.loads(capsys.readouterr().out)
    assert len(given["cycles"]) == 3 * 3


def test_openmetrics_makes_blocks(tmp_path: Path, shelf: Shelf) -> None:
    """promtool turns the file into blocks of a time series database without a complaint."""
    out = tmp_path / "history.om"
    assert run(tmp_path, "--openmetrics", str(out)) == 0
    assert out.read_text().endswith("# EOF\n")
    done = subprocess.run(
        ["promtool", "tsdb", "create-blocks-from", "openmetrics", out, tmp_path / "blocks"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert len(list((tmp_path / "blocks").iterdir())) > 0


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["--since", "yesterday"], "since 'yesterday': is neither a date nor a duration; write"),
        (["--disk", "sda"], '--disk: "sda" is no disk here; choose from: sim-archive-00, sim'),
        (["--openmetrics", "/nowhere/x"], "--openmetrics /nowhere/x: No such file or directory"),
    ],
)
def test_bad_arguments_are_one_line(
    tmp_path: Path,
    shelf: Shelf,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    text: str,
) -> None:
    """What, where and the fix; exit code 2."""
    assert run(tmp_path, *arguments) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert error.startswith(f"spinledger: {text}")


def test_no_ledger_and_no_exporter_says_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line, exit code 2, and no file is made."""
    configure(tmp_path, PORT_OF_NOBODY)
    assert run(tmp_path) == 2
    error = capsys.readouterr().err
    assert (
        "no ledger that you may read, and no exporter: http://127.0.0.1:1: nothing answers" in error
    )
    assert [path.name for path in tmp_path.iterdir()] == ["config.yaml"]


def test_the_running_exporter_comes_first(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is not in any file yet comes from the exporter; so do its complaints."""
    file_store = MemoryStore()
    shelf = Shelf(2, wall_ns=WALL_NS + 12 * HOUR)
    shelf.tick(file_store, chance=1.0)

    def body(params: Mapping[str, str]) -> Iterable[bytes]:
        return export.answer(file_store.history(), params, shelf.wall_ns)

    server = WebServer(("127.0.0.1", 0), lambda: None, body)
    server.start()
    try:
        configure(tmp_path, f"127.0.0.1:{server.address[1]}")
        assert run(tmp_path, "--csv") == 0
        rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
        assert len(rows) == 4
        assert run(tmp_path, "--since", "soon") == 2
        assert "is neither a date nor a duration" in capsys.readouterr().err
    finally:
        server.stop()


def test_reading_a_file_writes_nothing(tmp_path: Path, shelf: Shelf) -> None:
    """The bytes and the names in the folder are the same before and after."""
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert len(list(read(tmp_path / "ledger.db").gaps())) == 30
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_ledger_file_is_read_where_it_is_named(
    tmp_path: Path, shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """--ledger needs neither exporter nor configuration; a file that is not there is one line."""
    assert cli.main(["history", "--ledger", str(tmp_path / "ledger.db"), "--csv"]) == 0
    assert len(capsys.readouterr().out.splitlines()) == 61
    assert cli.main(["history", "--ledger", str(tmp_path / "none.db")]) == 2
    where = tmp_path / "none.db"
    expected = f"spinledger: {where}: there is no such file; name a ledger file\n"
    assert capsys.readouterr().err == expected
