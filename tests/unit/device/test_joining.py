"""From events to what woke a disk.

Names of threads, kinds of requests and times are those that Linux 6.1 gave in the virtual machine
of tests/lab: a line is appended to a file of ext4, the journal is written after 5 s, the data after
30 s. Letters of rwbs: blk_fill_rwbs, kernel/trace/blktrace.c, Linux 6.1. Flags of inodes:
include/linux/fs.h.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from spinledger.codec.trace_events import Event
from spinledger.codec.trace_sums import Dirtied
from spinledger.device.actors import Actors
from spinledger.device.joining import Joiner
from spinledger.device.layers import Layer, Stack
from spinledger.model import SECOND, Woken

DISK, PART, MIRROR = 8 << 20 | 32, 8 << 20 | 33, 9 << 20
STACK = Stack(
    Layer("sdc", DISK, ()),
    {PART: Layer("sdc1", PART, (), 2048, 61440)},
    {"sdc1": "ext4 on /srv/photos"},
    frozenset({"8:32"}),
)
MEMBER = Stack(
    Layer("sdc", DISK, ()), {MIRROR: Layer("md0", MIRROR, ())}, {"md0": "ext4 on /a"},
    frozenset({"8:32", "9:0"}),
)  # fmt: skip
PLACE = "sdc1, ext4 on /srv/photos"
OURS = 4000  # a thread that sends probes


@dataclass
class Known(Actors):
    """Processes by number; those below 300 are threads of the kernel."""

    gone: set[int] = field(default_factory=set)

    def of_process(self, pid: int, comm: bytes) -> str:
        """The unit of some, else the name."""
        return comm.decode() if pid in self.gone else f"{comm.decode()}.service"

    def of_inode(self, inode: int) -> str:
        """One group."""
        return "logger.service" if inode == 4711 else ""

    def is_kernel_thread(self, pid: int) -> bool:
        """Low numbers."""
        return pid < 300 and pid not in self.gone

    def is_process(self, pid: int) -> bool:
        """High numbers."""
        return pid >= 300 and pid not in self.gone


@pytest.fixture
def joiner() -> Joiner:
    """A disk in standby for a minute."""
    made = Joiner(Known(), lambda pid: pid == OURS)
    made.sleeps("sdc", STACK, 0)
    return made


def queued(
    at_s: float, comm: str, pid: int, rwbs: str, sector: int = 32792, dev: int = DISK
) -> Event:
    """block_bio_queue."""
    return request("block_bio_queue", at_s, comm, pid, rwbs, sector, dev)


def request(
    name: str, at_s: float, comm: str, pid: int, rwbs: str, sector: int = 32792, dev: int = DISK,
    sectors: int = 8,
) -> Event:  # fmt: skip
    """Any event of a request."""
    numbers = {"dev": dev, "sector": sector, "nr_sector": sectors}
    texts = {"comm": comm.encode(), "rwbs": rwbs.encode()}
    return Event(name, round(at_s * SECOND), pid, numbers, texts)


def done(at_s: float, rwbs: str, sector: int = 32792, sectors: int = 8) -> Event:
    """block_rq_complete, in the context of an interrupt."""
    return request("block_rq_complete", at_s, "", 0, rwbs, sector, sectors=sectors)


def dirty(
    joiner: Joiner, event: str, keys: str, comm: str, pid: int, at_s: float, detail: int = 0
) -> None:
    """A sum of one program."""
    where = str(DISK) if keys.startswith("dev") else "8:32"
    key = Dirtied(where, detail, pid, comm.encode())
    joiner.dirtied(event, f"{keys},common_pid.execname", {key: 1}, round(at_s * SECOND))


def one(joiner: Joiner, *events: Event) -> Woken:
    """The one report that these events lead to."""
    (woken,) = joiner.take(events)
    return woken


def test_a_read_names_its_program(joiner: Joiner) -> None:
    """Its wait runs to its own completion, not to that of another request or of a probe."""
    woken = one(
        joiner,
        queued(60.0, "smbd", 812, "RA"),
        queued(60.001, "other", 900, "R", 5000),
        request("block_rq_issue", 60.5, "python3", OURS, "N", 0, sectors=0),
        done(67.9, "R", 5000),
        request("block_rq_complete", 67.95, "", 0, "N", 0, sectors=0),
        done(68.0, "RA"),
    )
    assert woken == Woken("sdc", 60 * SECOND, "read", "smbd.service", PLACE, 8 * SECOND)


def test_a_journal_names_who_made_it_necessary(joiner: Joiner) -> None:
    """As recorded: bash appends at 63.36 s; the journal is written from 69.04 to 70.04 s."""
    dirty(joiner, "writeback/writeback_dirty_folio", "name", "bash", 310, 63.36)
    dirty(joiner, "writeback/writeback_dirty_inode", "name,flags", "bash", 310, 63.36, 7)
    dirty(joiner, "writeback/writeback_dirty_folio", "name", "jbd2/sdc-8", 241, 63.4)
    woken = one(
        joiner, queued(69.044335, "jbd2/sdc-8", 241, "WSM"), done(70.044691, "WSM", sectors=4)
    )
    assert (woken.cause, woken.actor, woken.boundary) == ("journal", "bash.service", "")
    assert woken.wait_ns == pytest.approx(1.000356 * SECOND)


def test_a_writer_that_has_ended_is_known_by_its_group(joiner: Joiner) -> None:
    """writeback_single_inode_start carries the inode of the writer's control group."""
    flushing = Event(
        "writeback_single_inode_start", 93 * SECOND, 143, {"ino": 12, "cgroup_ino": 4711},
        {"name": b"8:32"},
    )  # fmt: skip
    woken = one(joiner, flushing, queued(93.9, "kworker/u2:5", 143, "W"), done(94.9, "W"))
    assert (woken.cause, woken.actor) == ("writeback", "logger.service")


