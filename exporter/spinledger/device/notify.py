"""What systemd is to know of a service: sd_notify(3) and sd_listen_fds(3), without their library.

Outside systemd every function does nothing.
"""

from __future__ import annotations

import os
import socket
from contextlib import suppress

_FIRST_DESCRIPTOR = 3  # SD_LISTEN_FDS_START, sd_listen_fds(3)


def notify(state: str) -> None:
    """Send `READY=1`, `WATCHDOG=1` or the like."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        channel.setblocking(False)
        channel.sendto(state.encode(), address)


def watchdog_ns() -> int:
    """Within how many nanoseconds `WATCHDOG=1` is wanted: WATCHDOG_USEC; 0: not at all."""
    usec = os.environ.get("WATCHDOG_USEC", "")
    ours = os.environ.get("WATCHDOG_PID", "") in ("", str(os.getpid()))
    return int(usec) * 1_000 if ours and usec.isascii() and usec.isdigit() else 0


def inherited_socket() -> socket.socket | None:
    """The listening socket of the unit's .socket file; None: not started by one."""
    if os.environ.get("LISTEN_PID") != str(os.getpid()) or os.environ.get("LISTEN_FDS") != "1":
        return None
    os.set_inheritable(_FIRST_DESCRIPTOR, False)
    return socket.socket(fileno=_FIRST_DESCRIPTOR)
