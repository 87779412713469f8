"""The child of a cross-check: runs one command line of a closed table through pySMART.

    python -I -c ... SMARTCTL DEADLINE_SECONDS INTERFACE NODE SERIAL

prints one line of JSON, {"values": {...}} or {"trouble": reason, "detail": text}, and ends.

Rules of this module:
- smartctl runs at most once, with exactly the arguments of `LINES`; whatever else pySMART would
  call gets an empty result. Each line carries `-n standby,3,5`: exit 3 in standby or sleep,
  exit 5 where the power mode cannot be determined. Those two statuses overlap smartctl's ordinary
  bit mask, so the message is read, too.
- A fresh Device with a smartctl object and options of its own, and an explicit interface:
  anything else makes pySMART launch more, and options pile up on the object it shares.
- What comes back is text. It is read only where it is whole, in the form of the C locale, and of
  the disk that was meant. A raw value is read only in the forms smartctl(8) prints; pySMART's own
  number, the first run of digits, would make 1 of 1,234.
- Nothing is waited for longer than the deadline: a smartctl that hangs in the kernel is left
  behind.
"""

from __future__ import annotations

import json
import os
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from types import MappingProxyType

# Interface: arguments of smartctl, `{node}` to be filled in. A closed table. The 12-byte
# form of ATA PASS-THROUGH is for bridges that take no other (smartctl(8), -d sat,N).
LINES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "sat": ("-n", "standby,3,5", "-d", "sat", "--all", "/dev/{node}"),
        "sat,12": ("-n", "standby,3,5", "-d", "sat,12", "--all", "/dev/{node}"),
        "scsi": ("-n", "standby,3,5", "-d", "scsi", "--all", "/dev/{node}"),
    }
)
OPTIONS = ("-n", "standby,3,5")
ENVIRONMENT = MappingProxyType({"LC_ALL": "C", "LANG": "C", "PATH": "/usr/sbin:/usr/bin"})
LONGEST_OUTPUT = 256 * 1024  # bytes; a full report has some 20 KiB

_NAMES = {4: "start_stops", 9: "power_on_s", 12: "power_cycles", 192: "retracts"}
_LOADS = (193, 225)  # the first that is there

# Raw values as smartctl 7.3 prints them (smartctl(8), option -v).
_COUNT = re.compile(r"(\d+)(?:/\d+| \([^)]*\))?$")  # raw48, raw24/raw24, raw24(raw8)
_TIME = re.compile(r"(\d+)h\+(\d+)m(?:\+(\d+)(?:\.\d+)?s)?(?: \([^)]*\))?$")

_ASLEEP = re.compile(r"Device is in (?!SLEEP)[A-Z_ ()]+ mode, exit\(3\)")
_UNSURE = re.compile(r"Device is in SLEEP mode, exit\(3\)|CHECK POWER MODE .*exit\(5\)")
_SECTION = "=== START OF READ SMART DATA SECTION ==="
_TABLE = "ID# ATTRIBUTE_NAME"


class Trouble(Exception):
    """No values, and why: `reason` is fit for a metric label."""

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason


def command_line(smartctl: str, interface: str, node: str) -> list[str]:
    """The one command line for a disk; KeyError for an interface without a row."""
    return [smartctl, *(part.format(node=node) for part in LINES[interface])]


def launch(
    line: Sequence[str], deadline_s: float, environment: Mapping[str, str]
) -> tuple[str, int]:
    """Run a command line: its output and exit status. `Trouble` when it hangs or floods."""
    try:
        process = subprocess.Popen(
            line,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=dict(environment),
        )
    except OSError as error:
        raise Trouble("missing", f"{line[0]} cannot be run: {error.strerror}") from error
    assert process.stdout is not None
    output, ended_s = b"", time.monotonic() + deadline_s
    while len(output) <= LONGEST_OUTPUT:
        left = ended_s - time.monotonic()
        if left <= 0 or not select.select([process.stdout], [], [], left)[0]:
            process.kill()
            raise Trouble("timeout", f"no answer of smartctl in {deadline_s:.0f} s")
        part = os.read(process.stdout.fileno(), 65536)
        if not part:
            return output.decode("utf-8", "replace"), _status(process, ended_s)
        output += part
    process.kill()
    raise Trouble("not_understood", f"more than {LONGEST_OUTPUT} bytes of output")


def _status(process: subprocess.Popen[bytes], ended_s: float) -> int:
    try:
        return process.wait(max(0.1, ended_s - time.monotonic()))
    except subprocess.TimeoutExpired:
        process.kill()
        raise Trouble("timeout", "smartctl closed its output and does not end") from None


