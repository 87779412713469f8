"""The history that pages draw, read from a real store day by day.

Outside authority: the entries that were handed to the store, as they are.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from itertools import pairwise
from pathlib import Path

import pytest

from spinledger.app.pages import RecentHistories, page_context
from spinledger.config.current import CurrentConfig
from spinledger.config.load import load
from spinledger.config.settings import Tariff
from spinledger.model import DAY, HOUR, MINUTE, SECOND, Cycle, Entry, Evidence, Explained, Span
from spinledger.ports import Commit
from spinledger.store.ledger import FileStore, MemoryStore
from spinledger.strip import SpinUp

BEGAN = 20_000 * DAY  # a midnight, UTC
BOOT = 5 * DAY


def entries_of(day: int) -> list[Entry]:
    """Two sleeps and two uses, the last ending 10 s before midnight, explained after it."""
    made: list[Entry] = []
    at = BEGAN + day * DAY
    edges = (0, 8 * HOUR, 9 * HOUR, 20 * HOUR, DAY - 10 * SECOND)
    states = ("standby", "spinning", "standby", "spinning")
    for (left, right), state in zip(pairwise(edges), states, strict=True):
        began, ended = at + left, at + right
        made.append(
            Span("d", state, _boot(began), _boot(ended), began, ended, MINUTE, Evidence.MOVED)
        )
    for place, hour in enumerate((8, 20)):
        number = day * 2 + place
        made.append(Cycle(number, "d", _boot(at + hour * HOUR), at + hour * HOUR, True))
    made.append(Cycle(1000 + day, "d", _boot(at + DAY - SECOND), at + DAY - SECOND, True))
    late = _boot(at + DAY + 30 * SECOND)
    made.append(Explained(1000 + day, "d", late, "read", "backup", "", 7 * SECOND))
    return made


def _boot(wall: int) -> int:
    return wall - BEGAN + BOOT


def commit(store: MemoryStore | FileStore, number: int, entries: list[Entry], wall: int) -> None:
    """Hand them over."""
    accounts: Mapping[str, Mapping[str, object]] = {"d": {}}
    store.note(_boot(wall), wall, accounts, ())
    store.commit(Commit(number, _boot(wall), wall, "b", False, accounts, {}, tuple(entries)))


@pytest.mark.parametrize("asked_every_hours", [1, 7, 24, 24 * 12])
def test_pages_see_what_was_recorded(asked_every_hours: int) -> None:
    """However often pages were asked before, the last sees every span and spin-up of 12 days."""
    store = MemoryStore()
    histories = RecentHistories(store.remembered)
    for day in range(12):
        commit(store, day + 1, entries_of(day), BEGAN + (day + 1) * DAY)
        for hour in range(24):
            if (day * 24 + hour) % asked_every_hours == 0:
                histories(BEGAN, BEGAN + (day + 1) * DAY + hour * HOUR)
    seen = histories(BEGAN, BEGAN + 12 * DAY + 2 * HOUR)["d"]
    recorded = [entry for day in range(12) for entry in entries_of(day)]
    assert [(one.began, one.ended, one.state, one.active) for one in seen.periods] == [
        (one.began_wall_ns, one.ended_wall_ns, one.state, one.active_ns)
        for one in recorded
        if isinstance(one, Span)
    ]
    cycles = [one for one in recorded if isinstance(one, Cycle)]
    assert [spin_up.at for spin_up in seen.spin_ups] == [one.at_wall_ns for one in cycles]
    late = [spin_up for spin_up in seen.spin_ups if spin_up.cause]
    assert late == [
        SpinUp(one.at_wall_ns, True, "read", "backup", 7 * SECOND)
        for one in cycles
        if one.number >= 1000
    ]
    store.close()


def test_only_what_is_asked_for_comes() -> None:
    """A day's history holds what ended in that day, and a clock set back loses nothing."""
    store = MemoryStore()
    histories = RecentHistories(store.remembered)
    for day in range(3):
        commit(store, day + 1, entries_of(day), BEGAN + (day + 1) * DAY)
    later = histories(BEGAN, BEGAN + 20 * DAY)["d"]
    earlier = histories(BEGAN + 2 * DAY, BEGAN + 3 * DAY)["d"]
    assert len(later.periods) == 12
    assert earlier.periods[0].began == BEGAN + 2 * DAY
    assert len(earlier.periods) == 4
    assert len(earlier.spin_ups) == 3
    store.close()


OPENED: list[str] = []
WATCHING: list[bool] = []


def _hook(event: str, arguments: Iterable[object]) -> None:
    if WATCHING and (event in ("open", "sqlite3.connect") or event.startswith("os.")):
        OPENED.append(f"{event} {arguments!r}")


def test_the_ledger_file_is_never_touched(tmp_path: Path) -> None:
    """After a restart pages see forty days' newest, and no file is opened for it.

    Python, "Audit events table": open, os.*, sqlite3.connect. `history` asked for all of it does
    open the file, which shows that the watch sees.
    """
    ledger = tmp_path / "ledger.db"
    store = FileStore(ledger, boot_id="b", live=None)
    store.restore()
    for day in range(40):
        commit(store, day + 1, entries_of(day), BEGAN + (day + 1) * DAY)
        store.settle()
        assert list(store.finished()) == [(day + 1, True)]
    store.close()
    store = FileStore(ledger, boot_id="b", live=None)
    store.restore()
    sys.addaudithook(_hook)
    try:
        WATCHING.append(True)
        seen = RecentHistories(store.remembered)(BEGAN, BEGAN + 40 * DAY)["d"]
        untouched = list(OPENED)
        everything = list(store.history().cycles(since=BEGAN))
        WATCHING.clear()
    finally:
        store.close()
    assert untouched == []
    assert len(everything) == 40 * 3
    assert OPENED
    assert 30 * 3 <= len(seen.spin_ups) <= 31 * 3
    assert seen.spin_ups[-1].at == BEGAN + 40 * DAY - SECOND


def test_the_tariff_is_that_of_the_file_in_force(tmp_path: Path) -> None:
    """After the owner's file was read again, the pages have its new price."""
    file = tmp_path / "spinledger.yaml"
    file.write_text("tariff: {currency: EUR, per_kwh: 0.30}\n", encoding="utf-8")
    owner = CurrentConfig(file, load(file), 0.0)
    seen = page_context(owner, lambda: MemoryStore().history(), "attic")
    assert seen.tariff() == Tariff("EUR", 0.30)
    file.write_text("listen: 127.0.0.1:0\n", encoding="utf-8")
    assert owner.reload()
    assert seen.tariff() is None
