"""The kernel's histogram text, as Linux 6.1 wrote it.

tests/data/histogram/linux-6.1.hist was recorded in the virtual machine of tests/lab: a file system
is made on a disk, mounted, written, trimmed and unmounted; then a program reads it under odd names.
What the letters of rwbs mean is written in blk_fill_rwbs, kernel/trace/blktrace.c, Linux 6.1.
"""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spinledger.device import histogram
from spinledger.device.histogram import Doing, Key, Sums
from spinledger.errors import Unavailable

RECORDED = (Path(__file__).parents[2] / "data/histogram/linux-6.1.hist").read_bytes()
DISK = 8 << 20 | 32  # 8:32, the third disk (Documentation/admin-guide/devices.txt)

FORMAT = b"""name: block_bio_queue
ID: 1055
format:
\tfield:unsigned short common_type;\toffset:0;\tsize:2;\tsigned:0;
\tfield:int common_pid;\toffset:4;\tsize:4;\tsigned:1;

\tfield:dev_t dev;\toffset:8;\tsize:4;\tsigned:0;
\tfield:sector_t sector;\toffset:16;\tsize:8;\tsigned:0;
\tfield:unsigned int nr_sector;\toffset:24;\tsize:4;\tsigned:0;
\tfield:char rwbs[8];\toffset:28;\tsize:8;\tsigned:1;
\tfield:char comm[16];\toffset:36;\tsize:16;\tsigned:1;

print fmt: "%d,%d %s %llu + %u [%s]", REC->rwbs
"""


def text(*entries: tuple[int, bytes, bytes, int, int], dropped: int = 0) -> bytes:
    """A histogram in the layout of hist_trigger_print_key (trace_events_hist.c, Linux 6.1)."""
    lines = [
        b"{ dev: %10d, comm: %-50s, rwbs: %-50s } hitcount: %10d  nr_sector: %10d\n" % entry
        for entry in entries
    ]
    head = b"# event histogram\n#\n# trigger info: hist:keys=dev,comm,rwbs [active]\n#\n\n"
    hits = sum(entry[3] for entry in entries)
    counts = (hits, len(entries), dropped)
    return (
        head
        + b"".join(lines)
        + b"\nTotals:\n    Hits: %d\n    Entries: %d\n" % counts[:2]
        + (b"    Dropped: %d\n" % dropped)
    )


def test_recorded_text_is_read_whole() -> None:
    """Entries and hits add up to the kernel's own totals at the end of the text."""
    result = histogram.parse(RECORDED)
    hits, entries = (int(n) for n in re.findall(rb"(?:Hits|Entries): (\d+)", RECORDED)[-2:])
    assert (result.entries, len(result.sums), result.dropped) == (entries, entries, 0)
    assert sum(sums.bios for sums in result.sums.values()) == hits
    assert result.sums[Key(DISK, b"mkfs.ext4", b"WS")] == (80, 640)


def test_recorded_names_come_through() -> None:
    """The odd names the program gave itself: quotes and braces, none, not UTF-8, blanks first."""
    names = {key.comm for key in histogram.parse(RECORDED).sums if key.dev == DISK}
    odd = {b'a }, rwbs: R\n,"', b"", b"\xff\xfe caf\xc3\xa9", b"   lead"}
    assert odd <= names
    assert {histogram.actor(name) for name in odd} == {
        'a }, rwbs: R\\x0a,"',
        "nameless",
        "\\xff\\xfe café",
        "lead",
    }


def test_recorded_io_by_actor() -> None:
    """The trimming program discarded only, `sync` flushed and wrote, `mount` read and wrote."""
    done = histogram.moved({}, histogram.parse(RECORDED).sums)
    ops = {
        name: {doing.op for doing in done if (doing.dev, doing.actor) == (DISK, name)}
        for name in ("fstrim", "sync", "mount", "ls", "kworker", "ext4lazyinit")
    }
    assert ops == {
        "fstrim": set(),
        "sync": {"write"},
        "mount": {"read", "write"},
        "ls": {"read"},
        "kworker": {"write"},
        "ext4lazyinit": {"write"},  # zeroes without data: `NS`
    }
    assert done[Doing(DISK, "sync", "write")].sectors == 14


