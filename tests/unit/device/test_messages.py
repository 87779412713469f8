"""The messages between exporter and prober, from both sides, with random text."""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spinledger.device import messages, prober
from spinledger.device.messages import (
    ANSWER_SIZE,
    REQUEST_SIZE,
    Hello,
    NotAMessage,
    decode_hello,
)
from spinledger.device.prober_client import ProcessProber
from spinledger.model import SECOND, Answered, Command, Probe, Reason, Refused, Reported
from tests.fakes.facts import DISK
from tests.fakes.patience import PATIENCE_S

NODES = st.text("abz", min_size=1, max_size=6).map("sd".__add__)
NUMBERS = st.integers(0, 2**64 - 1)
KINDS = ("hello", "done", "refused", "woken", "lost", "untraced", "probe", "forget", "standby")
VALUES = ("sda", "sdb", "0", "1", "-1", "2", "-", "gone", "withheld", "ffff", str(2**64))
WORDS = st.sampled_from((*KINDS, *VALUES, *Command))
NEARLY = st.lists(WORDS | st.text(max_size=8), max_size=9).map(" ".join)
TEXTS = NEARLY.map(lambda text: text.encode("utf-8", "replace")) | st.binary(max_size=300)


@settings(deadline=None)
@given(st.builds(Hello, NUMBERS, NUMBERS, st.booleans(), st.frozensets(NODES, max_size=8)))
def test_a_hello_comes_back(hello: Hello) -> None:
    """Encoded and decoded it is the same."""
    assert decode_hello(hello.encode()) == hello


def test_a_hello_has_room_for_its_disks() -> None:
    """256 disks fit; of more than fit, some are left out, and it is a message all the same."""
    names = [
        f"sd{first}{second}" for first in "abcdefghij" for second in "abcdefghijklmnopqrstuvwxyz"
    ]
    assert len(decode_hello(Hello(1, 0, False, frozenset(names)).encode()).nodes) == 260
    many = frozenset(f"sdaa{name[2:]}xx" for name in names for _ in "a")
    more = frozenset(name[:6] + letter for name in many for letter in "abcdefgh")
    text = Hello(1, 0, False, more).encode()
    assert len(text) <= ANSWER_SIZE
    assert decode_hello(text).nodes < more


@given(NEARLY)
def test_what_is_no_message_has_one_error(text: str) -> None:
    """Decoding raises NotAMessage or nothing."""
    for decode in (decode_hello, messages.node_name, messages.number):
        with contextlib.suppress(NotAMessage):
            decode(text)


def test_another_version_is_said() -> None:
    """A prober of another version is named by it."""
    with pytest.raises(NotAMessage, match="version 2, ours 1"):
        decode_hello("hello 2 of another form")


@settings(max_examples=200, deadline=None)
@given(TEXTS)
def test_the_prober_survives_any_message(message: bytes) -> None:
    """It refuses, or hands to a worker that finds no device; its own thread raises nothing."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    with ours, theirs:
        server = prober.Server(dev="/nonexistent", sysfs="/nonexistent")
        refusal = server._handle(theirs, message)
        if not refusal and message.startswith(b"probe "):
            ours.settimeout(PATIENCE_S)
            refusal = ours.recv(ANSWER_SIZE).decode()
        assert refusal.startswith(("refused ", "untraced ")) or message.startswith(
            (b"forget ", b"standby")
        )
        for worker in server._workers.values():
            worker.forget()
        server.close()


class Peer:
    """A prober's end of the exporter's socket, written by hand."""

    def __init__(self, path: Path) -> None:
        self.path = str(path)
        self.listening = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.listening.bind(self.path)
        self.listening.listen()
        self.listening.settimeout(PATIENCE_S)

    def accept(self, pid: int = 0) -> socket.socket:
        """The next connection, greeted."""
        connection, _ = self.listening.accept()
        connection.settimeout(PATIENCE_S)
        connection.send(Hello(pid or os.getpid(), 0, False, frozenset({"sda"})).encode().encode())
        return connection


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[Peer]:
    """A listening socket."""
    one = Peer(tmp_path / "s")
    yield one
    one.listening.close()


def _send(client: ProcessProber, number: int, at_ns: int) -> None:
    probe = Probe(number, DISK.identity, Command.CHECK_POWER_MODE_16, at_ns, at_ns + SECOND)
    client.send(probe, DISK)


def _reply(client: ProcessProber, at_ns: int) -> Answered:
    return next(iter(client.replies(at_ns)))


@settings(max_examples=100, deadline=None)
@given(st.lists(TEXTS, min_size=1, max_size=4))
def test_the_exporter_survives_any_message(texts: list[bytes]) -> None:
    """Whatever a prober says, each probe has one reply in the end, and nothing is raised."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    client = ProcessProber("/nonexistent/socket")
    client._socket = ours
    client._epoll.register(ours)
    ours.setblocking(False)
    _send(client, 1, 0)
    with theirs:
        hello = Hello(os.getpid(), 0, False, frozenset())
        for text in (hello.encode().encode(), *texts):
            theirs.send(text or b" ")
        given_back = list(client.replies(0))
    given_back += client.replies(0)
    client.close()
    assert [one.probe.number for one in given_back] == [1]


