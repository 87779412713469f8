"""The prober's messages and its structure for the kernel, without any device."""

from __future__ import annotations

import ctypes
import errno
import os
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from spinledger.device import passthrough, prober
from spinledger.device.messages import ANSWER_SIZE, decode_hello
from tests.fakes.patience import PATIENCE_S
from tests.lab.guest.sgio import Header


def test_the_header_is_the_kernels() -> None:
    """Every field of our packing lands where the C compiler's layout has it (include/scsi/sg.h)."""
    raw = passthrough._HEADER.pack(*range(1, 23))
    header = Header.from_buffer_copy(raw)
    assert len(raw) == ctypes.sizeof(Header)
    values = [getattr(header, name) for name, _ in Header._fields_]
    assert values == list(range(1, 23))


def test_the_commands_own_timeout_is_long() -> None:
    """A short one makes the kernel abort and reset the link (scsi_error.c): 60 s at least."""
    assert passthrough.TIMEOUT_MS >= 60_000


@pytest.fixture
def channel(tmp_path: Path) -> Iterator[socket.socket]:
    """The exporter's end of a prober that runs here, before a /dev with one plain file in it."""
    (tmp_path / "sda").write_bytes(b"not a block device")
    (tmp_path / "sdb").symlink_to("sda")
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    ours.settimeout(PATIENCE_S)
    server = prober.Server(dev=str(tmp_path))
    server.add(theirs)
    thread = threading.Thread(target=server.run)
    thread.start()
    assert decode_hello(ours.recv(ANSWER_SIZE).decode()).nodes == {"sda", "sdb"}
    yield ours
    ours.close()
    thread.join(PATIENCE_S)
    server.close()


@pytest.mark.parametrize(
    "message",
    [
        b"probe 1 sda 0 850620000000000000000000000000e500",
        b"probe 1 sda 0 \x85\x06\x20\0\0\0\0\0\0\0\0\0\0\0\xe5\0",
        b"probe 1 sda 0 format_unit",
        b"probe 1 sda 0 CHECK_POWER_MODE_16",
        b"probe 1 sda 0 check_power_mode_16 850620",
        b"probe 1 sda1 0 check_power_mode_16",
        b"probe 1 sg0 0 check_power_mode_16",
        b"probe 1 nvme0 0 check_power_mode_16",
        b"probe 1 ../sda 0 check_power_mode_16",
        b"probe 1 sd/../sda 0 check_power_mode_16",
        b"probe 1 sd 0 check_power_mode_16",
        b"probe 1 sdA 0 check_power_mode_16",
        b"probe x sda 0 check_power_mode_16",
        b"probe 1 sda y check_power_mode_16",
        b"probe 1 sda check_power_mode_16",
        b"send 1 sda 0 check_power_mode_16",
        b"forget ../sda",
        b"\xff\xfe",
    ],
)
def test_anything_but_a_row_of_the_table_is_refused(channel: socket.socket, message: bytes) -> None:
    """Bytes, unknown commands, partitions, other devices and paths: refused, never sent."""
    channel.send(message)
    kind, _, reason, sent, _ = channel.recv(4096).decode().split(" ", 4)
    assert (kind, reason, sent) == ("refused", "malformed", "0")


@pytest.mark.parametrize("node", ["sda", "sdb", "sdc"])
def test_what_is_no_block_device_is_gone(channel: socket.socket, node: str) -> None:
    """A plain file, a link and nothing at all are never opened for a probe."""
    channel.send(f"probe 7 {node} 0 request_sense".encode())
    kind, number, reason, sent, _ = channel.recv(4096).decode().split(" ", 4)
    assert (kind, number, reason, sent) == ("refused", "7", "gone", "0")


@pytest.mark.parametrize(
    ("code", "reason", "sent"),
    [
        ("EPERM", "permission", False),
        ("EACCES", "permission", False),
        ("ENODEV", "gone", False),
        ("ENXIO", "gone", False),
        ("ENOENT", "gone", False),
        ("EINVAL", "host_error", False),
        ("ENOTTY", "host_error", False),
        ("EIO", "host_error", True),
    ],
)
def test_each_errno_has_a_reason(code: str, reason: str, sent: bool) -> None:
    """SG_IO fails by errno before a command is queued; only EIO and EFAULT may come after
    (Linux 6.12 drivers/scsi/scsi_ioctl.c sg_io)."""
    number = getattr(errno, code)
    refusal = passthrough._refusal(OSError(number, os.strerror(number)))
    assert (refusal.reason, refusal.sent) == (reason, sent)