def judge(output: str, status: int) -> None:
    """Raise `Trouble` unless the output is a whole report and the status agrees with it."""
    lines = output.splitlines()
    if not lines:
        raise Trouble("empty", f"no output, exit status {status}")
    if not lines[0].startswith("smartctl "):
        raise Trouble("not_understood", "the output does not begin as smartctl's does")
    if status == 3 and _ASLEEP.search(output):
        raise Trouble("asleep", "the disk is in a low power mode; nothing was read")
    if status in (3, 5) and _UNSURE.search(output):
        raise Trouble("unsure", "smartctl could not determine the power mode; nothing was read")
    if "Permission denied" in output or "Operation not permitted" in output:
        raise Trouble("permission", "smartctl may not open the disk")
    if status < 0 or status & 0b011:  # smartctl(8) EXIT STATUS: bits 0 and 1
        raise Trouble("failed", f"exit status {status}: {lines[-1][:120]}")
    if "invalid SMART checksum" in output:
        raise Trouble("failed", "a SMART structure with a wrong checksum")
    if _SECTION not in output:
        raise Trouble("truncated", "the report ends before the section with the counters")
    if _TABLE in output and "" not in lines[_at(lines, _TABLE) :]:
        raise Trouble("truncated", "the report ends inside the table of attributes")


def _at(lines: Sequence[str], begins: str) -> int:
    return next(at for at, line in enumerate(lines) if line.startswith(begins))


def attribute(number: int, raw: str) -> int | None:
    """A raw value as smartctl printed it: a count, or for attribute 9 seconds. None: other form."""
    if number == 9 and (clock := _TIME.match(raw)):
        hours, minutes, seconds = (int(part or 0) for part in clock.groups())
        return 3600 * hours + 60 * minutes + seconds
    count = _COUNT.match(raw)
    if count is None or len(count[1]) > 15:
        return None
    return int(count[1]) * (3600 if number == 9 else 1)


def read(
    smartctl: str,
    deadline_s: float,
    interface: str,
    node: str,
    serial: str,
    environment: Mapping[str, str] = ENVIRONMENT,
) -> Mapping[str, int]:
    """The counters of one disk by the names of `codec.counters`, through pySMART."""
    from pySMART import Device
    from pySMART.smartctl import Smartctl

    known_as = interface.partition(",")[0]  # pySMART knows no forms of a type
    meant, allowed = (command_line(smartctl, one, node) for one in (known_as, interface))
    found: list[tuple[str, int]] = []

    class Guarded(Smartctl):  # type: ignore[misc]
        """One call, of the closed table; any other gives nothing."""

        def generic_call(
            self, params: list[str], pass_options: bool = False
        ) -> tuple[list[str], int]:
            line = [smartctl, *(OPTIONS if pass_options else ()), *params]
            if found or line != meant:
                return [], 1
            output, status = launch(allowed, deadline_s, environment)
            judge(output, status)
            found.append((output, status))
            return output.splitlines(), status

    try:
        device = Device(node, interface=known_as, smartctl=Guarded(smartctl_path=smartctl))
    except Trouble:
        raise
    except Exception as error:  # whatever its parser meets in foreign text
        reason = "truncated" if isinstance(error, StopIteration) else "not_understood"
        raise Trouble(reason, f"pySMART: {type(error).__name__}: {error}") from error
    if not found:
        raise Trouble("not_understood", "pySMART did not run the command line of the table")
    found_serial = device.serial or ""
    if serial and found_serial != serial.split()[0]:
        raise Trouble("another_disk", f"the report is of serial number {found_serial[:40]!r}")
    values = _attributes(device) if known_as == "sat" else _diagnostics(device)
    if not values:
        raise Trouble("not_understood", "the report has no counter that could be read")
    return values


def _attributes(device: object) -> dict[str, int]:
    table = getattr(device, "attributes", None) or []
    raws = {one.num: str(one.raw) for one in table if one is not None}
    values = {}
    loads = next((number for number in _LOADS if number in raws), None)
    names = _NAMES if loads is None else {**_NAMES, loads: "loads"}
    for number, name in names.items():
        value = attribute(number, raws[number]) if number in raws else None
        if value is not None:
            values[name] = value
    return values


def _diagnostics(device: object) -> dict[str, int]:
    """Counts and specifications; the percentages are wrong and not read."""
    diagnostics = getattr(device, "diagnostics", None)
    names = {
        "start_stops": "Start_Stop_Cycles",
        "loads": "Load_Cycle_Count",
        "rated_start_stop": "Start_Stop_Spec",
        "rated_load": "Load_Cycle_Spec",
    }
    values = {name: getattr(diagnostics, theirs, None) for name, theirs in names.items()}
    return {name: value for name, value in values.items() if isinstance(value, int)}


def main(arguments: Sequence[str]) -> None:
    """Read one disk, print what came of it, and end without waiting for anything."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to handle
    smartctl, deadline, interface, node, serial = arguments
    answer: dict[str, object]
    try:
        # The parent chose this environment, and nothing else is in it.
        answer = {"values": dict(read(smartctl, float(deadline), interface, node, serial,
                                      os.environ))}  # fmt: skip
    except Trouble as trouble:
        answer = {"trouble": trouble.reason, "detail": str(trouble)}
    except Exception as error:
        answer = {"trouble": "crashed", "detail": f"{type(error).__name__}: {error}"}
    os.write(1, json.dumps(answer).encode("ascii"))
    os._exit(0)


if __name__ == "__main__":
    main(sys.argv[1:])
