"""Trace events and the kernel's sums, as Linux 6.1 writes them.

tests/data/trace/linux-6.1.txt was recorded in the virtual machine of tests/lab: format files, and
the sums while a line was appended to a file of ext4 and the file system synced. Pages are laid out
as include/linux/ring_buffer.h says (Linux 6.12): type and time in the first word of an entry, then
its data; a page begins with its time and the length of what follows.
"""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from spinledger.codec import trace_events, trace_sums
from spinledger.codec.trace_events import Header, parse_format
from spinledger.codec.trace_sums import Dirtied
from spinledger.errors import Unavailable

TEXT = (Path(__file__).parents[2] / "data/trace/linux-6.1.txt").read_text()
PARTS = {name: body for name, _, body in (p.partition("\n") for p in TEXT.split("== ")[1:])}
HEADER = Header.parse(PARTS["events/header_page"])
QUEUE = parse_format(
    "block_bio_queue",
    PARTS["events/block/block_bio_queue/format"],
    ("dev", "sector", "nr_sector", "rwbs", "comm"),
)
BEGAN_NS = 250_886_497_000


def data(comm: bytes = b"jbd2/sdc-8", pid: int = 447) -> bytes:
    """One block_bio_queue at the offsets of its format file: 52 bytes."""
    return struct.pack(
        "<HBBiI4xQI8s16s", 1055, 0, 0, pid, 8 << 20 | 32, 32790, 2, b"WSM", comm.ljust(16, b"\0")
    )


def entry(delta_ns: int, body: bytes) -> bytes:
    """An entry whose number of words is in its type."""
    return struct.pack("<I", len(body) // 4 | delta_ns << 5) + body


def page(*entries: bytes, flags: int = 0, stored: bytes = b"") -> bytes:
    """A page with these entries."""
    body = b"".join(entries)
    return (struct.pack("<QQ", BEGAN_NS, len(body) | flags) + body + stored).ljust(4096, b"\0")


def test_an_event_of_a_page() -> None:
    """The fields, and the time: that of the page plus the entry's."""
    found, lost = trace_events.events(page(entry(1000, data())), HEADER, {QUEUE.number: QUEUE})
    (event,) = found
    assert (event.at_ns, event.pid, lost) == (BEGAN_NS + 1000, 447, 0)
    assert event.numbers["dev"] == 8 << 20 | 32
    assert (event.numbers["sector"], event.numbers["nr_sector"]) == (32790, 2)
    assert (event.texts["rwbs"], event.texts["comm"]) == (b"WSM", b"jbd2/sdc-8")


def test_time_extends_and_padding() -> None:
    """Type 30 adds its time, type 29 is skipped, type 0 has its length before the data."""
    later = struct.pack("<II", 30 | 5 << 5, 2)  # 2 << 27 plus 5
    gap = struct.pack("<II", 29 | 7 << 5, 12) + bytes(8)
    long = struct.pack("<II", 0 | 1 << 5, 56) + data(pid=9)
    found, _ = trace_events.events(
        page(later, gap, long, entry(1, data())), HEADER, {QUEUE.number: QUEUE}
    )
    at_ns = BEGAN_NS + (2 << 27) + 5 + 7 + 1
    assert [(event.at_ns, event.pid) for event in found] == [(at_ns, 9), (at_ns + 1, 447)]


def test_events_of_other_kinds_are_passed_over() -> None:
    """An event that has no format here."""
    assert trace_events.events(page(entry(0, data())), HEADER, {}) == ([], 0)


@pytest.mark.parametrize(
    ("flags", "stored", "lost"), [(1 << 31 | 1 << 30, struct.pack("<Q", 17), 17), (1 << 31, b"", 1)]
)
def test_lost_events_are_counted(flags: int, stored: bytes, lost: int) -> None:
    """Their number stands behind the data; where it found no room there, it is one at least."""
    given = page(entry(0, data()), flags=flags, stored=stored)
    assert trace_events.events(given, HEADER, {QUEUE.number: QUEUE})[1] == lost


def test_a_kernel_without_a_field_is_refused() -> None:
    """The line names the event and what it lacks."""
    text = PARTS["events/block/block_rq_complete/format"]
    with pytest.raises(Unavailable, match="block_rq_complete has no field comm"):
        parse_format("block_rq_complete", text, ("dev", "comm"))
    with pytest.raises(Unavailable, match="block_rq_complete has no field common_pid"):
        parse_format("block_rq_complete", text.replace("common_pid", "pid"), ("dev",))


def test_sums_of_dirtied_pages() -> None:
    """As recorded: the appender's page, and the journal's."""
    (table,) = trace_sums.parse(PARTS["hist writeback/writeback_dirty_folio"].encode())
    assert table.keys == "name,ino,common_pid.execname"
    assert table.counts == {
        Dirtied("8:32", 8388640, 447, b"jbd2/sdc-8"): 1,
        Dirtied("8:32", 12, 416, b"bash"): 1,
    }
    assert (table.entries, table.dropped) == (2, 0)


def test_keys_of_odd_bytes_are_read_on() -> None:
    """Found by random changes of the text: what is no ASCII is replaced."""
    text = PARTS["hist writeback/writeback_dirty_folio"].encode()
    (table,) = trace_sums.parse(text.replace(b"keys=name,", b"keys=n\xef,", 1))
    assert table.keys == "n\ufffd,ino,common_pid.execname"


def test_sums_by_device() -> None:
    """Keys without a detail."""
    (table,) = trace_sums.parse(PARTS["hist block/block_dirty_buffer"].encode())
    assert {(key.where, key.detail) for key in table.counts} == {("8388640", 0)}


def test_a_name_with_line_breaks_is_one_entry() -> None:
    """A program may be called anything of 15 bytes (proc(5), comm)."""
    text = PARTS["hist writeback/writeback_dirty_folio"].encode()
    odd = b"a }, ino:\n1 {\n{ "
    (table,) = trace_sums.parse(text.replace(b"bash            ", odd))
    assert Dirtied("8:32", 12, 416, odd.rstrip()) in table.counts


def test_another_layout_is_refused() -> None:
    """Fewer entries than the kernel says it printed."""
    text = PARTS["hist writeback/writeback_dirty_folio"].encode()
    with pytest.raises(Unavailable, match="another layout"):
        trace_sums.parse(text.replace(b"ino:         12", b"inode 12"))
