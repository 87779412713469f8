"""The newest snapshot is made when a reader asks for it, between the loop's ticks."""

from __future__ import annotations

import os
import select
import threading
from collections.abc import Iterator

import pytest

from spinledger.app.publishers import FRESH_NS, Latest
from spinledger.model import MINUTE, SECOND
from tests.fakes.patience import PATIENCE_S
from tests.fakes.snapshots import full_view, snapshot

Made = tuple[Latest, list[int]]


@pytest.fixture
def made() -> Iterator[Made]:
    """The publisher with a first snapshot, and its boot clock."""
    first = snapshot(full_view(1))
    clock = [first.at_ns]
    latest = Latest(lambda: clock[0])
    assert latest.wants(clock[0])
    latest.publish(first)
    yield latest, clock
    os.close(latest.fileno())


def asked(latest: Latest, wait_s: float = 0.0) -> bool:
    """Whether the loop would be woken."""
    return bool(select.select([latest], [], [], wait_s)[0])


def test_nobody_asks_nothing_is_made_but_each_minute(made: Made) -> None:
    """A tick makes no snapshot by itself."""
    latest, clock = made
    assert not latest.wants(clock[0] + 5 * SECOND)
    assert not asked(latest)
    assert latest.wants(clock[0] + MINUTE)


def test_a_young_snapshot_serves_every_reader(made: Made) -> None:
    """Many scrapes at once cost one snapshot."""
    latest, clock = made
    clock[0] += FRESH_NS - 1
    assert latest.current() is not None
    assert not asked(latest)


def test_a_reader_gets_what_the_loop_makes_for_it(made: Made) -> None:
    """It wakes the loop once, and goes on with the new snapshot."""
    latest, clock = made
    clock[0] += 5 * SECOND
    got: list[object] = []
    reader = threading.Thread(target=lambda: got.append(latest.current()))
    reader.start()
    assert asked(latest, PATIENCE_S)
    assert latest.wants(clock[0])
    second = snapshot(full_view(2))
    latest.publish(second)
    reader.join(PATIENCE_S)
    assert got == [second]
    assert not asked(latest)
    assert not latest.wants(clock[0])


def test_a_loop_that_is_stuck_leaves_the_old_one(made: Made) -> None:
    """A reader waits half a second at most, and the old snapshot keeps its time."""
    latest, clock = made
    clock[0] += 5 * SECOND
    old = latest.current()
    assert old is not None
    assert old.at_ns == clock[0] - 5 * SECOND
