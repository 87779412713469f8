"""The rack: all emulated drives of one guest, run by one process and steered over one socket.

A request is one line of JSON `{"do": NAME, ...}`, the answer is `{"value": ...}` or
`{"error": "..."}`:

    attach  name, number, timer_s, spinup_s, answer_s, size_mib, model, rotation_rpm, quirks
            Plugs a new drive in, or an old one back by its name alone. Waits until udev has
            settled, unless `settle` is false, and returns the disk's kernel name.
    detach  name            Pulls a drive out.
    state   name            mode, counters, timer and the time of this call.
    log     name, since     What the drive logged from `since` on (see drive.py).
    set     name, ...       Any of mode, timer_s, hangs_on_probes. Ending a hang releases the
                            answers that were held.
    node    name            The disk's kernel name now.

Times are seconds of CLOCK_BOOTTIME, the clock that the exporter runs on too.
"""

from __future__ import annotations

import json
import os
import socketserver
import subprocess
import threading
import time
from pathlib import Path
from typing import Any

from tests.lab.guest.client import SOCKET
from tests.lab.guest.drive import Drive, Traits
from tests.lab.guest.tcmu import Backend


def now() -> float:
    """Seconds of the boot clock."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class Slot:
    """One drive in the rack, with the thread that answers for it."""

    def __init__(self, traits: Traits) -> None:
        self.drive = Drive(traits, now())
        self.lock = threading.Lock()
        self.released = threading.Event()
        self.backend = Backend(traits.name, traits.number, traits.size_mib << 20)
        threading.Thread(target=self.backend.serve, args=(self._answer,), daemon=True).start()

    def _answer(self, cdb: bytes, out: bytes) -> tuple[int, bytes, bytes]:
        with self.lock:
            came = now()
            answer = self.drive.execute(cdb, out, came)
        if answer.held:
            self.released.wait()
        if (left := came + answer.wait_s - now()) > 0:
            time.sleep(left)
        return answer.status, answer.data, answer.sense


class Rack:
    """The drives by name, and the requests."""

    def __init__(self) -> None:
        self._slots: dict[str, Slot] = {}

    def attach(self, name: str, settle: bool = True, **traits: Any) -> str:
        """Plug a drive in; its kernel name."""
        slot = self._slots.get(name)
        if slot is None:
            traits["quirks"] = frozenset(traits.get("quirks", ()))
            slot = self._slots[name] = Slot(Traits(name, **traits))
        slot.drive.note("attached", now(), slot.drive.mode)
        slot.backend.attach()
        deadline = now() + 20
        while now() < deadline:
            if found := self.node(name):
                if settle:
                    subprocess.run(["udevadm", "settle", "--timeout=20"], check=True)
                return found
            time.sleep(0.02)
        raise TimeoutError(f"the kernel shows no disk for {name}")

    def detach(self, name: str) -> None:
        """Pull a drive out."""
        slot = self._slots[name]
        slot.backend.detach()
        slot.drive.note("detached", now(), slot.drive.mode)

    def node(self, name: str) -> str:
        """The kernel name, by serial number from what the kernel cached; "" when not attached."""
        serial = self._slots[name].drive.traits.serial.encode()
        for page in Path("/sys/block").glob("sd*/device/vpd_pg80"):
            try:
                if serial in page.read_bytes():
                    return page.parent.parent.name
            except OSError:  # it went in this very moment
                continue
        return ""

    def state(self, name: str) -> dict[str, Any]:
        """The drive as it is now."""
        slot = self._slots[name]
        with slot.lock:
            slot.drive.settle(now())
            drive = slot.drive
            kept = ("mode", "entered_by", "timer_s", "start_stops", "power_cycles", "wakes", "now")
            return {key: getattr(drive, key) for key in kept}

    def log(self, name: str, since: float = 0.0) -> list[dict[str, object]]:
        """What the drive logged."""
        slot = self._slots[name]
        with slot.lock:
            slot.drive.settle(now())
            return [row for row in slot.drive.log if float(str(row["at"])) >= since]

    def set(
        self,
        name: str,
        mode: str | None = None,
        timer_s: float | None = None,
        hangs_on_probes: bool | None = None,
    ) -> None:
        """Change a drive from outside."""
        slot = self._slots[name]
        with slot.lock:
            if mode is not None:
                slot.drive.set_mode(mode, now())
            if timer_s is not None:
                slot.drive.settle(now())
                slot.drive.timer_s = timer_s
            if hangs_on_probes is not None:
                slot.drive.hangs_on_probes = hangs_on_probes
                if hangs_on_probes:
                    slot.released.clear()
                else:
                    slot.released.set()

    def obey(self, request: dict[str, Any]) -> dict[str, Any]:
        """One request of the socket."""
        try:
            do = request.pop("do")
            if do not in ("attach", "detach", "state", "log", "set", "node"):
                raise ValueError(f"the rack cannot {do}")
            return {"value": getattr(self, do)(**request)}
        except Exception as error:
            return {"error": f"{type(error).__name__}: {error}"}


def main() -> None:
    """Serve requests until the machine ends; ahead of every other process, as hardware is."""
    os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(10))
    rack = Rack()

    class Connection(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            for line in self.rfile:
                self.wfile.write(json.dumps(rack.obey(json.loads(line))).encode() + b"\n")

    class Server(socketserver.ThreadingMixIn, socketserver.UnixStreamServer):
        daemon_threads = True

    # Bound under another name first: the socket's appearance means that it listens.
    server = Server(SOCKET + ".new", Connection)
    Path(SOCKET + ".new").rename(SOCKET)
    server.serve_forever()


if __name__ == "__main__":
    main()
