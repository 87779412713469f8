"""A simulated host on which the commands of a page run, as a reader runs them.

Rules: the commands of a page run in its order, each in a bash of its own, below a root: absolute
paths that a reader writes to are moved there, and so are the files that the page shows. Programs of
ours and real tools run. What cannot run here is in CHECKED, a closed list; its words are checked.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import socket
import ssl
import subprocess
import sys
import textwrap
import urllib.request
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import NamedTuple

from spinledger.cli import main
from tests.fakes.patience import PATIENCE_S, until

ROOT = Path(__file__).parents[2]
DISK, ACTOR = "sim-attic-frames-1", "mira"  # of the rehearsed ledger, for those of the pages
CONFIG, LEDGER = "/etc/spinledger/config.yml", "/var/lib/spinledger/ledger.db"
_MOVED = re.compile(r"(?<![\w.*])/(?=(?:etc|var/lib|run|tmp)/)")
_FENCE = re.compile(r"^( *)```(sh|yaml|ini)\n(.*?)^\1```", re.MULTILINE | re.DOTALL)
_READS_CONFIG = ("look", "check", "history", "wear", "replay")

CHECKED: dict[str, tuple[str, str]] = {
    "apt-get": ("apt-get(8)", "install --no-install-recommends"),
    "pipx": ("pipx(1)", "install"),
    "systemctl": (
        "systemctl(1)",
        "list-timers show status start stop restart reload daemon-reload --all -p",
    ),
    "journalctl": ("journalctl(1)", "-b -k -n -u --list-boots"),
    "timedatectl": ("timedatectl(1)", ""),
    "dmesg": ("dmesg(1)", ""),
    "ls": ("ls(1); devices of this machine", "-l --full-time"),
    "cat": ("cat(1); likewise", ""),
    "df": ("df(1); likewise", "-h"),
    "ps": ("ps(1); processes of this machine", "-eo"),
    "grep": ("grep(1); mounts of this machine", ""),
    "podman": (
        "podman-build(1), podman-run(1), podman-exec(1)",
        "build run exec -f -t --detach --name --restart --network --pid --cap-drop --cap-add "
        "--device-cgroup-rule --volume",
    ),
    "prometheus": ("prometheus --help; a server", "--config.file --web.console.templates"),
    "./exporter/try": ("its help; integration/test_try_stack.py runs it", "--stack --listen"),
    "./exporter/debian/build": ("its help", ""),
    "./tests/run": ("its help; it runs this", "--quick --lowest -x -k"),
    "spinledger capture": ("its parser; needs tracefs", "--config --for --disk --out"),
    "python": ("the module's help", "-m --hosts --base --minutes --disk"),
}
"""Programs that do not run here: where their words are from, and the words that pages may use."""

EXPLAIN = ("systemctl", "journalctl", "df", "prometheus", "./exporter/try", "./tests/run")
"""Of these, programs whose help lists every option but the ones of pytest."""


@dataclass(frozen=True, slots=True)
class Step:
    """What a reader does next: run a command, or write a file whose name stands above a block."""

    command: str = ""
    file: str = ""
    content: str = ""


def steps(text: str) -> Iterator[Step]:
    """The steps of a page, in order."""
    for block in _FENCE.finditer(text):
        inside = textwrap.dedent(block[3])
        above = text[: block.start()].rstrip().rpartition("\n\n")[2]
        if block[2] == "sh":
            yield from (Step(command=line) for line in inside.splitlines() if line.strip())
        elif named := re.search(r"`(/[^`]+)`[^`]*:$", above):
            yield Step(file=named[1], content=inside)


def bare(command: str) -> list[str]:
    """The words of a command, without sudo, settings, the comment, and what follows a pipe."""
    words = shlex.split(re.split(r" [|<>] ", command)[0], comments=True)
    while words[0] == "sudo" or re.fullmatch(r"[A-Z_]+=\S*", words[0]):
        words = words[1:]
    return [words[0].removeprefix(".venv/bin/"), *words[1:]]


def checked(command: str) -> str:
    """The row of CHECKED that a command falls under; "": it runs."""
    words = bare(command)
    return next((name for name in (" ".join(words[:2]), words[0]) if name in CHECKED), "")


def options(words: list[str]) -> set[str]:
    """The options among the words of a command, without their values."""
    return {word.partition("=")[0] for word in words if re.match(r"--?[a-zA-Z]", word)}


class Done(NamedTuple):
    """How a command ended, and what it said."""

    status: int
    out: str
    err: str


def in_process(arguments: list[str]) -> Done:
    """Our own command, without the second that a new interpreter takes."""
    with redirect_stdout(StringIO()) as out, redirect_stderr(StringIO()) as err:
        try:
            status = main(arguments)
        except SystemExit as ended:
            status = int(ended.code or 0)
    return Done(status, out.getvalue(), err.getvalue())


def free_address() -> str:
    """An address that nobody listens at."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return f"127.0.0.1:{free.getsockname()[1]}"


