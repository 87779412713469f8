"""A virtual machine with a real kernel and disks, and a way to run things in it.

Rules:

- Plain emulation, so that it runs the same on every machine; about 6 s to boot.
- The guest's clock counts instructions, one a nanosecond, and runs with the host's only while the
  guest idles. So a busy host makes a run longer and nothing in the guest late: what is judged to
  half a second is judged the same everywhere. The host's own time limits are wide for that reason.
- The guest is disposable. Nothing it writes outlives it, except on the scratch disks of the host
  that end with it; shared folders are read-only. Ending it is ending its process.
- One job at a time: `Guest.run` gives a shell script, waits, and returns code and output.

Disks on the guest's AHCI controller are called by serial number, never by letter: letters change
from boot to boot. World-wide names here have the locally administered bit set, so that they belong
to no maker.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from tests.lab.build import HERE, Image, LabError

AHCI_SERIALS = ("AHCI0001", "AHCI0002")
AHCI_WWNS = ("0x502a5b00000a0001", "0x502a5b00000a0002")
BOOT_S = 900.0
GRACE_S = 60.0  # beyond a job's own time limit, before the guest itself is given up
# Units that cost time, or would send commands to disks; the machine is booted into lab.service.
MASKED = (
    "e2scrub_reap.service",
    "kmod-static-nodes.service",
    "ldconfig.service",
    "mdmonitor.service",
    "smartmontools.service",
    "systemd-hwdb-update.service",
    "systemd-journal-catalog-update.service",
    "systemd-journal-flush.service",
    "systemd-machine-id-commit.service",
    "systemd-pcrphase-sysinit.service",
    "systemd-random-seed.service",
    "systemd-update-done.service",
    "systemd-update-utmp.service",
    "proc-sys-fs-binfmt_misc.automount",
)
SYSTEMD = " ".join(
    ["lab.systemd", "systemd.unit=lab.service", *(f"systemd.mask={unit}" for unit in MASKED)]
)
SLOWER = 5.0  # a second in the guest takes at most so many here


@dataclass(frozen=True, slots=True)
class Result:
    """What a job in the guest came to."""

    code: int
    """Exit code; 124 when the time limit ended it."""
    out: str
    err: str

    def ok(self) -> str:
        """The output of a job that must have succeeded."""
        if self.code != 0:
            raise LabError(f"a job in the guest ended with {self.code}:\n{self.out}{self.err}")
        return self.out


class Guest:
    """A running machine. `shares` maps a tag to a folder of the host, mounted read-only at /tag.

    With `systemd` that is process 1, and jobs run in `lab.service`.
    """

    def __init__(
        self,
        image: Image,
        shares: Mapping[str, Path] | None = None,
        memory_mib: int = 3072,
        kernel_arguments: str = "",
        systemd: bool = False,
    ) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="lab-"))
        self._console = self._folder / "console"
        self._pending = b""
        listener = socket.socket(socket.AF_UNIX)
        try:
            listener.bind(str(self._folder / "channel"))
            listener.listen(1)
            listener.settimeout(10)
            if systemd:
                kernel_arguments = f"{kernel_arguments} {SYSTEMD}"
            command = self._command(image, shares or {}, memory_mib, kernel_arguments)
            self._machine = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=(self._folder / "machine-errors").open("w"),
            )
            self._channel, _ = listener.accept()
        except OSError as error:
            errors = (self._folder / "machine-errors").read_text()
            raise LabError(f"the machine did not start: {error}\n{errors}") from error
        finally:
            listener.close()
        ready = self._next(time.monotonic() + BOOT_S)
        self.booted_s: float = ready["ready"]
        """Seconds of guest uptime when the first job could start."""

    def _command(
        self, image: Image, shares: Mapping[str, Path], memory_mib: int, kernel_arguments: str
    ) -> list[str]:
        folders = {"lab": HERE, **shares}
        arguments = (
            "console=ttyS0 quiet loglevel=5 panic=-1 nokaslr mitigations=off tsc=reliable edd=off "
            f"lab.shares={','.join(shares)} {kernel_arguments}"
        )
        command = [
            "qemu-system-x86_64",
            *("-M", "q35,usb=off,vmport=off"),
            *("-accel", "tcg,thread=single,tb-size=512"),
            *("-icount", "shift=0,sleep=on"),
            *("-smp", "1", "-m", str(memory_mib)),
            *("-nodefaults", "-no-user-config", "-no-reboot", "-display", "none", "-vga", "none"),
            *("-kernel", str(image.kernel), "-initrd", str(image.initrd), "-append", arguments),
            # A file, since a guest waits for ever on a console whose input has ended.
            *("-serial", f"file:{self._console}"),
            "-drive",
            f"if=none,id=root,file={image.root},format=raw,readonly=on,file.locking=off",
            *("-device", "virtio-blk-pci,drive=root"),
            *("-device", "virtio-serial-pci"),
            *("-chardev", f"socket,id=channel,path={self._folder / 'channel'}"),
            *("-device", "virtserialport,chardev=channel,name=lab.channel"),
        ]
        for tag, folder in folders.items():
            share = f"local,id={tag},path={folder},security_model=none,readonly=on"
            command += ["-fsdev", share, "-device", f"virtio-9p-pci,fsdev={tag},mount_tag={tag}"]
        for number, (serial, wwn) in enumerate(zip(AHCI_SERIALS, AHCI_WWNS, strict=True)):
            scratch = self._folder / f"{serial}.img"
            with scratch.open("wb") as file:
                file.truncate(64 << 20)
            command += [
                "-drive",
                f"if=none,id=d{number},file={scratch},format=raw,cache=unsafe",
                "-device",
                f"ide-hd,drive=d{number},bus=ide.{number},serial={serial},wwn={wwn},"
                "rotation_rate=7200,model=LAB HDD 7200,ver=LAB1",
            ]
        return command

    def run(
        self,
        script: str,
        stdin: str = "",
        timeout: float = 60.0,
        heard: Callable[[str, str], None] | None = None,
    ) -> Result:
        """Run a shell script as root. `timeout` in seconds; `heard(stream, text)` as it comes."""
        self._send({"script": script, "stdin": stdin, "timeout": timeout})
        deadline = time.monotonic() + timeout * SLOWER + GRACE_S
        output: dict[str, list[str]] = {"out": [], "err": []}
        while True:
            message = self._next(deadline)
            if "code" in message:
                return Result(message["code"], "".join(output["out"]), "".join(output["err"]))
            output[message["stream"]].append(message["text"])
            if heard is not None:
                heard(message["stream"], message["text"])
            elif os.environ.get("SPINLEDGER_LAB_ECHO"):
                print(message["text"], end="", file=sys.stderr, flush=True)

    def python(self, module: str, *arguments: str, stdin: str = "", timeout: float = 60.0) -> Any:
        """Run a module of tests.lab.guest that prints JSON; what it printed."""
        script = f"exec python3 -m tests.lab.guest.{module} " + " ".join(
            f"'{argument}'" for argument in arguments
        )
        return json.loads(self.run(script, stdin, timeout).ok())

    def rack(self, do: str, **arguments: Any) -> Any:
        """One request to the rack of emulated drives (`guest/rack.py`); its answer."""
        self._send({"rack": {"do": do, **arguments}})
        answer = self._next(time.monotonic() + BOOT_S)
        if "error" in answer:
            raise LabError(f"rack: {do}: {answer['error']}")
        return answer["value"]

    def node(self, serial: str) -> str:
        """The kernel name of the disk with this serial number; reads sysfs only."""
        found = self.run(
            f"cd /sys/block && grep -l -a {serial} */device/vpd_pg80 | cut -d/ -f1"
        ).ok()
        if len(found.split()) != 1:
            raise LabError(f"disks with serial {serial}: {found.split()}")
        return found.strip()

    def kernel_log(self, since_s: float = 0.0) -> list[str]:
        """Lines of the kernel log from `since_s` on, in seconds of the kernel's clock."""
        lines = []
        for line in self.run("dmesg").ok().splitlines():
            stamp, _, _ = line.lstrip("[").partition("]")
            if line.startswith("[") and float(stamp) >= since_s:
                lines.append(line)
        return lines

    def uptime(self) -> float:
        """Seconds on the kernel's clock, the one its log is stamped with."""
        return float(self.run("cut -d' ' -f1 /proc/uptime").ok())

    def close(self) -> None:
        """End the machine and remove its scratch files."""
        self._machine.kill()
        self._machine.wait()
        self._channel.close()
        shutil.rmtree(self._folder, ignore_errors=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _send(self, message: dict[str, Any]) -> None:
        self._channel.settimeout(GRACE_S)
        self._channel.sendall(json.dumps(message).encode() + b"\n")

    def _next(self, deadline: float) -> dict[str, Any]:
        while b"\n" not in self._pending:
            self._channel.settimeout(max(0.1, deadline - time.monotonic()))
            try:
                chunk = self._channel.recv(1 << 20)
            except TimeoutError:
                chunk = b""
            if not chunk:
                tail = self._console.read_text(errors="replace").splitlines()[-40:]
                self.close()
                raise LabError("\n".join(["the guest fell silent; the end of its console:", *tail]))
            self._pending += chunk
        line, _, self._pending = self._pending.partition(b"\n")
        message: dict[str, Any] = json.loads(line)
        return message
