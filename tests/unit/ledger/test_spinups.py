"""Why a spin-up came and how long its first request waited, by free signals alone.

The simulated drive's events are what really happened. What Linux before 6.10 counts is worked by
hand from block/blk-core.c, update_io_ticks(), of Linux 6.1: a request that comes while others wait
adds one tick and not the time since the last.
"""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from dataclasses import replace

import pytest

from spinledger.ledger import dumps
from spinledger.ledger.account import Account
from spinledger.ledger.recording import open_account, record_answered, record_counted
from spinledger.model import MINUTE, SECOND, Counted, Cycle, Entry, Explained, Mode
from spinledger.sim.drive import Burst, Op
from tests.fakes.facts import DISK, POLICY, counted, reported, tick
from tests.fakes.watching import Watched, kind, with_timer

TIMER_S = 600
AT_S = 3602.0  # between two looks


def watch(*bursts: Burst, drive: str = "plain", until_s: float = 2 * 3600) -> Watched:
    """A drive that spins up in 10 s, asleep from ten minutes on."""
    return Watched(kind(drive, TIMER_S), [1.0, *bursts], with_timer(TIMER_S)).run(until_s)


def explained(entries: Sequence[Entry]) -> list[Explained]:
    """The explanations among entries."""
    return [entry for entry in entries if isinstance(entry, Explained)]


def burst(count: int, step_s: float, op: Op = Op.READ, at_s: float = AT_S) -> Burst:
    """So many requests to a sleeping drive."""
    return Burst(round(at_s * SECOND), count, round(step_s * SECOND), 8, op, "mira")


def test_a_lone_request_tells_its_wait() -> None:
    """To the millisecond, whatever the looks: 10 s, and it was a read."""
    watched = watch(burst(1, 0))
    (one,) = explained(watched.entries)
    events = watched.rack.places[0].drive.tally.events
    start = next((event for event in reversed(events) if event.what == "start"), None)
    assert start is not None
    assert (one.cause, one.wait_ns) == ("read", start.wait_ns) == ("read", 10 * SECOND)


@pytest.mark.parametrize("count", [2, 5, 10])
def test_requests_that_queue_up_do_not_hide_it(count: int) -> None:
    """One a second while the motor starts: the first one's wait is given, true to a second."""
    (one,) = explained(watch(burst(count, 1.0, Op.WRITE)).entries)
    assert one.cause == "write"
    assert one.wait_ns == pytest.approx(10 * SECOND, abs=SECOND)


def test_a_stream_of_requests_hides_it() -> None:
    """Ten a second: how much of the time in use was waiting is not known, and not given."""
    (one,) = explained(watch(burst(600, 0.1)).entries)
    assert (one.cause, one.wait_ns) == ("read", None)


def test_a_command_that_moves_no_sectors_is_another_cause() -> None:
    """A pass-through request woke it; nobody's sectors waited."""
    (one,) = explained(watch(burst(1, 0, Op.PASS_THROUGH)).entries)
    assert (one.cause, one.wait_ns) == ("other", None)


def test_each_spin_up_is_explained_once() -> None:
    """A day of random reads and writes: as many explanations as observed cycles, by number."""
    draw = random.Random(4)
    ops = (Op.READ, Op.WRITE, Op.PASS_THROUGH)
    at, bursts = 700.0, []
    while at < 86400:
        bursts.append(burst(draw.randint(1, 30), draw.random(), draw.choice(ops), at))
        at += 60 + draw.expovariate(1 / 1500)
    entries = watch(*bursts, until_s=90000).entries
    seen = [entry for entry in entries if isinstance(entry, Cycle) and entry.observed]
    cycles = [entry.number for entry in seen]
    assert [entry.cycle for entry in explained(entries)] == cycles
    assert len(cycles) > 20
    waits = [entry.wait_ns for entry in explained(entries) if entry.wait_ns is not None]
    assert len(waits) > 5
    assert all(abs(wait - 10 * SECOND) <= SECOND for wait in waits)


# By hand


def asleep() -> Account:
    """Asleep at 100 s, last looked at with all counters at zero."""
    account = open_account(DISK, POLICY, tick(0))
    for at_s in (5, 10):
        record_counted(account, counted(at_s))
    record_answered(account, reported(99, Mode.STANDBY))
    record_counted(account, counted(100))
    return account


def after(
    at_s: float, busy_ms: int, waited_ms: int, requests: int, sectors: int = 0, in_flight: int = 0
) -> Counted:
    """Signals with the kernel's times in them."""
    plain = counted(at_s, sectors, requests=requests, in_flight=in_flight)
    return replace(plain, busy_ms=busy_ms, waited_ms=waited_ms)


def test_an_older_kernel_that_loses_time_is_not_believed() -> None:
    """Requests at 101 and 104, done at 111: 7 s in use by Linux 6.1, 17 s waited; both waited when
    looked at, and 17 exceeds 2 x 7 + 1. A newer kernel counts 10, and is believed.
    """
    for busy, wait in ((7000, None), (10_000, 10 * SECOND)):
        account = asleep()
        assert explained(record_counted(account, after(105, busy - 6000, 0, 2, in_flight=2))) == []
        (one,) = explained(record_counted(account, after(115, busy, 17_000, 2, sectors=16)))
        assert one.wait_ns == wait


def test_a_kernel_that_counts_nothing_tells_nothing() -> None:
    """Without requests or times there is no wait, but a cause."""
    account = asleep()
    (one,) = explained(record_counted(account, counted(105, sectors=8)))
    assert (one.cause, one.wait_ns) == ("read", None)


def test_both_kinds_at_once() -> None:
    """Reads and writes in the first sample with movement: which was first is not known."""
    account = asleep()
    fact = replace(after(105, 4000, 8000, 2, sectors=8), sectors_written=8)
    (one,) = explained(record_counted(account, fact))
    assert one.cause == "read_and_write"


def test_after_a_minute_without_sectors_nothing_more_is_known() -> None:
    """A request that hangs: the spin-up is put down to another cause, once."""
    account = asleep()
    entries: list[Entry] = []
    for at_s in range(105, 300, 5):
        entries += record_counted(account, after(at_s, 0, 0, 1, in_flight=1))
    (one,) = explained(entries)
    assert (one.cause, one.wait_ns) == ("other", None)
    assert one.at_ns <= 105 * SECOND + MINUTE


def test_a_restart_in_the_middle_of_a_spin_up() -> None:
    """Dumped while the request waits, and loaded: the wait is given all the same."""
    account = asleep()
    record_counted(account, after(105, 4000, 0, 1, in_flight=1))
    kept = json.loads(json.dumps(dumps.dump(account)))
    again = dumps.load(kept)
    (one,) = explained(record_counted(again, after(115, 10_000, 10_000, 1, sectors=8)))
    assert (one.cause, one.wait_ns) == ("read", 10 * SECOND)
    assert again.folds.spin_ups.causes["read"] == 1
    waits = again.folds.spin_ups.waits()
    assert (waits.count, waits.sum, waits.counts) == (1, 10, (0, 0, 0, 0, 0, 1, 1, 1))
