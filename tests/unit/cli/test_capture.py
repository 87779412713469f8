"""`spinledger capture`: arguments, the trace it writes, and what it never overwrites."""

from __future__ import annotations

import csv
import dataclasses
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from spinledger.app.capture import Read, Row, disk_here
from spinledger.cli import capture, main
from spinledger.cli.arguments import length
from spinledger.cli.traces import Trace
from spinledger.device.discovery import Discovery
from spinledger.errors import BadTrace, Unavailable
from spinledger.model import SECOND, Disk, Seen
from spinledger.whatif.trace import Row as Traced
from tests.fakes.facts import DISK, WALL_NS

OTHER = dataclasses.replace(DISK, nodes=("sdb",), identity="wwn-0x2")
ROWS = [
    Row(WALL_NS + 500_000_000, "read", 'a "b", c\\x0a', DISK.identity, 1, 8),
    Row(WALL_NS + 500_000_000, "write", "backup", OTHER.identity, 3, 2048),
    Row(WALL_NS + 9_504_000_000, "read", "indexer", DISK.identity, 2, 16),
]


@pytest.fixture
def kernel(monkeypatch: pytest.MonkeyPatch) -> list[Disk]:
    """Two watched disks with the rows above; the list can be cut to have fewer."""
    disks = [DISK, OTHER]

    def chosen(config: object, names: Sequence[str]) -> list[Disk]:
        return disks

    def readings(disks: Sequence[Disk], for_ns: int, wait: object) -> Iterator[Read]:
        here = {disk.identity for disk in disks}
        yield Read([], SECOND, 0)
        yield Read([row for row in ROWS[:2] if row.disk in here], 2 * SECOND, 2)
        yield Read([row for row in ROWS[2:] if row.disk in here], for_ns, 3)

    monkeypatch.setattr(capture, "chosen", chosen)
    monkeypatch.setattr(capture, "capture", readings)
    return disks


def test_replay_reads_what_capture_wrote(kernel: list[Disk], tmp_path: Path) -> None:
    """One disk: three columns; times to the millisecond, names with quotes and commas whole."""
    del kernel[1:]
    path = tmp_path / "out.csv"
    assert main(["capture", "--for", "10s", "--out", str(path)]) == 0
    with path.open(newline="") as file:
        assert next(csv.reader(file)) == ["timestamp_seconds", "op", "actor"]
    assert list(Trace(path).rows()) == [
        Traced(ROWS[0].at_wall_ns, "read", 'a "b", c\\x0a'),
        Traced(ROWS[2].at_wall_ns, "read", "indexer"),
    ]


def test_several_disks_in_one_trace(kernel: list[Disk], tmp_path: Path) -> None:
    """A fourth column; a trace of several is refused by line until --disk names one."""
    path = tmp_path / "out.csv"
    assert main(["capture", "--for", "10s", "--out", str(path)]) == 0
    with pytest.raises(BadTrace, match=r"out\.csv:3: rows of several disks: .*--disk$"):
        list(Trace(path).rows())
    assert [row.actor for row in Trace(path, DISK.identity).rows()] == ['a "b", c\\x0a', "indexer"]
    other = Trace(path, OTHER.identity)
    assert list(other.times()) == [ROWS[1].at_wall_ns]
    assert (other.began_ns, other.ended_ns) == (ROWS[0].at_wall_ns, ROWS[2].at_wall_ns)
    with pytest.raises(BadTrace, match=r"no rows of I/O of disk 'sdq'"):
        list(Trace(path, "sdq").times())


