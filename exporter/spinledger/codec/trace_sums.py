"""The kernel's sums of who made data dirty: the text of `hist` files. Pure.

Rules of this module:
- The layout is that of Documentation/trace/histogram.rst and of hist_trigger_print_key in
  kernel/trace/trace_events_hist.c (Linux 6.12): keys in the order of the trigger, first where, then
  at most one detail, then `common_pid.execname`, which is 16 characters and a number in brackets.
- A program chooses its own name, 15 bytes of anything but zero (comm in proc(5)). An entry is
  longer than that, so no name can pretend to be one.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import NamedTuple

from spinledger.errors import Unavailable

_ENTRY = re.compile(
    rb"^\{ (?:name|dev): (?P<where>[^,\n]*), (?:(?P<detail>ino|flags): *(?P<value>\d+), )?"
    rb"common_pid: (?P<comm>.{16})\[ *(?P<pid>\d+)\] *\} hitcount: +(?P<hits>\d+)\s*?$",
    re.MULTILINE | re.DOTALL,
)
_TRIGGER = re.compile(rb"^# trigger info: hist:keys=([^:\n]+):", re.MULTILINE)
_TOTALS = re.compile(
    rb"^Totals:\n +Hits: \d+\n +Entries: (?P<entries>\d+)\n +Dropped: (?P<dropped>\d+)$",
    re.MULTILINE,
)


class Dirtied(NamedTuple):
    """One program's doing: the key of a sum."""

    where: str
    """The name of a backing device (`8:16`, `btrfs-1`), or a device number in decimal."""
    detail: int
    """Inode number or flags; 0 where the sum has none."""
    pid: int
    comm: bytes


class Sums(NamedTuple):
    """One table."""

    keys: str
    """Of its trigger, as the kernel repeats them."""
    counts: Mapping[Dirtied, int]
    entries: int
    dropped: int
    """Events that found no room."""


def parse(text: bytes) -> list[Sums]:
    """A `hist` file, which has one table after another, one a trigger.

    Raises Unavailable when it has another layout: then nothing may be concluded from it.
    """
    tables = []
    for part in re.split(rb"^# event histogram$", text, flags=re.MULTILINE)[1:]:
        counts: dict[Dirtied, int] = {}
        entries = 0
        for match in _ENTRY.finditer(part):
            entries += 1
            key = Dirtied(
                match["where"].strip().decode("utf-8", "replace"),
                int(match["value"] or 0),
                int(match["pid"]),
                match["comm"].rstrip(),
            )
            counts[key] = counts.get(key, 0) + int(match["hits"])
        totals, trigger = _TOTALS.search(part), _TRIGGER.search(part)
        if totals is None or trigger is None or int(totals["entries"]) != entries:
            raise Unavailable("odd_histogram", f"the kernel's sums have another layout: {part!a}")
        keys = trigger[1].decode("ascii", "replace")
        tables.append(Sums(keys, counts, entries, int(totals["dropped"])))
    return tables
