"""Trace files: exact times, and one clear line for each fault."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spinledger.cli.traces import Trace, nanoseconds
from spinledger.errors import BadTrace
from spinledger.whatif.trace import Row


def trace(folder: Path, content: str | bytes) -> Trace:
    """A trace of some content."""
    path = folder / "trace.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return Trace(path)


@given(st.decimals(min_value=0, max_value=10**10, places=9))
def test_times_are_exact(value: Decimal) -> None:
    """Nine decimals come through without loss (Python's decimal as reference)."""
    assert nanoseconds(format(value, "f")) == int(value * 10**9)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("5633898.368802", 5_633_898_368_802_000),
        ("1700000000.123456789", 1_700_000_000_123_456_789),  # a float keeps 238 ns steps
        ("0", 0),
        (" 12.5 ", 12_500_000_000),
        ("1e3", 1_000_000_000_000),
        (".5", 500_000_000),
        ("3.", 3_000_000_000),
        ("+2", 2_000_000_000),
        ("0.0000000005", 0),  # half a nanosecond, to even
        ("0.0000000015", 2),
        ("0.30000000000000004", 300_000_000),
    ],
)
def test_ways_to_write_a_number(text: str, expected: int) -> None:
    """Plain decimals, exponents, and more digits than a nanosecond has."""
    assert nanoseconds(text) == expected


def test_rows_with_columns_in_any_order(tmp_path: Path) -> None:
    """Extra columns are ignored, operations folded to lower case, ties and empty lines allowed."""
    content = [
        "actor,size,OP,timestamp_seconds",
        '"db, main",8,Read,1',
        "",
        "backup,8,WRITE,1",
        ",,,2.25",
    ]
    found = trace(tmp_path, "\r\n".join(content))
    assert (found.has_op, found.has_actor) == (True, True)
    assert list(found.rows()) == [
        Row(10**9, "read", "db, main"),
        Row(10**9, "write", "backup"),
        Row(2_250_000_000, "", ""),
    ]
    assert list(found.times()) == [10**9, 10**9, 2_250_000_000]


def test_byte_order_mark(tmp_path: Path) -> None:
    """A byte order mark before the header is no part of a name."""
    assert list(trace(tmp_path, b"\xef\xbb\xbftimestamp_seconds\n1\n2\n").times()) == [
        10**9,
        2 * 10**9,
    ]


HEAD = "timestamp_seconds,op\n"


@pytest.mark.parametrize(
    ("content", "complaint"),
    [
        ("", ": the file is empty; write a header with timestamp_seconds, then rows"),
        (HEAD, ": no rows of I/O; a gap needs two rows: record for longer"),
        (HEAD + "1,read\n", ": only one row of I/O; a gap needs two rows: record for longer"),
        (
            "time,op\n1,read\n2,read\n",
            ":1: no column timestamp_seconds; name the columns in the first line: "
            "timestamp_seconds, and optionally op, actor",
        ),
        (
            HEAD + "1,read\n2;5,read\n",
            ":3: timestamp_seconds '2;5' is not a number; write decimal seconds, such as 12.5",
        ),
        (
            HEAD + "1,read\n,read\n",
            ":3: no timestamp_seconds; write decimal seconds, such as 12.5",
        ),
        (
            HEAD + "1,read\nNaN,read\n",
            ":3: timestamp_seconds is 'NaN', not a time; write decimal seconds, such as 12.5",
        ),
        (
            HEAD + "1,read\n-inf,read\n",
            ":3: timestamp_seconds is '-inf', not a time; write decimal seconds, such as 12.5",
        ),
        (
            HEAD + "-1,read\n2,read\n",
            ":2: timestamp_seconds '-1' is negative; count from a time before the first I/O",
        ),
        (
            HEAD + "2,read\n3,read\n1.5,read\n",
            ":4: time goes back, from 3 to 1.5; sort the rows by timestamp_seconds",
        ),
        (
            HEAD + "1,read\n1700000000000,read\n",
            ":3: timestamp_seconds '1700000000000' is too large for a time in seconds; "
            "give seconds, not milliseconds or smaller units",
        ),
        (HEAD + "1_0,read\n", "'1_0' is not a number; write decimal seconds, such as 12.5"),
        (HEAD + "\u0661,read\n", "'\\u0661' is not a number; write decimal seconds, such as 12.5"),
        (
            (HEAD + "1,read\n").encode() + b"2,\xff\n",
            ":3: not UTF-8; save the file as UTF-8",
        ),
        (
            HEAD + "1,read\n2,'" + "x" * 70_000,
            ":3: a line of 65536 bytes or more; write one row a line",
        ),
        (
            HEAD + '1,"' + "read\n" * 40_000,
            "not CSV: field larger than field limit (131072); "
            "write plain CSV: one row a line, quotes in pairs",
        ),
    ],
)
def test_faults(tmp_path: Path, content: str | bytes, complaint: str) -> None:
    """Each fault is one line with the file, mostly the line, what is wrong and the fix."""
    with pytest.raises(BadTrace) as caught:
        list(trace(tmp_path, content).times())
    text = str(caught.value)
    assert text.startswith(str(tmp_path / "trace.csv"))
    assert text.endswith(complaint)
    assert "\n" not in text


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    """The operating system's reason stands in the line."""
    with pytest.raises(BadTrace, match="No such file or directory"):
        Trace(tmp_path / "none.csv")