def test_a_trace_by_the_kernel_name_of_a_disk(
    kernel: list[Disk], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A trace has identities; the machine it was made on knows which one a kernel name is."""
    path = tmp_path / "out.csv"
    assert main(["capture", "--for", "10s", "--out", str(path)]) == 0
    seen = [Seen(disk, 0) for disk in kernel]
    monkeypatch.setattr(Discovery, "scan", lambda self, at_ns: (seen, []))
    name = kernel[0].kernel_name
    here = disk_here(name)
    assert here == DISK
    assert disk_here("sdz") is None
    rows = list(Trace(path, name, here.identity).rows())
    assert [row.actor for row in rows] == ['a "b", c\\x0a', "indexer"]


def test_a_trace_without_the_column_has_no_disks(tmp_path: Path) -> None:
    """--disk on a trace of one disk is refused in one line."""
    path = tmp_path / "one.csv"
    path.write_text("timestamp_seconds\n1\n2\n")
    with pytest.raises(BadTrace, match=r"one\.csv:1: no column disk, which --disk needs"):
        Trace(path, "sda")


def test_standard_output_has_the_trace_and_nothing_else(
    kernel: list[Disk], capsys: pytest.CaptureFixture[str]
) -> None:
    """Without --out the rows go to standard output; what was lost is reported on standard error."""
    assert main(["capture", "--for", "10s"]) == 0
    printed = capsys.readouterr()
    assert [line.split(",")[0] for line in printed.out.splitlines()] == [
        "timestamp_seconds",
        *(["1767225600.500"] * 2),
        "1767225609.504",
    ]
    assert printed.err == "spinledger: 5 requests are missing: the kernel's table was full\n"


def test_closing_words_name_the_busiest_first(
    kernel: list[Disk], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Seconds with I/O, requests, and MiB of 2048 sectors."""
    assert main(["capture", "--for", "10s", "--out", str(tmp_path / "out.csv")]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "3 rows in 10 s"
    assert lines[2].split() == ["backup", "write", "1", "3", "1.0", OTHER.identity]
    assert len(lines) == 5


def test_a_file_is_written_in_large_pieces(
    kernel: list[Disk], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is written before a piece is full or the end comes; pieces follow one another."""
    path = tmp_path / "out.csv"
    trace = capture.TraceWriter(path, several=False)
    trace.add(ROWS[:2])
    assert not path.exists()
    monkeypatch.setattr(capture, "PIECE", 10)
    trace.add(ROWS[2:])
    assert len(path.read_text().splitlines()) == 4
    trace.add(ROWS[2:])
    trace.close()
    assert len(path.read_text().splitlines()) == 5


def test_a_refused_capture_leaves_the_file_alone(
    kernel: list[Disk],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """When the kernel refuses, an earlier trace of that name is still there; one line, code 2."""

    def refused(*_: object) -> Iterator[Read]:
        raise Unavailable("no_tracefs", "tracefs is not mounted")
        yield

    path = tmp_path / "out.csv"
    path.write_text("earlier\n")
    monkeypatch.setattr(capture, "capture", refused)
    assert main(["capture", "--for", "10s", "--out", str(path)]) == 2
    assert path.read_text() == "earlier\n"
    assert capsys.readouterr().err == "spinledger: tracefs is not mounted\n"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--for", "10s", "--out", "/nowhere/at/all.csv"], "cannot be written; name a file"),
        (["--for", "10s", "--out", "/"], "--out /: is a folder; name a file"),
        (["--for", "0"], "must be longer than 0"),
        (["--for", "tomorrow"], '"tomorrow" is not a duration'),
        ([], "--for"),
    ],
)
def test_bad_arguments_are_one_line(
    kernel: list[Disk], capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    """Exit code 2 before anything is captured."""
    try:
        code = main(["capture", *arguments])
    except SystemExit as end:
        code = int(end.code or 0)
    error = capsys.readouterr().err
    assert code == 2
    assert words in error
    assert error.count("\n") == 1


@pytest.mark.parametrize(
    ("text", "seconds"), [("40s", 40), ("40", 40), ("1.5", 1.5), ("1h30m", 5400), ("8h", 28800)]
)
def test_durations(text: str, seconds: float) -> None:
    """With units as in the configuration; a bare number is seconds."""
    assert length(text) == seconds * SECOND