def test_nothing_is_sent_before_the_hello(peer: Peer) -> None:
    """A probe waits for the hello, then goes out; the answer is decoded."""
    client = ProcessProber(peer.path)
    _send(client, 1, 0)
    assert not client.up
    connection = peer.accept()
    assert client.greeted_within(PATIENCE_S)
    assert connection.recv(REQUEST_SIZE) == b"probe 1 sda 1 check_power_mode_16"
    # ATA Return descriptor with count FFh: active or idle (SAT-3 12.2.5; ACS-3 7.3.1)
    sense = (
        "7201001d0000000e" + "090c00" + "00" + "00ff" + "000000000000" + "0050"
    )  # 14 bytes after the header
    connection.send(f"done 1 2 0 8 1000 {sense} -".encode())
    assert isinstance(_reply(client, 0).reply, Reported)
    client.close()
    connection.close()


def test_an_unended_command_is_not_repeated(peer: Peer) -> None:
    """The connection ends with a command outstanding: its disk is sent nothing until the process
    of that prober is gone, also through the next one; the pause before it grows."""
    with subprocess.Popen(["sleep", "1000"]) as other:
        client = ProcessProber(peer.path)
        connection = peer.accept(other.pid)
        assert client.greeted_within(PATIENCE_S)
        _send(client, 1, 0)
        connection.close()
        ended = _reply(client, 0)
        assert (ended.reply.reason, ended.sent) == (Reason.PROBER_DOWN, True)  # type: ignore[union-attr]
        again = peer.accept()
        assert client.greeted_within(PATIENCE_S)
        _send(client, 2, 0)
        held = _reply(client, 0)
        assert isinstance(held.reply, Refused)
        assert (held.reply.reason, held.sent) == (Reason.PROBER_DOWN, False)
        other.kill()
        other.wait()
    assert client.held() == frozenset()
    _send(client, 3, 0)
    assert again.recv(REQUEST_SIZE).startswith(b"probe 3 ")
    again.close()
    assert isinstance(_reply(client, SECOND // 2).reply, Refused)
    assert (client.up, client.restarts) == (False, 1)
    client.replies(SECOND)
    assert client.restarts == 2
    client.close()


def test_a_client_of_another_group_is_refused(monkeypatch: pytest.MonkeyPatch, peer: Peer) -> None:
    """SO_PEERCRED (unix(7)): our user, root and our group are let in, nobody else."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    with ours, theirs:
        assert prober.permitted(theirs)
        monkeypatch.setattr(prober, "_CREDENTIALS", Foreign())
        assert not prober.permitted(theirs)


class Foreign:
    """The credentials of somebody else."""

    size = 12

    def unpack(self, raw: bytes) -> tuple[int, int, int]:
        """Process, user, group."""
        return 1, 54321, 54321


@pytest.fixture
def listening(tmp_path: Path) -> Iterator[socket.socket]:
    """A listening socket, as systemd makes it."""
    made = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    made.bind(str(tmp_path / "s"))
    made.listen()
    yield made
    made.close()


def test_a_listening_prober_survives_its_clients(tmp_path: Path, listening: socket.socket) -> None:
    """Clients come and go; the next one is greeted by the same process."""
    server = prober.Server(listening, dev=str(tmp_path), sysfs=str(tmp_path))
    thread = threading.Thread(target=server.run)
    thread.start()
    for number in range(20):
        client = ProcessProber(str(tmp_path / "s"))
        assert client.greeted_within(PATIENCE_S)
        _send(client, number, 0)
        client.close()
    server.stop()
    thread.join(PATIENCE_S)
    server.close()


def test_a_listening_prober_ends_after_its_last_client(
    tmp_path: Path, listening: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It serves as long as there is one, and ends by itself some time after that; an interrupted
    `systemctl stop` leaves none behind."""
    monkeypatch.setattr(prober, "ALONE_S", 0.0)
    server = prober.Server(listening, dev=str(tmp_path), sysfs=str(tmp_path))
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    ours.settimeout(PATIENCE_S)
    server.add(theirs)
    thread = threading.Thread(target=server.run)
    thread.start()
    assert ours.recv(ANSWER_SIZE).startswith(b"hello")
    ours.send(b"nothing that it knows")
    assert ours.recv(ANSWER_SIZE).startswith(b"refused")
    assert thread.is_alive()
    ours.close()
    thread.join(PATIENCE_S)
    assert not thread.is_alive()
    server.close()
