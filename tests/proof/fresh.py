"""A Debian made anew and booted: systemd as process 1, in namespaces of its own.

Rules:

- Needs root and a cgroup2 file system. The root file system lies in a temporary folder; its mounts
  exist only inside, so ending its processes unmounts them. `close` ends them and removes all.
- It has the host's network, so ports of its services must be free. It sees no disk of the host: in
  /dev are the pseudo-devices of containers (systemd.io/CONTAINER_INTERFACE).
- The host is called `dome`, and its user `owner` may use sudo. apt and debconf take their defaults.
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from tests.fakes.patience import PATIENCE_S, until
from tests.lab.build import _mirror, install_host_packages

RELEASES = {"bookworm": "Debian 12", "trixie": "Debian 13"}
USER = "owner"
HOME = Path("/home") / USER
# What an installed server has and the smallest root lacks.
PACKAGES = "systemd-sysv udev dbus ca-certificates sudo curl openssl iproute2 procps"
CERTIFICATES = "etc/ssl/certs/ca-certificates.crt"
NETWORK = ("http_proxy", "https_proxy", "no_proxy")

_BOOT = """
set -eu
mount --bind "$1" "$1"
cd "$1"
mount -t proc proc proc
mount -t sysfs -o ro sysfs sys
mount -t cgroup2 cgroup2 sys/fs/cgroup
mount -t tmpfs -o mode=755 tmpfs dev
for name in null zero full random urandom tty; do
    touch dev/$name
    mount --bind /dev/$name dev/$name
