"""The inputs of `tests.proof.inputs`: of each, valid seeds, how a case is made, and how it is read.

A case returns `accepted`, or the kind of the refusal: an error of the program's own tree, or what
its reader calls bad. Any other error leaves it, and counts as a crash.
"""

from __future__ import annotations

import logging
import random
import re
import socket
import tempfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from spinledger.codec import counters, identify, reply, trace_events, trace_sums
from spinledger.codec.commands import TABLE
from spinledger.config.load import parse as parse_config
from spinledger.device import histogram, prober
from spinledger.device.messages import NotAMessage
from spinledger.device.prober_client import ProcessProber
from spinledger.errors import BadConfig, Refusal, Unavailable, Undecodable
from spinledger.model import SECOND, Command, Completion, Disk, Probe
from spinledger.sim import answers
from spinledger.sim.kinds import KINDS
from spinledger.sim.rehearse import Rehearsal, rehearse
from spinledger.sim.shelf import Bench, SimulatedShelf
from spinledger.store import live
from spinledger.store.export import answer
from spinledger.store.file import verify
from spinledger.store.history import read as read_history
from spinledger.web.server import WebServer
from tests.fakes.drive_bytes import identify as identify_bytes
from tests.fakes.drive_bytes import smart, vpd89
from tests.fakes.facts import DISK
from tests.fakes.snapshots import WALL_NS, attic
from tests.integration.store.written import Shelf, settle, store
from tests.integration.test_cross_check import REPORT
from tests.proof import smart_text
from tests.proof.mutating import changed_bytes, changed_text
from tests.unit.codec.test_trace import HEADER, PARTS, QUEUE, data, entry, page
from tests.unit.codec.vectors import VECTORS
from tests.unit.config.test_garbage import GOOD, VALUES, WORDS
from tests.unit.device.test_histogram import RECORDED

Case = Callable[[random.Random], str]


@contextmanager
def sense_data() -> Iterator[Case]:
    """Replies to probes of the state."""
    probes = sorted(reply.STATE_PROBES)

    def case(dice: random.Random) -> str:
        vector = dice.choice(VECTORS)
        raw = changed_bytes(vector.raw, dice)
        made = vector.completion(raw)
        command = vector.command if dice.random() < 0.8 else dice.choice(probes)
        if dice.random() < 0.1:
            made = Completion(dice.randrange(256), dice.choice((0, 0, 3)), 8, raw, raw, 1)
        return _decoded(lambda: reply.interpret(command, made))

    yield case


def _decoded(read: Callable[[], object]) -> str:
    try:
        read()
    except Undecodable as refused:
        return refused.reason
    return "accepted"


@contextmanager
def identify_words() -> Iterator[Case]:
    """IDENTIFY DEVICE data, as data, as VPD page 89h and as the kernel's text."""
    words = identify_bytes("LAB-00001", "0x5000b00000000001")
    text = "\n".join(
        " ".join(f"{words[at + 1]:02x}{words[at]:02x}" for at in range(line, line + 16, 2))
        for line in range(0, 512, 16)
    )

    def case(dice: random.Random) -> str:
        match dice.randrange(4):
            case 0:
                return _decoded(lambda: identify.decode(changed_bytes(words, dice)))
            case 1:
                return _decoded(lambda: identify.from_vpd89(changed_bytes(vpd89(words), dice)))
            case 2:
                odd = ("zzzz", "00000", " ", "\0", "é")
                return _decoded(lambda: identify.from_ata_id_text(changed_text(text, dice, odd)))
        made = Completion(0, 0, 0, b"", changed_bytes(words, dice), 1)
        return _decoded(lambda: counters.read(Command.IDENTIFY_DEVICE, made))

    yield case


