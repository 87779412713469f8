"""What systemd is given to know, by a socket of our own in the place of systemd's."""

from __future__ import annotations

import os
import socket
from dataclasses import replace
from pathlib import Path

import pytest

from spinledger.app.publishers import Service
from spinledger.device.notify import inherited_socket
from spinledger.model import SECOND
from tests.fakes.patience import PATIENCE_S
from tests.fakes.snapshots import attic


def test_ready_once_then_the_watchdog(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """READY=1 with the first snapshot, then WATCHDOG=1 twice in WATCHDOG_USEC (sd_notify(3),
    sd_watchdog_enabled(3))."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(tmp_path / "n"))
        systemd.settimeout(PATIENCE_S)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "n"))
        monkeypatch.setenv("WATCHDOG_USEC", "60000000")
        monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()))
        service, said = Service(), []
        for second in range(0, 70, 10):
            if service.wants(second * SECOND):
                service.publish(replace(attic(), at_ns=second * SECOND))
                said.append((second, systemd.recv(64)))
    assert said == [(0, b"READY=1"), (30, b"WATCHDOG=1"), (60, b"WATCHDOG=1")]


@pytest.mark.parametrize(
    ("pid", "count"), [("1", "1"), ("", "1"), (str(os.getpid()), "2")], ids=["else", "none", "two"]
)
def test_only_our_own_single_socket_is_taken(
    monkeypatch: pytest.MonkeyPatch, pid: str, count: str
) -> None:
    """LISTEN_PID must name us, and there is one socket (sd_listen_fds(3))."""
    monkeypatch.setenv("LISTEN_PID", pid)
    monkeypatch.setenv("LISTEN_FDS", count)
    assert inherited_socket() is None
