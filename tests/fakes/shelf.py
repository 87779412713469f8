"""A mocked shelf (a set of mocked SATA disks): a /sys and /dev of our own, and drives that answer
SG_IO.

    /usr/bin/python3 tests/fakes/shelf.py COUNT -- COMMAND...   run a command with COUNT disks
    /usr/bin/python3 tests/fakes/shelf.py COUNT                 serve until standard input ends

It stands on umockdev, whose preloaded library redirects a process that carries its environment.
Its bindings exist only for the system's Python, so this harness and the program under test are
always two processes; it imports nothing of that program. Both forms set SHELF_CONTROL, the path of
a socket that takes one line of JSON, [verb, arguments], and answers one line. For the verbs see
`Shelf.do_*`.

What it records: every command block a drive got, every open and close of a device node.
"""

from __future__ import annotations

import ctypes
import json
import os
import shutil
import socket
import struct
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from typing import Any

_PRELOAD = "libumockdev-preload.so.0"
if _PRELOAD not in os.environ.get("LD_PRELOAD", ""):  # the harness sends uevents through it, too
    os.environ["LD_PRELOAD"] = _PRELOAD
    os.execv(sys.executable, [sys.executable, *sys.argv])

import gi  # noqa: E402 - after the re-execution

gi.require_version("UMockdev", "1.0")
from gi.repository import GLib, UMockdev  # noqa: E402

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.fakes.drive_bytes import ata_return, identify, vpd89  # noqa: E402
from tests.fakes.mocked import MARKER  # noqa: E402

SG_IO = 0x2285  # include/scsi/sg.h, as all offsets of struct sg_io_hdr below
_ENOTTY, _EINVAL, _ENODEV = 25, 22, 19
_CHECK_CONDITION = 2
_SENSE_PRESENT = 8  # driver_status
_ILLEGAL_REQUEST = bytes([0x70, 0, 5, 0, 0, 0, 0, 10, 0, 0, 0, 0, 0x20, 0, 0, 0, 0, 0])
_IN_OPEN, _IN_CLOSE_WRITE, _IN_CLOSE_NOWRITE = 0x20, 0x08, 0x10  # inotify(7)
_OPENINGS = {_IN_OPEN: "open", _IN_CLOSE_WRITE: "close writable", _IN_CLOSE_NOWRITE: "close"}


class Drive:
    """One drive, whatever node and port it hangs on."""

    def __init__(self, number: int) -> None:
        self.serial = f"LAB-{number:05d}"
        self.wwn = f"0x5000{0xB0000000000 + number:012x}"
        # a third each in standby, active or idle, and idle
        self.count = (0x00, 0xFF, 0x80)[number % 3]
        self.log: list[str] = []
        self.canned: dict[str, bytes] = {}  # `do_can`
        self.hangs = False
        self.held: list[UMockdev.IoctlClient] = []