def test_the_inode_decides_between_two_writers(joiner: Joiner) -> None:
    """The later writer is not named where the inode that is flushed is the earlier one's."""
    for comm, pid, ino, at_s in (("early", 400, 12, 62.0), ("late", 401, 13, 63.0)):
        dirty(joiner, "writeback/writeback_dirty_folio", "name,ino", comm, pid, at_s, ino)
    flushing = Event(
        "writeback_single_inode_start", 93 * SECOND, 143, {"ino": 12, "cgroup_ino": 1},
        {"name": b"8:32"},
    )  # fmt: skip
    woken = one(joiner, flushing, queued(93.9, "kworker/u2:5", 143, "W"), done(94.9, "W"))
    assert woken.actor == "early.service"


def test_times_of_access_are_metadata(joiner: Joiner) -> None:
    """Only I_DIRTY_SYNC on inodes and no data: a program that read what was cached."""
    dirty(joiner, "writeback/writeback_dirty_inode", "name,flags", "cat", 500, 63.0, 1)
    woken = one(joiner, queued(68.0, "jbd2/sdc-8", 241, "WSM"), done(69.0, "WSM"))
    assert (woken.cause, woken.actor) == ("metadata", "cat.service")


def test_a_boundary_where_nobody_is_named(joiner: Joiner) -> None:
    """A server in the kernel hides its clients; a journal that nobody is known to have filled."""
    woken = one(joiner, queued(60.0, "nfsd", 200, "R"), done(61.0, "R"))
    assert (woken.cause, woken.actor, woken.boundary) == ("read", "", "nfsd")
    joiner.left("sdc", 70 * SECOND)
    joiner.sleeps("sdc", STACK, 80 * SECOND)
    woken = one(joiner, queued(90.0, "jbd2/sdc-8", 241, "WSM"), done(91.0, "WSM"))
    assert (woken.cause, woken.actor, woken.boundary) == ("journal", "", "journal of ext4")
    joiner.left("sdc", 100 * SECOND)
    joiner.sleeps("sdc", STACK, 110 * SECOND)
    woken = one(joiner, queued(120.0, "kworker/u2:1", 143, "W"), done(121.0, "W"))
    assert (woken.cause, woken.boundary) == ("writeback", "write-back of ext4")


def test_nothing_is_concluded_after_a_loss(joiner: Joiner) -> None:
    """Cause, actor and wait are unknown."""
    joiner.lost()
    woken = one(joiner, queued(60.0, "smbd", 812, "R"), done(61.0, "R"))
    assert (woken.cause, woken.actor, woken.wait_ns) == ("unknown", "", None)


def test_a_spin_up_before_the_tracing_is_unknown(joiner: Joiner) -> None:
    """A completion whose request was not seen."""
    assert one(joiner, done(1.0, "R")).cause == "unknown"


@pytest.mark.parametrize(("pid", "cause"), [(OURS, "own_probe"), (700, "passthrough")])
def test_a_slow_command_woke_it(joiner: Joiner, pid: int, cause: str) -> None:
    """A command that is answered after a second did; one that is answered at once did not."""
    sent = request("block_rq_issue", 60.0, "tool", pid, "N", 0, sectors=0)
    quick = request("block_rq_complete", 60.001, "", 0, "N", 0, sectors=0)
    assert joiner.take([sent, quick]) == []
    again = request("block_rq_issue", 70.0, "tool", pid, "N", 0, sectors=0)
    slow = request("block_rq_complete", 71.0, "", 0, "N", 0, sectors=0)
    woken = one(joiner, again, slow)
    assert (woken.cause, woken.wait_ns) == (cause, SECOND)


def test_a_drive_that_nothing_was_sent_to(joiner: Joiner) -> None:
    """It left standby by itself; a probe of ours that was answered at once does not change that."""
    sent = request("block_rq_issue", 60.0, "python3", OURS, "N", 0, sectors=0)
    joiner.take([sent, request("block_rq_complete", 60.001, "", 0, "N", 0, sectors=0)])
    joiner.left("sdc", 61 * SECOND)
    assert one(joiner).cause == "drive"


def test_a_write_to_a_mirror_is_its_programs() -> None:
    """The md thread submits to the member; the request to md0 names the program."""
    joiner = Joiner(Known(), lambda pid: False)
    joiner.sleeps("sdc", MEMBER, 0)
    woken = one(
        joiner,
        queued(60.0, "importer", 600, "WS", 100, MIRROR),
        queued(60.01, "md0_raid1", 201, "WS", 2148),
        done(61.01, "WS", 2148),
    )
    assert (woken.cause, woken.actor) == ("write", "importer.service")
    assert woken.place == "md0, ext4 on /a"


def test_a_check_of_a_mirror(joiner: Joiner) -> None:
    """The thread that checks is the boundary."""
    woken = one(joiner, queued(60.0, "md0_resync", 202, "R"), done(61.0, "R"))
    assert (woken.cause, woken.actor, woken.boundary) == ("check", "", "md check")
