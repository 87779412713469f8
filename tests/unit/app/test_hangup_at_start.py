"""A hang-up signal while the exporter starts asks for a reload and ends nothing (signal(7): its
default action ends a process; daemons reload by convention). An interrupt ends the start at once,
without a traceback."""

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
IMPORTING = """
import os, signal, sys

class Interrupted:
    def find_spec(self, name, *_):
        if name == "spinledger.cli":
            os.kill(os.getpid(), signal.SIGINT)

sys.meta_path.insert(0, Interrupted())
sys.argv = ["spinledger", sys.argv[1]]
from spinledger.__main__ import main
sys.exit(main())
"""


def not_ignored() -> None:
    """Undo what nohup(1) and a shell's background pass on to the processes below them."""
    signal.signal(signal.SIGHUP, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.default_int_handler)


def start(command: str, child: str = CHILD) -> subprocess.CompletedProcess[str]:
    """A process that gets the signal before it takes signals."""
    return subprocess.run(
        [sys.executable, "-c", child, command],
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


@pytest.mark.parametrize("command", ["serve", "look"])
def test_an_interrupt_while_modules_are_imported(command: str) -> None:
    """It ends by the signal, and nothing is printed."""
    done = start(command, IMPORTING)
    assert (done.returncode, done.stdout, done.stderr) == (-signal.SIGINT, "", "")
