"""The kernel's trace events: their format files, and the pages of a ring buffer. Pure.

Rules of this module:
- Where a field stands in an event differs between kernels, so it is read from the event's `format`
  file (Documentation/trace/events.rst, Linux 6.12), never assumed. Fields without a fixed size
  (`__data_loc`) are left out.
- The layout of a page and the header of an entry are those of `events/header_page` and
  `events/header_event` of the same kernel; the meaning of the types of entries and of the two flags
  of `commit` is that of include/linux/ring_buffer.h and kernel/trace/ring_buffer.c (Linux 6.12).
- A program chooses its own name. It is bytes of a field here: no name can pretend to be an event.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple

from spinledger.errors import Unavailable

_ID = re.compile(r"^ID: (\d+)$", re.MULTILINE)
_FIELD = re.compile(
    r"^\t?field:(?P<kind>[^;]*?)\b(?P<name>\w+)(?:\[(?P<array>[^\]]*)\])?;"
    r"\toffset:(?P<offset>\d+);\tsize:(?P<size>\d+);(?:\tsigned:(?P<signed>[01]);)?",
    re.MULTILINE,
)
_ORDER: Literal["little", "big"] = sys.byteorder

# Types of an entry, in the low five bits of its first word; those below hold data.
_PADDING, _TIME_EXTEND, _TIME_STAMP = 29, 30, 31
_LONGEST = 28  # words of data whose number is in the type itself
_TYPE_BITS, _DELTA_BITS = 5, 27
_STAMP_BITS = 59  # of an absolute time; the rest is that of the page
_MISSED, _MISSED_STORED = 1 << 31, 1 << 30  # flags of `commit`


class Field(NamedTuple):
    """Where a field stands in an event. `text`: an array of characters, ended by a zero."""

    offset: int
    size: int
    signed: bool
    text: bool


@dataclass(frozen=True, slots=True)
class Event:
    """One event; `at_ns` in nanoseconds of the instance's clock."""

    name: str
    at_ns: int
    pid: int  # of the thread in whose context it was raised
    numbers: Mapping[str, int]
    texts: Mapping[str, bytes]


@dataclass(frozen=True, slots=True)
class Format:
    """The layout of one event: from its `format` file."""

    name: str
    number: int
    fields: Mapping[str, Field]

    def event(self, data: bytes, at_ns: int) -> Event:
        """The fields of one entry's data."""
        numbers: dict[str, int] = {}
        texts: dict[str, bytes] = {}
        for name, field in self.fields.items():
            raw = data[field.offset : field.offset + field.size]
            if field.text:
                texts[name] = raw.partition(b"\0")[0]
            else:
                numbers[name] = int.from_bytes(raw, _ORDER, signed=field.signed)
        return Event(self.name, at_ns, numbers.get("common_pid", 0), numbers, texts)


@dataclass(frozen=True, slots=True)
class Header:
    """The layout of a page of the ring buffer: from `events/header_page`."""

    commit: Field
    data: int  # offset

    @classmethod
    def parse(cls, text: str) -> Header:
        """Raises Unavailable when it has no such fields."""
        fields = _fields(text)
        if not fields.keys() >= {"timestamp", "commit", "data"}:
            raise Unavailable("odd_trace", f"the kernel's trace has another layout: {text!a}")
        return cls(fields["commit"], fields["data"].offset)


def parse_format(name: str, text: str, needed: tuple[str, ...]) -> Format:
    """An event's `format` file. Raises Unavailable when a needed field is not in it."""
    number = _ID.search(text)
    fields = _fields(text)
    wanted = ("common_type", "common_pid", *needed)
    missing = [field for field in wanted if field not in fields]
    if number is None or missing:
        what = f"no field {', '.join(missing)}" if missing else "no number"
        raise Unavailable("odd_trace", f"this kernel's event {name} has {what}")
    return Format(name, int(number[1]), {field: fields[field] for field in wanted})


def _fields(text: str) -> dict[str, Field]:
    found = {}
    for match in _FIELD.finditer(text):
        kind, array = match["kind"].strip(), match["array"]
        if "__data_loc" in kind or "__rel_loc" in kind:
            continue
        found[match["name"]] = Field(
            int(match["offset"]),
            int(match["size"]),
            match["signed"] == "1",
            array is not None and kind.endswith("char"),
        )
    return found


def events(page: bytes, header: Header, formats: Mapping[int, Format]) -> tuple[list[Event], int]:
    """The events of a page with one of these formats, and how many were lost before it.

    A loss whose size the kernel does not give counts as one.
    """
    commit_at = header.commit.offset
    commit = int.from_bytes(page[commit_at : commit_at + header.commit.size], _ORDER) & 0xFFFFFFFF
    length = commit & ~(_MISSED | _MISSED_STORED)
    end = header.data + length
    lost = 0
    if commit & _MISSED:
        stored = page[end : end + 8] if commit & _MISSED_STORED else b""
        lost = int.from_bytes(stored, _ORDER) or 1
    found = []
    for at_ns, data in _entries(page, header.data, min(end, len(page))):
        layout = formats.get(int.from_bytes(data[:2], _ORDER))  # common_type
        if layout is not None:
            found.append(layout.event(data, at_ns))
    return found, lost


def _entries(page: bytes, at: int, end: int) -> Iterator[tuple[int, bytes]]:
    """The time and the data of each entry between two offsets."""
    time_ns = int.from_bytes(page[:8], _ORDER)
    while at + 4 <= end:
        word = int.from_bytes(page[at : at + 4], _ORDER)
        kind, delta = _split(word)
        extra = int.from_bytes(page[at + 4 : at + 8], _ORDER)
        if kind == _TIME_EXTEND:
            time_ns += (extra << _DELTA_BITS) + delta
            at += 8
        elif kind == _TIME_STAMP:
            low = (extra << _DELTA_BITS) + delta
            time_ns = (time_ns >> _STAMP_BITS << _STAMP_BITS) | low
            at += 8
        elif kind == _PADDING:
            if delta == 0:  # the rest of the page
                return
            time_ns += delta
            at += 4 + extra
        else:
            time_ns += delta
            if kind == 0:  # the length, its own four bytes included, stands before the data
                begin, size = at + 8, extra - 4
                at += 4 + extra
            else:
                begin, size = at + 4, kind * 4
                at += 4 + size
            if size <= 0:
                return
            yield time_ns, page[begin : begin + size]


def _split(word: int) -> tuple[int, int]:
    """Type and time of an entry's first word; a compiler fills bit fields from the low end on a
    little-endian machine, from the high end on a big-endian one."""
    if _ORDER == "little":
        return word & ((1 << _TYPE_BITS) - 1), word >> _TYPE_BITS
    return word >> _DELTA_BITS, word & ((1 << _DELTA_BITS) - 1)
