"""`spinledger capture` on a real kernel: who did it, when, and how the kernel is left behind.

What really happened is in the services' record of their I/O and in the drive's log. Gaps worked
out from the trace may differ from it by one capture interval (1 s) each.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from spinledger.cli import main
from tests.lab.guest.drive import commands
from tests.lab.vm import AHCI_SERIALS, AHCI_WWNS, Guest

INTERVAL_S = 1.0
TIMERS_S = (3.0, 7.0)
END_S = 44.0
# Seconds from the start. Some 5 s lie between two bursts, or some 10 or more where whoever made the
# burst between is left out: 1.3 s or more from both timers, so that no error of one interval can
# move a gap to the other side.
SERVICES: dict[str, dict[str, Any]] = {
    "indexer": {
        "op": "read",
        "at": [0.4, 0.5, 5.5, 6.0, 10.6, 25.9, 36.2, 41.9],
        "partition": True,
    },
    "gallery": {"op": "read", "at": [0.9, 11.0, 20.7, 20.8, 21.0, 41.2, 41.6]},
    "backup": {"op": "write", "at": [0.8, 15.9, 26.2, 31.0, 31.1, 42.0]},
}
ODD_NAME = 'a }, rwbs: R\n,"'  # 15 bytes, as long as a name may be (proc(5))


def gaps(times: Iterable[float]) -> list[float]:
    """Seconds between consecutive times."""
    ordered = sorted(times)
    return [later - earlier for earlier, later in pairwise(ordered)]


@pytest.fixture(scope="module")
def played(guest: Guest) -> dict[str, Any]:
    """What the guest reports of one capture over the three services, and what the drive logged."""
    node = guest.rack("attach", name="shared", number=901, timer_s=0)
    try:
        request = {"node": node, "services": SERVICES, "end_s": END_S}
        report: dict[str, Any] = guest.python("services", stdin=json.dumps(request), timeout=240)
        log = guest.rack("log", name="shared", since=report["began"])
    finally:
        guest.rack("detach", name="shared")
    ended = report["began"] + END_S - 0.5
    report["log"] = [row for row in commands(log, "READ", "WRITE") if row["at"] < ended]
    return report


@pytest.fixture(scope="module")
def trace(played: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The trace as a file."""
    path = tmp_path_factory.mktemp("capture") / "out.csv"
    path.write_text(played["trace"])
    return path


def test_load_is_what_the_drive_got(played: dict[str, Any]) -> None:
    """The drive logged as many reads and writes as the services recorded: no other program did."""
    made = sorted(
        (at, SERVICES[name]["op"].upper()) for name, times in played["done"].items() for at in times
    )
    got = sorted((row["at"], row["what"]) for row in played["log"])
    assert [op for _, op in got] == [op for _, op in made]
    assert [at for at, _ in got] == pytest.approx([at for at, _ in made], abs=0.5)


def test_each_row_is_an_io_that_was_made(played: dict[str, Any], trace: Path) -> None:
    """Every I/O has a row of its actor and operation within half an interval, every row an I/O."""
    rows = list(csv.DictReader(trace.open()))
    assert list(rows[0]) == ["timestamp_seconds", "op", "actor"]
    first, *rows, last = rows
    assert (first["op"], last["op"]) == ("begin", "end")
    for name, times in played["done"].items():
        mine = [row for row in rows if row["actor"] == name]
        assert {row["op"] for row in mine} == {SERVICES[name]["op"]}
        recorded = [float(row["timestamp_seconds"]) - played["boot_to_wall_s"] for row in mine]
        slack = INTERVAL_S / 2 + 0.3  # and what an emulated processor is late
        assert all(any(abs(at - real) <= slack for real in times) for at in recorded)
        assert all(any(abs(at - real) <= slack for at in recorded) for real in times)
    assert {row["actor"] for row in rows} == {*SERVICES}


