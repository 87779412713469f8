"""The capabilities that are given up, and that a child has again: by the kernel's own account.

Source: capabilities(7), "Capabilities and execution of programs by root"; proc_pid_status(5).
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from spinledger.device.rights import KEPT

CHILD = "import re; print(re.findall(r'CapEff:\\s*(\\w+)', open('/proc/self/status').read())[0])"
PARENT = f"""
import subprocess, sys, threading
from spinledger.device.rights import give_up
{{before}}
give_up()
code = {CHILD!r}
exec(code)
thread = threading.Thread(target=exec, args=(code.replace('self', 'thread-self'),))
thread.start()
thread.join()
print(subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout, end="")
"""
ENVIRONMENT = os.environ | {"PYTHONPATH": str(Path(__file__).parents[3] / "exporter")}
NO_NEW_PRIVS = "import ctypes; ctypes.CDLL(None).prctl(38, 1, 0, 0, 0)"  # linux/prctl.h


def sets(before: str) -> list[int]:
    """Effective sets afterwards: of the process, of its thread, of its child."""
    done = subprocess.run(
        [sys.executable, "-c", PARENT.format(before=before)],
        env=ENVIRONMENT,
        capture_output=True,
        text=True,
        check=True,
    )
    return [int(line, 16) for line in done.stdout.split()]


def own(name: str) -> int:
    """A number of this process's status."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1], 16) for line in lines if line.startswith(f"{name}:"))


def test_root_keeps_those_for_files_and_its_children_have_all() -> None:
    """Another user, and one who may gain nothing by exec, keeps what it has."""
    had = own("CapEff")
    gives_up = os.geteuid() == 0 and not own("NoNewPrivs")
    kept = had & KEPT if gives_up else had
    assert sets("") == [kept, kept, had]


def test_nothing_is_given_up_where_a_child_would_not_have_it() -> None:
    """With no_new_privs an exec gains nothing."""
    had = own("CapEff")
    assert sets(NO_NEW_PRIVS) == [had, had, had]


def test_serve_gives_them_up() -> None:
    """The command does, before it serves."""
    line = ["-m", "spinledger", "serve", "--shelf", "simulated", "--listen", "127.0.0.1:0"]
    with subprocess.Popen(
        [sys.executable, *line], env=ENVIRONMENT, stderr=subprocess.PIPE, text=True
    ) as serving:
        assert serving.stderr is not None
        assert "serving" in serving.stderr.readline()
        status = Path(f"/proc/{serving.pid}/status").read_text(encoding="ascii")
        serving.terminate()
    assert int(status.partition("CapEff:")[2].split()[0], 16) == sets("")[0]


@pytest.mark.parametrize("number", [17, 21])
def test_what_could_reach_a_disk_is_not_kept(number: int) -> None:
    """CAP_SYS_RAWIO and CAP_SYS_ADMIN (include/uapi/linux/capability.h)."""
    assert not KEPT >> number & 1