@contextmanager
def log_pages() -> Iterator[Case]:
    """The drive's own records: logs, statistics, SMART data, mode pages."""
    seeds = []
    for kind in ("epc", "sas"):
        drive = SimulatedShelf.of([Bench(KINDS[kind])]).places[0].drive
        for command, row in TABLE.items():
            made = answers.answer(drive, row.cdb, 0)
            if command not in reply.STATE_PROBES and made is not None:
                with suppress(Undecodable):
                    counters.read(command, made[1])
                    seeds.append((command, made[1]))
    raws = {4: 8123, 9: 20_000, 12: 73, 192: 310, 193: 91_000, 225: 5}
    seeds.append((Command.SMART_READ_DATA, Completion(0, 0, 0, b"", smart(raws), 1)))
    assert {command for command, _ in seeds} == set(Command) - reply.STATE_PROBES

    def case(dice: random.Random) -> str:
        command, seed = dice.choice(seeds)
        made = Completion(seed.status, 0, 0, seed.sense, changed_bytes(seed.data, dice), 1)
        if command is Command.SMART_READ_DATA and dice.random() < 0.7:
            made = _summed(made)
        return _decoded(lambda: counters.read(command, made))

    yield case


def _summed(made: Completion) -> Completion:
    """With a right checksum, so that the content is read: the sum of all bytes is 0."""
    raw = made.data[:511].ljust(511, b"\0")
    return Completion(0, 0, 0, b"", raw + bytes([-sum(raw) % 256]), 1)


@contextmanager
def trace_texts() -> Iterator[Case]:
    """Pages of the ring buffer, sums, histograms, format files."""
    pages = [page(*(entry(n * 1000, data(pid=n)) for n in range(count))) for count in (1, 4, 40)]
    sums = [body.encode() for name, body in PARTS.items() if name.startswith("hist ")]
    layouts = [body for name, body in PARTS.items() if name.endswith("format")]
    needed = ("dev", "sector", "nr_sector", "rwbs", "comm")
    odd = ("offset:-1;", "size:99999999;", "ID: x", "field:", "\0", "é")

    def case(dice: random.Random) -> str:
        try:
            match dice.randrange(5):
                case 0 | 1:
                    raw = changed_bytes(dice.choice(pages), dice)
                    trace_events.events(raw, HEADER, {QUEUE.number: QUEUE})
                case 2:
                    trace_sums.parse(changed_bytes(dice.choice(sums), dice))
                case 3:
                    histogram.parse(changed_bytes(RECORDED, dice))
                case _:
                    text = changed_text(dice.choice(layouts), dice, odd)
                    layout = trace_events.parse_format("block_bio_queue", text, needed)
                    trace_events.events(pages[1], HEADER, {layout.number: layout})
        except Unavailable as refused:
            return refused.reason
        return "accepted"

    yield case


@contextmanager
def smartctl_text() -> Iterator[Case]:
    """Reports of smartctl."""
    assert smart_text.read(REPORT) == "values"

    def case(dice: random.Random) -> str:
        status = dice.choice((0, 0, 0, 1, 2, 3, 4, 64, -9))
        found = smart_text.read(smart_text.report(dice), status)
        return "accepted" if found == "values" else found

    yield case


@contextmanager
def configuration() -> Iterator[Case]:
    """The file of a user. A refusal is one printable line with its place."""
    signs = (": ", "- ", "{", "]", "&a ", "*a", "!!", "\t", "\0", "\\ud800", "%", "|")
    odd = (*VALUES, *WORDS, *signs)

    def case(dice: random.Random) -> str:
        lines = GOOD.splitlines(keepends=True)
        at = dice.randrange(len(lines))  # a part of the file is quicker to read
        seed = "".join(lines[at : at + dice.randrange(1, 30)]) if dice.random() < 0.9 else GOOD
        said = ""
        try:
            parse_config(changed_text(seed, dice, odd), "x", zone="UTC")
        except BadConfig as refused:
            said = str(refused)
        assert not said or re.fullmatch(r"x:[1-9][0-9]*: .+; .+", said)
        assert said.isprintable()
        return "one line" if said else "accepted"

    yield case


