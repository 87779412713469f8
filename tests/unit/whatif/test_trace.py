"""Changed loads: actors left out, reads absorbed, writes held."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest

from spinledger.whatif.trace import Row, absorb, hold, mixed, without


def test_mixing_function() -> None:
    """First outputs of SplitMix64 from seed 1234567 (common test values, from memory)."""
    state, found = 1234567, []
    for _ in range(3):
        state = (state + 0x9E3779B97F4A7C15) % 2**64
        found.append(mixed(state))
    assert found == [6457827717110365317, 3203168211198807973, 9817491932198370423]


def test_without_is_the_trace_with_rows_deleted() -> None:
    """Only the actor's rows go."""
    rows = [Row(1, "read", "archive"), Row(2, "write", "backup"), Row(3, "read", "archive")]
    assert list(without(rows, "backup")) == [rows[0], rows[2]]


READS = [Row(number, "read", "") for number in range(20_000)]


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
@pytest.mark.parametrize("share", [0.05, 0.5, 0.9])
def test_absorb_is_an_independent_thinning(share: float, seed: int) -> None:
    """Reads left, and pairs of neighbours both left, are binomial counts (scipy, p > 1e-4)."""
    left = {row.at_ns for row in absorb(READS, share, seed)}
    pairs = sum(n in left and n + 1 in left for n in range(0, len(READS), 2))
    assert binomtest(len(left), len(READS), 1 - share).pvalue > 1e-4
    assert binomtest(pairs, len(READS) // 2, (1 - share) ** 2).pvalue > 1e-4


def test_absorb_takes_reads_only_and_can_be_repeated() -> None:
    """Share 1 leaves the other rows, share 0 leaves all; a seed gives the same rows again."""
    rows = [Row(1, "read", ""), Row(2, "write", ""), Row(3, "", "")]
    assert list(absorb(rows, 1, 1)) == rows[1:]
    assert list(absorb(rows, 0, 1)) == rows
    assert list(absorb(READS, 0.5, 7)) == list(absorb(READS, 0.5, 7))
    assert list(absorb(READS, 0.5, 7)) != list(absorb(READS, 0.5, 8))


def test_held_writes_go_together() -> None:
    """Worked case: writes at 1, 5, 10 held for 10 go at 11; the one at 12 starts a new wait.

    The observation ends at 50: the last write goes then.
    """
    rows = [Row(at, op, "") for at, op in ((1, "write"), (3, "read"), (5, "write"), (10, "write"))]
    rows += [Row(12, "write", ""), Row(40, "read", ""), Row(45, "write", "")]
    assert [(row.at_ns, row.op) for row in hold(rows, 10, lambda: 50)] == [
        (3, "read"),
        (11, "write"),
        (22, "write"),
        (40, "read"),
        (50, "write"),
    ]


@given(
    st.lists(st.tuples(st.integers(0, 9), st.sampled_from(["read", "write"])), max_size=40),
    st.integers(0, 30),
)
@settings(max_examples=200, deadline=None)
def test_hold_keeps_order_reads_and_the_promise(steps: list[tuple[int, str]], hold_ns: int) -> None:
    """In order; reads untouched; every write is followed by a batch within the hold time."""
    at = 0
    rows = []
    for step, op in steps:
        at += step
        rows.append(Row(at, op, ""))
    held = list(hold(rows, hold_ns, lambda: at))
    assert [row.at_ns for row in held] == sorted(row.at_ns for row in held)
    reads = [row.at_ns for row in held if row.op == "read"]
    assert reads == [row.at_ns for row in rows if row.op == "read"]
    batches = [row.at_ns for row in held if row.op == "write"]
    assert len(batches) <= sum(row.op == "write" for row in rows)
    for row in rows:
        if row.op == "write":
            assert any(row.at_ns <= batch <= row.at_ns + hold_ns for batch in batches)