@pytest.mark.parametrize("without", [*SERVICES, ""])
def test_replay_without_each_is_what_happened(
    played: dict[str, Any], trace: Path, capsys: pytest.CaptureFixture[str], without: str
) -> None:
    """Spin-ups equal those of the remaining services' record, cut off at begin and end; each gap is
    within one interval."""
    rows = list(csv.DictReader(trace.open()))
    bounds = [float(row["timestamp_seconds"]) for row in rows if row["op"] in ("begin", "end")]
    done = [at for name, times in played["done"].items() if name != without for at in times]
    truth = gaps([*done, *(at - played["boot_to_wall_s"] for at in bounds)])
    ends = (truth[0], truth[-1])  # these come as they come
    assert all(abs(gap - timer) > INTERVAL_S for gap in truth[1:-1] for timer in TIMERS_S)
    options = ["--timers", "3,7", "--json", *(["--without", without] if without else [])]
    assert main(["replay", "--trace", str(trace), *options]) == 0
    report = json.loads(capsys.readouterr().out)
    for timer_s, row in zip(TIMERS_S, report["timers"], strict=True):
        slept = [gap - timer_s for gap in truth if gap > timer_s]
        unsure = sum(abs(gap - timer_s) <= INTERVAL_S for gap in ends)
        spin_ups = sum(gap > timer_s for gap in truth[:-1])
        assert row["standby_seconds"] == timer_s
        assert spin_ups - unsure <= row["cycles"] <= spin_ups + unsure
        print(f"without {without or 'nobody'}, {timer_s:g} s: {row['cycles']} cycles,", end=" ")
        print(f"asleep {row['asleep_seconds']:.3f} s, really {sum(slept):.3f} s")
        most = INTERVAL_S * (len(slept) + unsure)
        assert row["asleep_seconds"] == pytest.approx(sum(slept), abs=most)
    assert report["timers"][0]["observed_seconds"] == pytest.approx(sum(truth), abs=INTERVAL_S)
    requests = [row for row in rows if row["op"] not in ("begin", "end")]
    times = {float(row["timestamp_seconds"]) for row in requests if row["actor"] != without}
    long = [gap for gap in gaps(times) if gap > min(TIMERS_S)]
    real = [gap for gap in gaps(done) if gap > min(TIMERS_S)]
    assert long == pytest.approx(real, abs=INTERVAL_S)


def test_an_interrupt_keeps_the_trace_and_leaves_nothing_behind(played: dict[str, Any]) -> None:
    """SIGINT ends it with code 0 and a report; no instance is left, no event was copied out."""
    assert played["code"] == 0
    lines = [line for line in played["err"].splitlines() if not line.startswith("capturing: ")]
    assert lines == []  # but for lines of progress, where the machine is slow
    assert played["left_behind"] == []
    assert played["copied_out"] == []
    assert "backup" in played["out"]


@pytest.fixture(scope="module")
def hardships(guest: Guest) -> dict[str, Any]:
    """What the guest reports of captures that are killed, refused, or given odd names."""
    node, other = (guest.node(serial) for serial in AHCI_SERIALS)
    request = {"node": node, "other": other, "odd": ODD_NAME}
    report: dict[str, Any] = guest.python("captures", stdin=json.dumps(request), timeout=240)
    return report


def test_what_a_killed_capture_left_is_removed_by_the_next(hardships: dict[str, Any]) -> None:
    """SIGKILL leaves an instance behind, the next capture has only its own, and then none is."""
    (left,) = hardships["killed"]
    (own,) = hardships["during"]
    assert left != own
    assert hardships["left_behind"] == []


def test_a_capture_of_several_disks_names_them(hardships: dict[str, Any], tmp_path: Path) -> None:
    """A fourth column is the disk; replay needs one of them by name."""
    assert (hardships["outcome"]["code"], hardships["outcome"]["err"]) == (0, "")
    path = tmp_path / "all.csv"
    path.write_text(hardships["outcome"]["out"])
    rows = list(csv.DictReader(path.open(newline="")))
    assert list(rows[0]) == ["timestamp_seconds", "op", "actor", "disk"]
    odd = ODD_NAME.replace("\n", "\\x0a")
    rows = [row for row in rows if row["op"] not in ("begin", "end")]
    assert sorted((row["actor"], row["disk"]) for row in rows) == [
        *[(odd, f"wwn-{AHCI_WWNS[0]}")] * 2,
        *[("reader", f"wwn-{wwn}") for wwn in AHCI_WWNS],
    ]
    assert main(["replay", "--trace", str(path)]) == 2
    first = ["--disk", f"wwn-{AHCI_WWNS[0]}", "--without", "reader"]
    assert main(["replay", "--trace", str(path), *first]) == 0


def test_a_flush_alone_is_no_io(hardships: dict[str, Any]) -> None:
    """The kernel counted the flusher's two flushes; the trace has no row of it."""
    assert hardships["flushes"] == 2
    assert "flusher" not in hardships["outcome"]["out"]


def test_a_crowded_table_is_cleared_by_the_kernel(hardships: dict[str, Any]) -> None:
    """Above three quarters of 128 places it begins anew; what found no place at all is counted."""
    first, second, third, (lost, _, _) = hardships["crowded"]
    assert first == [100, True, sorted(f"p{number}" for number in range(100))]
    assert second == [1, False, ["p200"]]
    assert third[1] is True
    assert lost == 141 - third[0] > 0


def test_refusals_are_one_line(hardships: dict[str, Any]) -> None:
    """Without the right, and without tracefs: exit code 2, and a line with the fix."""
    nobody, unmounted = (hardships["refused"][name] for name in ("nobody", "unmounted"))
    assert (nobody["code"], unmounted["code"]) == (2, 2)
    assert "run it as root" in nobody["err"]
    assert "mount -t tracefs tracefs /sys/kernel/tracing" in unmounted["err"]
    assert (nobody["err"].count("\n"), unmounted["err"].count("\n")) == (1, 1)