@contextmanager
def ledger_file() -> Iterator[Case]:
    """The ledger: opened, checked in every row, and read as history."""
    with tempfile.TemporaryDirectory(prefix="spinledger-", dir="/dev/shm") as name:
        path = Path(name) / "ledger.db"
        rehearse(Rehearsal(0.5, disks=2), path)
        seed = path.read_bytes()

        def case(dice: random.Random) -> str:
            path.write_bytes(changed_bytes(seed, dice) if dice.random() < 0.3 else _hit(seed, dice))
            found = "accepted"
            try:
                if list(verify(path)):
                    found = "damaged"
                history = read_history(path)
                list(history.spans()), list(history.cycles()), list(history.gaps())
            except (Unavailable, Refusal) as refused:
                return refused.reason
            return found

        yield case


def _hit(seed: bytes, dice: random.Random) -> bytes:
    """A few bytes anywhere, with the length kept, as a failing drive would."""
    raw = bytearray(seed)
    for _ in range(dice.randint(1, 4)):
        at = dice.randrange(len(raw))
        raw[at : at + 8] = dice.randbytes(min(dice.randrange(1, 9), len(raw) - at)).ljust(8)[:8]
    return bytes(raw[: len(seed)])


@contextmanager
def live_journal() -> Iterator[Case]:
    """The live journal; half of the changed lines have a right checksum."""
    with tempfile.TemporaryDirectory(prefix="spinledger-", dir="/dev/shm") as name:
        folder = Path(name)
        file_store, shelf = store(folder / "ledger.db", folder), Shelf(2)
        file_store.restore()
        for number in range(6):
            shelf.tick(file_store, chance=1.0)
            if number == 2:
                shelf.commit(file_store)
                settle(file_store)
        (file,) = folder.glob("*.live")
        seed = file.read_bytes()
        file_store.close()
    lines = seed.split(b"\n")[:-1]
    whole = live.parse(seed)
    assert whole is not None

    def case(dice: random.Random) -> str:
        raw = changed_bytes(seed, dice)
        if dice.random() < 0.5:
            at = dice.randrange(len(lines))
            body = changed_bytes(lines[at].partition(b" ")[2], dice).replace(b"\n", b" ")
            changed = [*lines[:at], b"%08x %s" % (zlib.crc32(body), body), *lines[at + 1 :]]
            raw = b"\n".join(changed) + b"\n"
        left = live.parse(raw)
        if left is None:
            return "no first line"
        return "accepted" if left.at_ns == whole.at_ns else "read up to the damage"

    yield case


HEADERS = b"Host: 127.0.0.1\r\nAccept: */*\r\n"
REQUESTS = [
    b"GET %s HTTP/1.1\r\n%sConnection: close\r\n\r\n" % (path, HEADERS)
    for path in (
        b"/metrics",
        b"/",
        b"/snapshot",
        b"/-/ready",
        b"/disk/wwn-0x5000c50000000001",
        b"/runbooks/DiskVanished",
        b"/history?format=csv&since=7d",
        b"/history?format=json&disk=sda&since=2026-01-31",
        b"/?sort=state&show=all&host=%C3%A4",
    )
] + [b"POST / HTTP/1.1\r\n" + HEADERS + b"Content-Length: 3\r\n\r\nabc"]


class Bugs(logging.Handler):
    """What asyncio would print: an error that nobody took."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.seen: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep it."""
        if record.exc_info and not isinstance(record.exc_info[1], OSError):
            self.seen.append(self.format(record))


