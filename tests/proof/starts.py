"""The real exporter, ended by signals while it starts.

At each moment it gets SIGTERM, SIGINT, SIGHUP or SIGKILL, on one ledger. It ends in order or by
the signal, without a traceback; after SIGHUP it serves; the ledger is whole and has every record
that it had before. Only while the interpreter itself starts, before the first line of ours, may
SIGHUP end it and SIGINT show a traceback: the kernel's record of its signals says so (proc(5)).
"""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

from spinledger.sim.rehearse import Rehearsal, rehearse
from spinledger.store.file import verify
from tests.fakes.patience import PATIENCE_S, until
from tests.proof.faults import Row, counted
from tests.unit.app.test_hangup_at_start import not_ignored

ROOT = Path(__file__).parents[2]
SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGKILL)
SERVING = b"serving http"


class Start:
    """One start of the exporter on a ledger."""

    def __init__(self, ledger: Path, live: Path) -> None:
        serve = ["serve", "--shelf", "simulated", "--ledger", str(ledger)]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "spinledger", *serve, "--listen", "127.0.0.1:0"],
            cwd=ROOT,
            env={
                **os.environ,
                "PYTHONPATH": str(ROOT / "exporter"),
                "RUNTIME_DIRECTORY": str(live),
            },
            stderr=subprocess.PIPE,
            preexec_fn=not_ignored,
        )
        self.said = b""

    def begun(self) -> bool:
        """Whether our first line has run: SIGHUP is held back from then on, and handled later."""
        status = Path(f"/proc/{self.process.pid}/status").read_text("ascii", "replace")
        bit = 1 << signal.SIGHUP - 1
        masks = {name: mask for name, _, mask in map(_parted, status.splitlines())}
        ended = self.process.poll() is not None
        return ended or any(int(masks.get(name, "0"), 16) & bit for name in ("SigBlk", "SigCgt"))

    def serves(self) -> bool:
        """Read until it serves, or has ended."""
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.said += line
            if SERVING in line:
                return True
        return False

    def ended(self) -> str:
        """How it ended: `exit 0`, `SIGTERM`."""
        _, rest = self.process.communicate(timeout=PATIENCE_S)
        self.said += rest
        code = self.process.returncode
        return f"exit {code}" if code >= 0 else signal.Signals(-code).name


def _parted(line: str) -> tuple[str, str, str]:
    return line.partition(":\t")


def rows(ledger: Path) -> int:
    """How many records the ledger has. A start that was killed may have left half a commit, which
    SQLite takes back here."""
    with closing(sqlite3.connect(ledger)) as connection:
        tables = ("spans", "cycles", "gaps", "readings")
        counts = [connection.execute(f"SELECT count(*) FROM {one}").fetchone() for one in tables]
    return sum(count for (count,) in counts)


def killed_while_starting(moments_ms: Iterable[int]) -> Row:
    """Each signal after each of these times: 0 for at once, else from our first line on."""
    moments = list(moments_ms)
    ends: Counter[str] = Counter()
    row = Row(
        "kills at the start",
        f"{', '.join(one.name for one in SIGNALS)} at {len(moments)} moments, at once and up to "
        f"{moments[-1]} ms after the first line",
        "",
        "",
    )
    missing = 0
    with tempfile.TemporaryDirectory(prefix="spinledger-", dir="/dev/shm") as name:
        ledger, live = Path(name) / "ledger.db", Path(name) / "live"
        live.mkdir(mode=0o700)
        rehearse(Rehearsal(0.5, disks=3), ledger)
        before = at_first = rows(ledger)
        for moment_ms in moments:
            for sent in SIGNALS:
                start = Start(ledger, live)
                if moment_ms:
                    until(start.begun, "the first line")
                    time.sleep(moment_ms / 1000)
                begun = start.begun()
                start.process.send_signal(sent)
                if sent == signal.SIGHUP and begun:
                    row.holds(start.serves(), f"serves after SIGHUP at {moment_ms} ms")
                    start.process.terminate()
                end = start.ended()
                ends[f"{sent.name} {end}{'' if begun else ' before the first line'}"] += 1
                place = f"{sent.name} at {moment_ms} ms: "
                if begun:
                    row.holds(end in allowed(sent), place + f"ended with {end}")
                    row.holds(b"Traceback" not in start.said, place + start.said.decode()[-200:])
                now = rows(ledger)
                missing += max(0, before - now)
                before = now
                damage = list(verify(ledger))
                row.holds(not damage, place + "; ".join(damage))
    row.holds(any("first line" not in name for name in ends), "some starts had begun")
    row.happened = f"{counted(ends)}; the ledger went from {at_first} to {before} rows"
    row.lost = f"{missing} rows of the ledger"
    row.holds(missing == 0 and at_first > 0, "no row is lost")
    return row


def allowed(sent: signal.Signals) -> set[str]:
    """In order, or by the signal itself while nothing has begun."""
    match sent:
        case signal.SIGKILL:
            return {"SIGKILL"}
        case signal.SIGHUP:
            return {"exit 0"}  # by the SIGTERM after it
    return {"exit 0", sent.name}
