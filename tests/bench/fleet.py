"""A fleet of synthetic exporters: one process answers for every host, each under its own path.

Rules: a page has the series of the keep-list and no other, 24 disks a host, values that move as an
exporter's do. It is night: quiet hours have begun, and a third of the disks is spinning. On every
fiftieth host a pool of four runs away and is awake. One disk in twelve reached every cycle limit
nine days ago: an exporter gives such a time for thirty days, and chance reaches the page's limits
once in a thousand years of a disk. One scrape in ten of each host fails.
A page is made once a second and kind of host; a host's own page is that with its number put in.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from multiprocessing.connection import Connection

from spinledger.findings.judge import ALWAYS
from spinledger.wear.budget import EARLY, WINDOWS

DISKS = 24
POOL = 4  # disks of a pool
FAULTY = 50  # every so many hosts have a runaway
REACHED = 12  # one disk in so many reached its limits once
FAILS = 10  # one scrape in so many fails
PORT = 9786
_BEGAN = time.time()
_HOST = "HOST"  # where a host's number goes
_HOUR, _DAY = 3600.0, 86_400.0

Value = float | str


def instance(number: int) -> str:
    """A host's name, as a target."""
    return f"host-{number:04}:{PORT}"


def page(now: float, faulty: bool) -> str:
    """What an exporter gives, with a placeholder for the host's number."""
    lines = [f"{name} {value}" for name, value in _own(now)]
    for number in range(DISKS):
        disk = f'disk="wwn-0x5000c500{_HOST}{number:04x}"'
        for name, labels, value in _disk(number, now, faulty and number < POOL):
            lines.append(f"spinledger_{name}{{{disk}{labels}}} {value}")
    return "\n".join([*lines, ""])


def _own(now: float) -> Iterator[tuple[str, Value]]:
    yield 'spinledger_build_info{version="0.1.0"}', 1
    yield "spinledger_clock_timestamp_seconds", round(now, 3)
    yield "spinledger_config_reload_success", 1
    yield "spinledger_config_unmatched_entries", 0
    yield "spinledger_disks_watched", DISKS
    yield "spinledger_ledger_commit_timestamp_seconds", round(now, 3)
    yield "spinledger_ledger_damaged_total", 0
    yield "spinledger_ledger_write_failing", 0
    yield "spinledger_may_be_suspended", 0
    yield "spinledger_render_failures", 0


def _disk(number: int, now: float, runs_away: bool) -> Iterator[tuple[str, str, Value]]:
    passed = now - _BEGAN
    state = "idle" if number % 3 == 0 or runs_away else "standby"
    pool = f"pool{number // POOL}"
    names = f',model="ARCHIVE 8T",serial="{_HOST}-{number:04}",wake_group="{pool}"'
    yield (
        "disk_info",
        f'{names},kernel_name="sd{chr(97 + number)}",firmware="F001",transport="sata"'
        f',rotation_rpm="5400",pool="{pool}",device="pci-0000:00:1f.2-ata-{number + 1}"'
        ',watch="full",schedule="nights",budget_source="configured"',
        1,
    )
    for name in ("standby", "unknown"):
        yield "disk_power_state", f',spinledger_disk_power_state="{name}"', int(name == state)
    slept = 1e6 + (passed if state == "standby" else 0.0)
    yield "disk_state_seconds_total", ',state="standby"', round(slept, 3)
    for window, count in (("1d", 4), ("30d", 60)):
        yield "disk_recent_cycles", f',window="{window}"', 10 * count if runs_away else count
    for window in ("1d", "7d", "30d"):
        used = 1.5 if runs_away else 0.3
        yield "disk_cycle_limit_used_ratio", f',window="{window}"', used
    for window in (*WINDOWS, *EARLY) if runs_away or number % REACHED == REACHED - 1 else ():
        reached = round(_BEGAN - (0.5 * _HOUR if runs_away else 9 * _DAY), 3)
        labels = f',window="{window}",wake_group="{pool}"'
        yield "disk_cycle_limit_reached_timestamp_seconds", labels, reached
    for kind in ("load", "start_stop"):
        yield "disk_rated_life_used_ratio", f',kind="{kind}"', 0.2
        yield (
            "disk_rated_life_end_timestamp_seconds",
            f',kind="{kind}",bound="late"',
            round(_BEGAN + 4000 * _DAY),
        )
    yield "disk_rated_life_horizon_seconds", "", 1095 * _DAY
    yield "disk_quiet_window_asleep_ratio", "", 0.9
    yield "disk_quiet_window_asleep_min_ratio", "", 0.5
    yield "disk_quiet_window_observed_ratio", "", 1
    yield "disk_quiet_window_end_timestamp_seconds", "", round(_BEGAN - 3 * _HOUR)
    yield "disk_last_sample_timestamp_seconds", "", round(now, 3)
    for code in sorted(ALWAYS):
        held = int(runs_away and code == "awake_in_quiet_hours")
        yield "disk_finding", f'{names},code="{code}"', held


class Pages(BaseHTTPRequestHandler):
    """Answers `/host-NNNN:PORT`."""

    made: dict[bool, tuple[int, bytes]] = {}  # noqa: RUF012  the newest page by kind of host
    scrapes: dict[int, int] = {}  # noqa: RUF012  so far, by host

    def do_GET(self) -> None:
        """The page of the host in the path."""
        number = int(self.path.split("-")[1].split(":")[0])
        faulty = number % FAULTY == FAULTY - 1
        now = time.time()
        if (number + self.scrapes.setdefault(number, 0)) % FAILS == FAILS - 1:
            self.scrapes[number] += 1
            self.send_error(503)
            return
        self.scrapes[number] += 1
        second, body = self.made.get(faulty, (0, b""))
        if second != int(now):
            body = page(now, faulty).encode()
            self.made[faulty] = int(now), body
        body = body.replace(_HOST.encode(), b"%04x" % number)
        self.send_response(200)
        self.send_header("Content-Type", "text/plain; version=0.0.4")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:
        """No log."""


class Fleet(ThreadingHTTPServer):
    """Takes many scrapes at once."""

    request_queue_size = 256
    daemon_threads = True

    def handle_error(self, request: object, client_address: object) -> None:
        """A server that is ended in the middle of its scrapes is no error."""
        if not isinstance(sys.exception(), ConnectionError):
            super().handle_error(request, client_address)  # type: ignore[arg-type]


def serve(given: Connection) -> None:
    """Serve for ever; the port goes through `given`. For a process of its own."""
    with Fleet(("127.0.0.1", 0), Pages) as server:
        given.send(server.server_port)
        server.serve_forever()