@contextmanager
def http_requests() -> Iterator[Case]:
    """Requests to the real server, over a socket."""
    bugs, log = Bugs(), logging.getLogger("spinledger.web.server")
    with tempfile.TemporaryDirectory(prefix="spinledger-", dir="/dev/shm") as name:
        path = Path(name) / "ledger.db"
        rehearse(Rehearsal(0.5, disks=2), path)
        server = WebServer(
            ("127.0.0.1", 0), attic, lambda query: answer(read_history(path), query, WALL_NS)
        )
        server.start()
        log.addHandler(bugs)
        level, log.level = log.level, logging.DEBUG

        def case(dice: random.Random) -> str:
            seed = dice.choice(REQUESTS)
            request = (
                changed_target(seed, dice) if dice.random() < 0.5 else changed_bytes(seed, dice)
            )
            got = exchanged(server.address, request)
            assert not bugs.seen, bugs.seen
            assert not got.startswith(b"HTTP/1.1 500"), got[:600]
            found = re.match(rb"HTTP/1\.1 (\d\d\d) ", got)
            assert found or not got, got[:100]
            status = found[1].decode() if found else "closed"
            return "accepted" if status == "200" else status

        try:
            yield case
            healthy = exchanged(
                server.address, b"GET /-/healthy HTTP/1.0\r\nHost: localhost\r\n\r\n"
            )
            assert healthy.startswith(b"HTTP/1.1 200"), healthy
        finally:
            log.removeHandler(bugs)
            log.level = level
            server.stop()


def changed_target(request: bytes, dice: random.Random) -> bytes:
    """The request with another path and query, of characters that a target may have."""
    method, target, rest = request.decode().split(" ", 2)
    odd = ("%00", "%ff", "%2e%2e/", "//", "?", "&since=", "&disk=", "=", "#", "9" * 30, "http://")
    changed = "".join(c for c in changed_text(target, dice, odd) if "!" <= c <= "~")
    return f"{method} {changed or '*'} {rest}".encode()


def exchanged(address: tuple[str, int], request: bytes) -> bytes:
    """What comes back until the server closes; our side has said all it has to say."""
    received = b""
    with socket.create_connection(address, timeout=60) as connection, suppress(ConnectionError):
        connection.sendall(request)
        connection.shutdown(socket.SHUT_WR)
        while chunk := connection.recv(1 << 16):
            received += chunk
    return received


@contextmanager
def prober_messages() -> Iterator[Case]:
    """What an exporter may send to the prober, and a prober to the exporter."""
    hello = b"hello 1 123 200000 1 sda,sdb"
    sense = VECTORS[0].raw.hex().encode()
    woken = b'woken ["sda", 5, "read", "rsync", "sda1, ext4 on /srv", 12, ""]'
    to_exporter = [
        hello,
        b"done 1 2 0 8 1000 %s -" % sense,
        b"refused 1 gone 0 no such disk",
        woken,
        b"lost sda 7",
        b"untraced tracefs is not mounted",
    ]
    to_prober = [
        b"probe 1 sda 0 check_power_mode_16",
        b"forget sda",
        b"standby sda sdb",
        b"standby",
    ]
    server = prober.Server(dev="/nonexistent", sysfs="/nonexistent")
    client = ProcessProber("/nonexistent/socket")
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    client._socket = ours
    client._epoll.register(ours)

    def case(dice: random.Random) -> str:
        if dice.random() < 0.3:
            raw = changed_bytes(dice.choice(to_prober), dice)
            if raw.startswith(b"probe") and b" sd" in raw:  # would start a thread a node
                raw = raw.replace(b"check", b"chek")
            return "refused by prober" if server._handle(theirs, raw) else "accepted"
        greeted = client.hello is not None
        seeds = to_exporter[1:] if greeted else to_exporter[:1]
        text = changed_bytes(dice.choice(seeds), dice).decode("ascii", "replace")
        client._outstanding[1] = _probe(DISK)
        try:
            client._decode(text)
        except NotAMessage:
            return "refused by exporter"
        finally:
            if dice.random() < 0.1:
                client.hello = None
        return "accepted"

    try:
        with ours, theirs:
            yield case
    finally:
        client._socket = None
        client.close()
        server.close()


def _probe(disk: Disk) -> Probe:
    return Probe(1, disk.identity, Command.CHECK_POWER_MODE_16, 0, SECOND)


INPUTS = {
    "sense": sense_data,
    "identify": identify_words,
    "logs": log_pages,
    "trace": trace_texts,
    "smartctl": smartctl_text,
    "configuration": configuration,
    "ledger": ledger_file,
    "journal": live_journal,
    "http": http_requests,
    "prober": prober_messages,
}
"""By name: opens the input, and gives what makes and reads one case."""
