"""The tests' side of the mocked shelf (a set of mocked disks): start it, use it, run in it.

A function given to `Shelf.run` is imported and called in a child process whose /sys and /dev are
the shelf's. It gets the shelf as its first argument and returns JSON types.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from tests.fakes.patience import PATIENCE_S

_SYSTEM_PYTHON = "/usr/bin/python3"  # the only one that has umockdev's bindings
_HARNESS = Path(__file__).with_name("shelf.py")
_ROOT = Path(__file__).parents[2]
MARKER = "/sys/mocked-shelf"  # no real /sys has it
_MARK = "result: "
# The child must see the shelf and nothing else: without its environment it would see this host.
_INSIDE = "from tests.fakes.mocked import inside; import sys; inside(sys.argv[1], sys.argv[2])"


class Shelf:
    """A running shelf, from outside or from inside."""

    def __init__(self, environment: dict[str, str]) -> None:
        self.environment = environment

    def do(self, verb: str, **arguments: object) -> Any:
        """One verb of the harness (`shelf.Shelf.do_*`); its answer."""
        with socket.socket(socket.AF_UNIX) as connection:
            connection.connect(self.environment["SHELF_CONTROL"])
            with connection.makefile("rw") as lines:
                lines.write(json.dumps([verb, arguments]) + "\n")
                lines.flush()
                fine, answer = json.loads(lines.readline())
        if not fine:
            raise RuntimeError(answer)
        return answer

    def run(self, function: Callable[..., Any], timeout: float = PATIENCE_S) -> Any:
        """Call a module's function in a process that sees the shelf; what it returned."""
        path = os.pathsep.join([str(_ROOT), str(_ROOT / "exporter")])
        done = subprocess.run(
            [sys.executable, "-c", _INSIDE, function.__module__, function.__qualname__],
            env=os.environ | self.environment | {"PYTHONPATH": path},
            stdout=subprocess.PIPE,
            text=True,
            timeout=timeout,
            check=True,
        )
        last = done.stdout.splitlines()[-1]
        assert last.startswith(_MARK), done.stdout
        return json.loads(last.removeprefix(_MARK))


@contextlib.contextmanager
def mocked_shelf(count: int) -> Iterator[Shelf]:
    """A shelf of that many disks (sda, sdb, ...) for the length of the block."""
    with subprocess.Popen(
        [_SYSTEM_PYTHON, str(_HARNESS), str(count)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as harness:
        assert harness.stdin is not None
        assert harness.stdout is not None
        try:
            yield Shelf(json.loads(harness.stdout.readline()))
        finally:
            harness.stdin.close()


def inside(module: str, function: str) -> None:
    """The child: refuse to run where it sees the host's own devices, then call the function."""
    assert os.path.exists(MARKER), "this process sees the host's own devices, not the shelf"
    answer = getattr(importlib.import_module(module), function)(Shelf(dict(os.environ)))
    print(_MARK + json.dumps(answer), flush=True)
