"""A hang-up signal while the exporter starts asks for a reload and ends nothing (signal(7): its
default action ends a process; daemons reload by convention)."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

EXPORTER = Path(__file__).parents[3] / "exporter"
CHILD = """
import os, signal, sys, types
sys.argv = ["spinledger", sys.argv[1]]
from spinledger import __main__ as started
import spinledger

def main():
    os.kill(os.getpid(), signal.SIGHUP)
    from spinledger.app.publishers import Signals
    loop = types.SimpleNamespace(reloading=False, stopping=False)
    Signals().drive(loop)
    print(loop.reloading, loop.stopping)
    return 0

sys.modules["spinledger.cli"] = spinledger.cli = types.SimpleNamespace(main=main)
sys.exit(started.main())
"""


def not_ignored() -> None:
    """Undo what nohup(1) passes on to the processes below it."""
    signal.signal(signal.SIGHUP, signal.SIG_DFL)


def start(command: str) -> subprocess.CompletedProcess[str]:
    """A process that gets the signal before it takes signals."""
    return subprocess.run(
        [sys.executable, "-c", CHILD, command],
        env={**os.environ, "PYTHONPATH": str(EXPORTER)},
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=not_ignored,
    )


@pytest.mark.parametrize(("command", "status"), [("serve", 0), ("look", -1)])
def test_a_hangup_while_it_starts(command: str, status: int) -> None:
    """The exporter takes it as a reload once it can; any other command is ended by it."""
    done = start(command)
    assert (done.returncode, done.stderr) == (status, "")
    assert done.stdout == ("True False\n" if status == 0 else "")