class Shelf:
    """The testbed: drives in ports, and the verbs of the control socket."""

    def __init__(self, count: int) -> None:
        self.testbed = UMockdev.Testbed.new()
        self.places: dict[str, str] = {}  # node -> path below /sys
        self.drives: dict[str, Drive] = {}  # node -> drive
        self.handlers: dict[str, UMockdev.IoctlBase] = {}
        self.sequence = 0
        root = self.testbed.get_root_dir()
        open(f"{root}{MARKER}", "w").close()
        self.openings = Openings(f"{root}/dev")
        for number in range(count):
            self.do_plug(node_name(number), number, event=False)

    def do_plug(
        self, node: str, port: int, number: int | None = None, event: bool = True, **other: Any
    ) -> str:
        """Plug drive `number` (the port's own) into a port under a node's name; its path."""
        self.sequence += 1
        before = len(self.openings.read())
        drive = Drive(port if number is None else number)
        drive.serial, drive.wwn = other.get("serial", drive.serial), other.get("wwn", drive.wwn)
        data = identify(drive.serial, drive.wwn)
        minor = 16 * self.sequence
        above = f"/devices/pci0000:00/0000:00:1f.2/ata{port + 1}/host{port}"
        above += f"/target{port}:0:0/{port}:0:0:0"
        self.testbed.add_from_string(
            f"P: {above}\nE: SUBSYSTEM=scsi\nE: DEVTYPE=scsi_device\n"
            "A: vendor=ATA     \\n\nA: model=LAB HDD 5400    \\n\nA: rev=LAB1\\n\nA: type=0\\n\n"
            f"A: wwid=naa.{drive.wwn[2:]}\\n\nA: iorequest_cnt=0x64\\n\n"
            f"A: power/runtime_status=active\\n\nH: vpd_pg89={vpd89(data).hex().upper()}\n\n"
        )
        place = f"{above}/block/{node}"
        self.testbed.add_from_string(
            f"P: {place}\nN: {node}\nE: DEVNAME=/dev/{node}\nE: DEVTYPE=disk\nE: SUBSYSTEM=block\n"
            f"E: MAJOR=8\nE: MINOR={minor}\nE: ID_ATA=1\nE: ID_BUS=ata\n"
            f"E: ID_PATH=pci-0000:00:1f.2-ata-{port + 1}.0\n"
            f"E: ID_SERIAL_SHORT={drive.serial}\nE: ID_WWN_WITH_EXTENSION={drive.wwn}\n"
            f"A: dev=8:{minor}\\n\nA: size=7814037168\\n\nA: removable=0\\n\n"
            f"A: diskseq={self.sequence}\\n\nA: queue/rotational=1\\n\n"
            "A: stat=100 0 2000 300 50 0 1000 200 0 400 500 0 0 0 0 7 0\\n\n"
            f"L: device=../../../{port}:0:0:0\n\n"
        )
        handler = UMockdev.IoctlBase()
        handler.connect("handle-ioctl", self._handle, drive)
        self.testbed.attach_ioctl(f"/dev/{node}", handler)
        self.handlers[node], self.drives[node], self.places[node] = handler, drive, place
        del self.openings.read()[before:]  # what the testbed did to make the node
        if event:
            self.testbed.uevent(f"/sys{place}", "add")
        return place

    def do_unplug(self, node: str) -> None:
        """Pull a drive: the event, then its node and sysfs directory vanish."""
        place = f"/sys{self.places.pop(node)}"
        self.testbed.detach_ioctl(f"/dev/{node}")
        self.testbed.uevent(place, "remove")
        self.testbed.remove_device(place)
        self.testbed.remove_device(os.path.dirname(os.path.dirname(place)))
        for left in (f"sys/block/{node}", f"dev/.node/{node}", f"dev/{node}"):
            path = os.path.join(self.testbed.get_root_dir(), left)
            if os.path.lexists(path):
                os.unlink(path)
        del self.handlers[node], self.drives[node]

    def do_change(self, node: str, **properties: str) -> None:
        """A change event, with udev properties set before it."""
        for name, value in properties.items():
            self.testbed.set_property(f"/sys{self.places[node]}", name, value)
        self.testbed.uevent(f"/sys{self.places[node]}", "change")

    def do_set(self, node: str, name: str, value: str) -> None:
        """Set a sysfs attribute of the disk (`stat`) or of its device (`device/iorequest_cnt`)."""
        place = f"/sys{self.places[node]}"
        if name.startswith("device/"):
            place, name = os.path.dirname(os.path.dirname(place)), name.removeprefix("device/")
        self.testbed.set_attribute(place, name, value)

    def do_hang(self, node: str) -> None:
        """From now on the drive answers nothing."""
        self.drives[node].hangs = True

    def do_release(self, node: str) -> None:
        """The drive answers again, outstanding commands included."""
        drive = self.drives[node]
        drive.hangs = False
        while drive.held:
            self._complete(drive, drive.held.pop(0))

    def do_count(self, node: str, count: int) -> None:
        """The COUNT that CHECK POWER MODE shall return."""
        self.drives[node].count = count

    def do_can(self, node: str, **answers: str) -> None:
        """What the drive sends for commands from now on, in hex: `a<command><features>` for ATA
        pass-through (aec00: IDENTIFY DEVICE), `s<operation code>` for others, with `s12p<page>` for
        a VPD page. An empty answer is success without data."""
        self.drives[node].canned |= {key: bytes.fromhex(data) for key, data in answers.items()}

    def do_log(self) -> dict[str, list[str]]:
        """Every command block each drive got, in hex."""
        return {node: drive.log for node, drive in self.drives.items()}

    def do_openings(self) -> list[list[str]]:
        """Every [node, what] of opens and closes of device nodes so far."""
        return self.openings.read()

    def _handle(self, _: UMockdev.IoctlBase, client: UMockdev.IoctlClient, drive: Drive) -> bool:
        if client.get_request() != SG_IO:
            client.complete(-1, _ENOTTY)
            return True
        try:
            drive.log.append(_cdb(client).hex())
        except GLib.Error:
            return True  # the process that sent it has ended
        if drive.hangs:
            drive.held.append(client)
        else:
            self._complete(drive, client)
        return True

    def _complete(self, drive: Drive, client: UMockdev.IoctlClient) -> None:
        try:
            _answer(drive, client)
        except GLib.Error:
            pass  # the process that sent it has ended
        except Exception:  # an unanswered client would hang for ever
            client.complete(-1, _EINVAL)
            raise


