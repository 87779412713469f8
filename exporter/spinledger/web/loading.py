"""Asks for every page once, before the port opens, so that all it loads is loaded by then.

Rules: what is shown is invented, and has one of each thing that a page can show.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC

from spinledger.model import (
    DAY,
    HOUR,
    SECOND,
    Condition,
    Disk,
    DiskView,
    Finding,
    Histogram,
    Labels,
    Number,
    Policy,
    Snapshot,
    State,
)
from spinledger.quiet.hours import Calendar
from spinledger.schedule import Schedule, Window
from spinledger.web.app import application
from spinledger.web.sight import Booked, Piece, Sight, Wake

NOW = 400 * DAY
PATHS = (
    "/",
    "/disk/sim-load",
    "/disk/sim-none",
    "/metrics",
    "/snapshot",
    "/history",
    "/-/healthy",
    "/-/ready",
    "/none",
)


def load(history: bool) -> None:
    """Ask for every page in every form; `history` says whether there is a /history."""
    books = (lambda query: iter([b"{}"])) if history else None
    app = application(_snapshot, books, _sight())
    for path in PATHS:
        for accept in ("", "application/openmetrics-text;version=1.0.0"):
            for encoding in ("", "gzip"):
                environ = {
                    "REQUEST_METHOD": "GET",
                    "PATH_INFO": path,
                    "QUERY_STRING": "name%5B%5D=spinledger_disk_info" if accept else "range=30d",
                    "HTTP_ACCEPT": accept,
                    "HTTP_ACCEPT_ENCODING": encoding,
                }
                b"".join(app(environ, lambda status, headers: None))


def _snapshot() -> Snapshot:
    disk = Disk("sim-load", ("sda",), "simulated", "m", "s", "f", "", 7200, "", "d", None, 0)
    samples: Mapping[str, Mapping[Labels, Number]] = {
        "state_seconds": {("idle",): 400_000.5},
        "cycles": {("yes",): 9},
        "recent_cycles": {("1d",): 9},
        "cycle_limit": {("1d",): 8},
        "cycle_limit_used_ratio": {("1d",): 1.125},
        "whatif_cycles": {("300",): 12, ("600",): 3},
        "whatif_asleep_seconds": {("300",): 90_000, ("600",): 60_000},
        "timer_seconds": {(): 600},
        "rated_life_used_ratio": {("load",): 0.1},
        "rated_cycles": {("load",): 600_000},
        "rated_life_end": {("load", "early"): NOW / SECOND + 9e7},
        "wear_read": {(): NOW / SECOND},
        "energy_joules": {("idle",): 9e6},
        "energy_saved_joules": {(): 4e6},
    }
    view = DiskView(
        disk,
        Policy(quiet="q"),
        State.IDLE,
        "",
        Condition.IDLE_A,
        0,
        0,
        samples,
        {"probe_seconds": Histogram((0.1,), (1,), 1, 0.05)},
        (Finding("code", "sim-load", "s", "e", "t", "c", "a", ("i",)),),
    )
    exporter: Mapping[str, Mapping[Labels, Number]] = {"disks_watched": {(): 1}}
    return Snapshot(1, NOW, NOW, 0, (view,), exporter, (("loop0", "x"),))


def _sight() -> Sight:
    pieces = tuple(
        Piece(NOW - (4 - at) * HOUR, NOW - (3 - at) * HOUR, state, HOUR // 2)
        for at, state in enumerate(("unobserved", "unknown", "standby", "spinning"))
    )
    wakes = (Wake(NOW - HOUR, True, "read", "backup", 8 * SECOND),)
    schedule = Schedule("q", "UTC", tuple(Window(day, 1320, 1, 420) for day in range(7)))
    calendar = Calendar(schedule, UTC)
    books = {"sim-load": Booked(pieces, wakes)}
    return Sight(lambda since, now: books, lambda: {"q": calendar}, UTC, "UTC", "dome")