done
mkdir dev/pts dev/shm
mount -t devpts -o newinstance,ptmxmode=0666,mode=620,gid=5 devpts dev/pts
mount -t tmpfs -o mode=1777 tmpfs dev/shm
mount -t tmpfs -o mode=755 tmpfs run
mount -t tmpfs -o mode=1777 tmpfs tmp
ln -s pts/ptmx dev/ptmx
ln -s /proc/self/fd dev/fd
ln -s fd/0 dev/stdin
ln -s fd/1 dev/stdout
ln -s fd/2 dev/stderr
mkdir run/host
pivot_root . run/host
exec chroot . /bin/sh -c 'umount -l /run/host; rmdir /run/host
exec env -i container=spinledger PATH=/usr/sbin:/usr/bin /lib/systemd/systemd' <dev/null
"""


@dataclass(frozen=True, slots=True)
class Ran:
    """How a command ended, what it printed on both outputs, and what it took."""

    status: int
    text: str
    seconds: float
    cpu_s: float
    """Processor time of the whole system meanwhile, its services included."""


class Fresh:
    """A booted system of one release."""

    def __init__(self, suite: str) -> None:
        install_host_packages()
        self._folder = Path(tempfile.mkdtemp(prefix="fresh-"))
        self.root = self._folder / "root"
        self._group = _cgroup2() / self._folder.name
        self._machine: subprocess.Popen[bytes] | None = None
        self._init = 0
        try:
            self._make(suite)
            self._boot()
        except BaseException:
            self.close()
            raise

    def _make(self, suite: str) -> None:
        self._folder.chmod(0o755)
        source = f"deb {_mirror()} {suite} main"
        # In a mount namespace, so that what it mounts meanwhile ends with it.
        make = [
            "unshare",
            "--mount",
            "mmdebstrap",
            "--quiet",
            "--variant=minbase",
            "--mode=root",
            "--format=directory",
        ]
        make += [f"--include={PACKAGES.replace(' ', ',')}", suite, str(self.root), source]
        subprocess.run(make, check=True)
        if Path("/", CERTIFICATES).exists():  # those that this host trusts
            shutil.copy(Path("/", CERTIFICATES), self.root / CERTIFICATES)
        for name, text in {
            "etc/hostname": "dome\n",
            "etc/hosts": "127.0.0.1 localhost\n127.0.1.1 dome\n",
            "etc/apt/apt.conf.d/50yes": 'APT::Get::Assume-Yes "true";\n',
            f"etc/sudoers.d/{USER}": f"{USER} ALL=(ALL) NOPASSWD: ALL\n"
            f'Defaults env_keep += "DEBIAN_FRONTEND {" ".join(NETWORK)}"\n',
        }.items():
            (self.root / name).write_text(text, encoding="utf-8")
        (self.root / f"etc/sudoers.d/{USER}").chmod(0o440)
        add = ["useradd", "--create-home", "--shell=/bin/bash", USER]
        subprocess.run(["chroot", str(self.root), *add], check=True)

    def _boot(self) -> None:
        for name in ("machine", "commands"):
            (self._group / name).mkdir(parents=True)
        enter = f'echo $$ >{shlex.quote(str(self._group))}/machine/cgroup.procs; exec "$@"'
        own = ["unshare", "--mount", "--pid", "--uts", "--ipc", "--cgroup", "--fork"]
        command = ["sh", "-c", enter, "sh", *own, "sh", "-c", _BOOT, "sh", str(self.root)]
        self._machine = machine = subprocess.Popen(command, stdin=subprocess.DEVNULL)
        children = Path(f"/proc/{machine.pid}/task/{machine.pid}/children")

        def booted() -> bool:
            assert machine.poll() is None, "the system did not boot"
            self._init = int((children.read_text("utf-8").split() or ["0"])[0])
            name = Path(f"/proc/{self._init}/comm")
            return self._init > 0 and name.read_text("utf-8") == "systemd\n"

        until(booted, "systemd runs")
        until(lambda: self.run("systemctl is-system-running").text == "running\n", "it has booted")

    def run(self, command: str, *, user: str = USER) -> Ran:
        """Run it by bash in the user's home, or in the checkout there once that exists."""
        assert self._machine is not None
        assert self._machine.poll() is None, "the system has ended"
        clean = ["env", "-i", f"HOME={HOME}", "LC_ALL=C.UTF-8", "DEBIAN_FRONTEND=noninteractive"]
        clean += ["PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin"]
        clean += [f"{name}={os.environ[name]}" for name in NETWORK if name in os.environ]
        inside = f"cd {HOME}/spinledger 2>/dev/null || cd {HOME}; {command}"
        enter = f'echo $$ >{shlex.quote(str(self._group))}/commands/cgroup.procs; exec "$@"'
        nsenter = ["nsenter", f"--target={self._init}", "--mount", "--pid", "--uts", "--ipc"]
        nsenter += ["--root", "--wd", "runuser", "-u", user, "--"]
        began, cpu_s = time.monotonic(), self.cpu_s
        done = subprocess.run(
            ["sh", "-c", enter, "sh", *nsenter, *clean, "bash", "-c", inside],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
        )
        seconds = time.monotonic() - began
        return Ran(done.returncode, done.stdout, seconds, self.cpu_s - cpu_s)

    def write(self, path: str, content: str) -> None:
        """A file of root, as `sudoedit` leaves it."""
        file = self.root / path.lstrip("/")
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(content, encoding="utf-8")

    @property
    def cpu_s(self) -> float:
        """Processor time of everything in it so far, seconds (cgroup-v2, cpu.stat)."""
        usage = (self._group / "cpu.stat").read_text("utf-8").split()[1]
        return int(usage) / 1e6

    @property
    def megabytes(self) -> float:
        """What its files take on the disk."""
        command = ["du", "-sx", "--block-size=1000", str(self.root)]
        shown = subprocess.run(command, capture_output=True, text=True, check=False).stdout
        return int(shown.split()[0]) / 1000

    def close(self) -> None:
        """End its processes, with them its mounts, and remove its files."""
        if self._group.exists():
            (self._group / "cgroup.kill").write_text("1", encoding="utf-8")
            if self._machine is not None:
                self._machine.wait(PATIENCE_S)
            until(lambda: "populated 0" in (self._group / "cgroup.events").read_text("utf-8"))
            for folder, _, _ in os.walk(self._group, topdown=False):
                Path(folder).rmdir()
        shutil.rmtree(self._folder)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _cgroup2() -> Path:
    """Where the host has its cgroup2 file system (proc(5), mounts)."""
    for line in Path("/proc/mounts").read_text("utf-8").splitlines():
        _, place, kind, *_ = line.split()
        if kind == "cgroup2":
            return Path(place)
    raise OSError("no cgroup2 file system is mounted; mount one at /sys/fs/cgroup")