class Openings:
    """Opens and closes below a directory, by inotify(7): from any process and any library."""

    def __init__(self, directory: str) -> None:
        libc = ctypes.CDLL(None, use_errno=True)
        self._descriptor = libc.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
        os.makedirs(directory, exist_ok=True)
        mask = _IN_OPEN | _IN_CLOSE_WRITE | _IN_CLOSE_NOWRITE
        if libc.inotify_add_watch(self._descriptor, directory.encode(), mask) < 0:
            raise OSError(ctypes.get_errno(), "inotify_add_watch")
        self._seen: list[list[str]] = []

    def read(self) -> list[list[str]]:
        """All of them so far, of disks' nodes only."""
        while True:
            try:
                raw = os.read(self._descriptor, 65536)
            except BlockingIOError:
                return self._seen
            at = 0
            while at < len(raw):
                _, mask, _, size = struct.unpack_from("iIII", raw, at)
                name = raw[at + 16 : at + 16 + size].rstrip(b"\0").decode()
                if name.isalpha() and name.startswith("sd"):
                    self._seen.append([name, _OPENINGS[mask & 0x38]])
                at += 16 + size


def _cdb(client: UMockdev.IoctlClient) -> bytes:
    header = client.get_arg().resolve(0, 88)
    return bytes(header.resolve(24, header.retrieve()[8]).retrieve())


def _key(cdb: bytes) -> str:
    """The name of a command in `do_can`."""
    if cdb[0] in (0x85, 0xA1):
        command, features = (cdb[14], cdb[4]) if cdb[0] == 0x85 else (cdb[9], cdb[3])
        return f"a{command:02x}{features:02x}"
    page = f"p{cdb[2]:02x}" if cdb[0] == 0x12 and cdb[1] & 1 else ""
    return f"s{cdb[0]:02x}{page}"


def _answer(drive: Drive, client: UMockdev.IoctlClient) -> None:
    """CHECK POWER MODE and what was canned are answered; anything else is an illegal request."""
    header = client.get_arg().resolve(0, 88)
    cdb, raw = _cdb(client), header.retrieve()
    room, length = raw[9], struct.unpack_from("<I", raw, 12)[0]
    key, data = _key(cdb), b""
    status, sense = _CHECK_CONDITION, _ILLEGAL_REQUEST
    if key in ("ae500", "a9800"):
        sense = ata_return(drive.count)
    elif key in drive.canned:
        data = drive.canned[key][:length]
        returned = cdb[0] in (0x85, 0xA1) and cdb[2] & 0x20  # CK_COND
        # SMART RETURN STATUS: 4Fh and C2h in the LBA registers mean that all is well (ACS-3, from
        # memory).
        sense = ata_return(0, lba=0xC24F00) if returned else b""
        status = _CHECK_CONDITION if returned else 0
    if data:
        header.resolve(16, len(data)).update(0, data)
    sense = sense[:room]
    if sense:
        header.resolve(32, room).update(0, sense)
    left = length - len(data) if key in drive.canned else 0
    driver = _SENSE_PRESENT if sense else 0
    result = (status, status >> 1, 0, len(sense), 0, driver, left, 0, int(bool(status)))
    header.update(64, struct.pack("<4B2HiII", *result))
    client.complete(0, 0)


def node_name(number: int) -> str:
    """sda, sdb ... sdz, sdaa, as the kernel counts."""
    name = ""
    number += 1
    while number:
        number, letter = divmod(number - 1, 26)
        name = chr(ord("a") + letter) + name
    return f"sd{name}"


def _control(shelf: Shelf, path: str) -> socket.socket:
    """Answer one line a connection from the main loop."""
    listener = socket.socket(socket.AF_UNIX)
    listener.bind(path)
    listener.listen(8)

    def answer(*_: object) -> bool:
        connection, _address = listener.accept()
        with connection, connection.makefile("rw") as lines:
            try:
                verb, arguments = json.loads(lines.readline())
                reply = [True, getattr(shelf, f"do_{verb}")(**arguments)]
            except Exception as error:
                reply = [False, repr(error)]
            lines.write(json.dumps(reply) + "\n")
        return True

    GLib.io_add_watch(listener.fileno(), GLib.IO_IN, answer)
    return listener


def main(arguments: list[str]) -> int:
    """Run a command with the shelf, or serve until standard input ends."""
    command = arguments[2:] if arguments[1:2] == ["--"] else []
    shelf = Shelf(int(arguments[0]))
    loop = GLib.MainLoop()
    outcome = [0]
    with tempfile.TemporaryDirectory(prefix="shelf.") as directory:
        path = os.path.join(directory, "control")
        listener = _control(shelf, path)
        redirected = {
            "LD_PRELOAD": _PRELOAD,
            "UMOCKDEV_DIR": shelf.testbed.get_root_dir(),
            "SHELF_CONTROL": path,
        }

        def run() -> None:
            if command:
                outcome[0] = subprocess.run(command, env=os.environ | redirected).returncode
            else:
                print(json.dumps(redirected), flush=True)
                sys.stdin.read()
            GLib.idle_add(loop.quit)

        threading.Thread(target=run, daemon=True).start()
        loop.run()
        listener.close()
    shutil.rmtree(shelf.testbed.get_root_dir(), ignore_errors=True)
    return outcome[0]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
