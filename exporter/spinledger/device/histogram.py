"""The text of a kernel histogram of block_bio_queue, and the I/O between two of them. Pure.

Rules of this module:
- The layout is that of Documentation/trace/histogram.rst (Linux 6.12) and of hist_trigger_print_key
  in kernel/trace/trace_events_hist.c: a line an entry, keys in the order of the trigger, each
  padded with blanks to a fixed width.
- A program chooses its own name, 15 bytes of anything but zero (comm in proc(5)). Neither what
  stands before a name in an entry nor what stands behind it fits into 15 bytes, so no name can
  pretend to be another entry, not even with line breaks in it.
- Letters of `rwbs`: blk_fill_rwbs in kernel/trace/blktrace.c (Linux 6.12). Only what moves sectors
  is I/O: a flush alone has none, and a discard moves no platter. `N` with sectors is a write of
  zeroes or a zone append; later kernels write the latter as `ZA`.
- Kernel workers are one actor, `kworker`: which of them gets a piece of work is chance.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import NamedTuple

from spinledger.errors import Unavailable

READ = "read"
WRITE = "write"
NAMELESS = "nameless"  # a program may set an empty name

_MINOR_BITS = 20  # of the kernel's dev_t (include/linux/kdev_t.h)
_FIELD = re.compile(rb"^\tfield:[^;]*?(\w+)(?:\[[^\]]*\])?;", re.MULTILINE)
_ENTRY = re.compile(
    rb"^\{ dev: +(?P<dev>\d+), comm: (?P<comm>.*?) *, rwbs: (?P<rwbs>[A-Z]+) *\}"
    rb" hitcount: +(?P<hits>\d+) +nr_sector: +(?P<sectors>\d+)$",
    re.MULTILINE | re.DOTALL,
)
_TOTALS = re.compile(
    rb"^Totals:\n +Hits: (?P<hits>\d+)\n +Entries: (?P<entries>\d+)\n"
    rb" +Dropped: (?P<dropped>\d+)\n*\Z",
    re.MULTILINE,
)


class Key(NamedTuple):
    """One entry's keys: the kernel's device number, the program's name, kind of request."""

    dev: int
    comm: bytes
    rwbs: bytes


class Sums(NamedTuple):
    """What an entry has summed up since the histogram was cleared; sectors of 512 bytes."""

    bios: int
    sectors: int


class Histogram(NamedTuple):
    """One reading."""

    sums: Mapping[Key, Sums]
    entries: int  # places taken of the table
    dropped: int  # requests that found the table full


class Doing(NamedTuple):
    """Who did what to which device."""

    dev: int
    actor: str
    op: str


def fields(text: bytes) -> frozenset[str]:
    """Names of the fields of an event, from its `format` file."""
    return frozenset(name.decode() for name in _FIELD.findall(text))


def parse(text: bytes) -> Histogram:
    """A `hist` file with keys dev, comm, rwbs and the value nr_sector.

    Raises Unavailable when it has another layout: then nothing may be concluded from it.
    """
    sums: dict[Key, Sums] = {}
    entries = 0
    for entry in _ENTRY.finditer(text):
        entries += 1
        key = Key(int(entry["dev"]), entry["comm"], entry["rwbs"])
        bios, sectors = sums.get(key, (0, 0))
        sums[key] = Sums(bios + int(entry["hits"]), sectors + int(entry["sectors"]))
    totals = _TOTALS.search(text)
    if totals is None or entries != int(totals["entries"]):
        raise Unavailable("odd_histogram", f"the kernel's histogram has another layout: {text!a}")
    return Histogram(sums, int(totals["entries"]), int(totals["dropped"]))


def moved(before: Mapping[Key, Sums], after: Mapping[Key, Sums]) -> dict[Doing, Sums]:
    """The I/O between two readings of one histogram; nothing without sectors."""
    totals: dict[Doing, Sums] = {}
    for key, (bios, sectors) in after.items():
        was = before.get(key, Sums(0, 0))
        op = operation(key.rwbs)
        if sectors == was.sectors or op is None:
            continue
        doing = Doing(key.dev, actor(key.comm), op)
        total = totals.get(doing, Sums(0, 0))
        totals[doing] = Sums(total.bios + bios - was.bios, total.sectors + sectors - was.sectors)
    return totals


def operation(rwbs: bytes) -> str | None:
    """`read`, `write`, or None for what is no I/O, of a request that has sectors."""
    kind = rwbs.removeprefix(b"F")[:1]  # F before the kind: the cache is flushed first
    if kind == b"R":
        return READ
    return WRITE if kind in (b"W", b"N", b"Z") else None


def actor(comm: bytes) -> str:
    """A program's name as one printable word of a trace; bytes that are not text as \\xNN."""
    if comm.startswith(b"kworker/"):
        return "kworker"
    text = comm.decode("utf-8", "backslashreplace").strip()
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text) or NAMELESS


def device_number(text: str) -> int | None:
    """The kernel's dev_t of `MAJOR:MINOR`; None when it is not one."""
    major, _, minor = text.partition(":")
    if not (major.isdecimal() and minor.isdecimal()):
        return None
    return int(major) << _MINOR_BITS | int(minor)
