"""A process that is really killed, with and without its live journal.

Source: signal(7): SIGKILL cannot be caught. What a power cut leaves is imitated by taking away the
memory file system and the boot; that what was synced stays on the disk is the file system's word.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from spinledger.model import HOUR
from tests.integration.store.ticking import DISKS, TICK_NS
from tests.integration.store.written import BOOT

ROOT = Path(__file__).parents[3]
KILLS = int(os.environ.get("SPINLEDGER_TEST_KILLS", "20"))
CUTS = int(os.environ.get("SPINLEDGER_TEST_CUTS", "8"))
ROWS = 4 * DISKS  # spans, spin-ups and gaps a tick


@dataclass(frozen=True)
class Run:
    """What a process said before it died."""

    counts: str
    at_ns: int
    rows: int
    lost: str
    noted: int
    committed: int


def run(folder: Path, boot: str, seconds: float) -> Run:
    """Start the process, kill it after some time from its first word; what it said."""
    child = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "tests.integration.store.ticking",
            str(folder / "ledger" / "ledger.db"),
            str(folder / "live"),
            boot,
        ],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": "exporter"},
        stdout=subprocess.PIPE,
        text=True,
    )
    assert child.stdout is not None
    first = child.stdout.readline()
    time.sleep(seconds)
    child.kill()
    said = child.stdout.read().splitlines(keepends=True)
    child.wait()
    child.stdout.close()
    _, counts, at_ns, rows, lost = first.rstrip("\n").split(" ", 4)
    given = [line.split() for line in said if line.endswith("\n")]
    noted = max((int(n) for word, n in given if word == "noted"), default=int(counts))
    committed = max((int(n) for word, n in given if word == "committed"), default=0)
    return Run(counts, int(at_ns), int(rows), lost, noted, committed)


def test_nothing_is_lost_at_a_kill(tmp_path: Path) -> None:
    """After each of many kills: every disk has the count of the last tick, or of the one whose
    line was being written; each entry is there once; nothing is said to be lost."""
    for name in ("ledger", "live"):
        (tmp_path / name).mkdir()
    dice = random.Random(11)
    before = run(tmp_path, BOOT, 0.1)
    for _ in range(KILLS):
        now = run(tmp_path, BOOT, dice.random() * 0.12)
        assert now.lost == ""
        count = int(now.counts)  # one count for all disks, or this fails
        assert count in (before.noted, before.noted + 1)
        assert now.at_ns == HOUR + count * TICK_NS
        assert now.rows == count * ROWS
        before = now


def test_a_power_cut_loses_at_most_what_was_not_committed(tmp_path: Path) -> None:
    """With the journal gone the file's last commit holds, whole, and the loss is reported."""
    dice = random.Random(12)
    for name in ("ledger", "live"):
        (tmp_path / name).mkdir()
    before = run(tmp_path, "boot-0", 0.2)
    worst = 0
    for number in range(CUTS):
        shutil.rmtree(tmp_path / "live")
        (tmp_path / "live").mkdir()
        now = run(tmp_path, f"boot-{number + 1}", 0.05 + dice.random() * 0.12)
        count = int(now.counts)
        assert "power cut" in now.lost
        assert count >= before.committed
        assert now.rows == count * ROWS
        worst = max(worst, before.noted - count)
        before = now
    print(f"worst loss of {CUTS} power cuts: {worst} ticks, as many spin-ups a disk")