class Host:
    """A root with a rehearsed ledger, and the exporter on simulated disks once it is started."""

    def __init__(self, root: Path, rehearsed: Path, address: str = "") -> None:
        """`address`: of an exporter that runs already, until a page starts one."""
        self.root = root
        self._child: subprocess.Popen[str] | None = None
        for folder in ("etc/spinledger", "etc/prometheus", "var/lib/spinledger", "tmp", "bin"):
            (root / folder).mkdir(parents=True)
        self.path("/var/lib/prometheus/node-exporter").mkdir(parents=True)
        self.path("/run/spinledger").mkdir(parents=True)
        for ending in ("", ".mark"):
            shutil.copy(f"{rehearsed}{ending}", self.path(LEDGER + ending))
        self.address = address or free_address()
        self.path(CONFIG).write_text(f"listen: {self.address}\n", encoding="utf-8")
        rows = (f"{at},read,backup\n{at + 400},write,gallery\n" for at in range(60, 90_000, 3600))
        trace = f"timestamp_seconds,op,actor\n0,begin,\n{''.join(rows)}100000,end,\n"
        self.path("/run/sdb.csv").write_text(trace, encoding="utf-8")
        self._program("sudo", 'exec "$@"')
        self._program("spinledger", f'exec {sys.executable} -m spinledger "$@"')
        # There is no user or group of that name here.
        self._program("chgrp", '[ "$1" = spinledger ] && ls -d "$2"')
        self._program("install", 'exec /usr/bin/install $(echo "$@" | sed "s/-[og] spinledger//g")')

    def _program(self, name: str, script: str) -> None:
        file = self.root / "bin" / name
        file.write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
        file.chmod(0o755)

    @property
    def log(self) -> str:
        """What the exporter has said since it was started."""
        return self.path("/run/log").read_text(encoding="utf-8")

    def path(self, name: str) -> Path:
        """Where a path of a page is."""
        return self.root / name.lstrip("/")

    def moved(self, text: str) -> str:
        """A page's text with the paths, the disk, the actor and the address of this host."""
        text = _MOVED.sub(f"{self.root}/", text)
        text = re.sub(r"(?<= )ledger\.db(?= )", str(self.path(LEDGER)), text)
        text = re.sub(r"\b(sdb|DISK)\b(?!\.csv)", DISK, text).replace("smbd.service", ACTOR)
        text = re.sub(r"(?:127\.0\.0\.1|0\.0\.0\.0):9786", self.address, text)
        text = text.replace("web:\n", "web:\n  host_names: [dome]\n")  # its name, in the guide
        return text.replace("curl ", f"curl --fail --connect-to dome:9786:{self.address} ")

    def write(self, step: Step) -> None:
        """A file of a page."""
        self.path(step.file).parent.mkdir(parents=True, exist_ok=True)
        self.path(step.file).write_text(self.moved(step.content), encoding="utf-8")

    def run(self, command: str) -> Done:
        """Run a command of a page."""
        words = bare(command)
        given = self.moved(command.partition("#")[0].rstrip())
        if words[0] == "spinledger" and words[1] in _READS_CONFIG and "--config" not in words:
            given += f" --config {self.path(CONFIG)}"
        if words[0] == "spinledger" and " > " not in given:
            return in_process(bare(given)[1:])
        path = os.pathsep.join((str(self.root / "bin"), os.environ["PATH"]))
        done = subprocess.run(
            ["bash", "-c", given],
            cwd=ROOT,
            env=os.environ | {"PATH": path},
            capture_output=True,
            text=True,
            check=False,
        )
        return Done(done.returncode, done.stdout, done.stderr)

    def start(self) -> None:
        """Start the exporter, or start it again with what the page has set since."""
        if self._child is None:
            self._move_to(free_address())
        self.stop()
        command = [sys.executable, "-m", "spinledger", "serve", "--shelf", "simulated", "--now"]
        command += ["--ledger", str(self.path(LEDGER)), "--config", str(self.path(CONFIG))]
        command += ["--listen", self.address, *self._unit()]
        live = os.environ | {"RUNTIME_DIRECTORY": str(self.path("/run/spinledger"))}
        with self.path("/run/log").open("w", encoding="utf-8") as out:
            self._child = child = subprocess.Popen(command, stderr=out, text=True, env=live)
        until(lambda: "serving http" in self.log or child.poll() is not None)
        assert child.poll() is None, self.log
        until(self._ready, "the exporter is ready")
        if "--textfile" in command:
            file = Path(command[command.index("--textfile") + 1]) / "spinledger.prom"
            until(file.exists, "the text file is written")

    def _move_to(self, address: str) -> None:
        """Another address, also where the configuration has the present one."""
        text = self.path(CONFIG).read_text(encoding="utf-8")
        self.path(CONFIG).write_text(text.replace(self.address, address), encoding="utf-8")
        self.address = address

    def _ready(self) -> bool:
        scheme = "https" if "https://" in self.log else "http"
        anybody = ssl._create_unverified_context()
        url = f"{scheme}://{self.address}/-/ready"
        try:
            with urllib.request.urlopen(url, timeout=PATIENCE_S, context=anybody) as got:
                return bool(got.status == 200)
        except OSError:
            return False

    def _unit(self) -> list[str]:
        """What a page adds to the service's command line."""
        for file in self.path("/etc/systemd/system/spinledger.service.d").glob("*.conf"):
            line = re.findall(r"^ExecStart=(/usr/bin/spinledger .+)$", file.read_text(), re.M)[-1]
            _, *words = shlex.split(line)
            assert words[:2] == ["serve", "--prober"]
            return words[3:]
        return []

    def stop(self) -> None:
        """End the exporter in order."""
        if self._child is not None:
            self._child.terminate()
            self._child.wait(timeout=PATIENCE_S)
            self._child = None