@pytest.mark.parametrize(
    ("rwbs", "expected"),
    [
        (b"R", "read"),
        (b"RAM", "read"),
        (b"W", "write"),
        (b"FWFSM", "write"),
        (b"N", "write"),
        (b"ZA", "write"),  # zone append, blktrace.c from Linux 6.18 on (from memory)
        (b"D", None),
        (b"DE", None),
        (b"F", None),
        (b"FF", None),
    ],
)
def test_letters(rwbs: bytes, expected: str | None) -> None:
    """blk_fill_rwbs: an F before the kind is a flush first, the letters after it are flags."""
    assert histogram.operation(rwbs) == expected


def test_only_what_moved_since_counts() -> None:
    """Same sums: nothing; more requests without sectors (a flush): nothing; paths are added up."""
    before = histogram.parse(text((DISK, b"a", b"R", 2, 16), (DISK, b"b", b"FWS", 1, 0))).sums
    after = histogram.parse(
        text(
            (DISK, b"a", b"R", 2, 16),
            (DISK, b"b", b"FWS", 3, 0),
            (DISK, b"kworker/0:1", b"W", 1, 8),
            (DISK, b"kworker/u4:5", b"WM", 2, 24),
        )
    ).sums
    assert histogram.moved(before, after) == {Doing(DISK, "kworker", "write"): Sums(3, 32)}


@given(
    st.lists(
        st.tuples(
            st.integers(0, 2**32 - 1),
            st.binary(max_size=15).filter(lambda name: b"\0" not in name and name == name.strip()),
            st.sampled_from([b"R", b"WS", b"FWFS", b"D"]),
        ),
        unique=True,
        max_size=8,
    )
)
def test_any_names_come_through(keys: list[tuple[int, bytes, bytes]]) -> None:
    """Whatever 15 bytes a program calls itself, each entry is read as it was written, and an
    actor's name survives a trace as it is (Python's csv as reference)."""
    entries = [(*key, number + 1, 8 * number) for number, key in enumerate(keys)]
    result = histogram.parse(text(*entries))
    assert dict(result.sums) == {Key(*entry[:3]): Sums(*entry[3:]) for entry in entries}
    for _, comm, _ in keys:
        name = histogram.actor(comm)
        kept = io.StringIO()
        csv.writer(kept).writerow([name])
        assert [row[0].strip() for row in csv.reader([kept.getvalue()])] == [name]


def test_dropped_requests() -> None:
    """histogram.rst: `Dropped` counts what found the table full."""
    assert histogram.parse(text(dropped=7)) == ({}, 0, 7)


@pytest.mark.parametrize(
    "spoilt",
    [
        b"",
        text((DISK, b"a", b"R", 1, 8)).replace(b"nr_sector", b"sectors"),
        text((DISK, b"a", b"R", 1, 8)).replace(b"Totals", b"Sums"),
        text((DISK, b"a", b"R", 1, 8)).replace(b"comm", b"common_pid"),
    ],
)
def test_another_layout_is_refused(spoilt: bytes) -> None:
    """Nothing is concluded from a text that is not wholly understood."""
    with pytest.raises(Unavailable, match="another layout"):
        histogram.parse(spoilt)


def test_fields_of_the_event() -> None:
    """Names as Linux 6.1 lists them, arrays without their length."""
    assert histogram.fields(FORMAT) == {
        *("common_type", "common_pid", "dev", "sector", "nr_sector", "rwbs", "comm")
    }


@pytest.mark.parametrize(
    ("number", "expected"), [("8:32", 8388640), ("259:1", 271581185), ("", None), ("8", None)]
)
def test_device_numbers(number: str, expected: int | None) -> None:
    """include/linux/kdev_t.h: MKDEV is major << 20 | minor."""
    assert histogram.device_number(number) == expected
