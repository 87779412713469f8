"""Scrapes that share one rendering: none is older than it may be."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from itertools import count
from typing import Any
from urllib.request import urlopen

import pytest

from spinledger.facts import Snapshot
from spinledger.web.lanes import Lane
from spinledger.web.scrapes import SAME_NS, Scrapes
from spinledger.web.server import WebServer
from tests.fakes.patience import PATIENCE_S
from tests.fakes.servers import Serve, serve
from tests.fakes.snapshots import WALL_NS, full_view, snapshot

__all__ = ["serve"]  # the fixture


def scrape(server: WebServer) -> str:
    """The metrics, by a connection of its own."""
    with urlopen(f"{server.url}metrics", timeout=PATIENCE_S) as answer:
        text: bytes = answer.read()
    return text.decode()


def test_parallel_scrapes_are_each_of_one_moment(serve: Serve) -> None:
    """32 scrapes at once, while snapshots change under them, each hold values of one snapshot."""
    numbers = count()

    def current() -> Snapshot:
        number = next(numbers)
        return snapshot(full_view(number), full_view(number))  # the second is refused: a duplicate

    server = serve(current)
    with ThreadPoolExecutor(32) as pool:
        answers = list(pool.map(lambda _: scrape(server), range(32)))
    seen = []
    for text in answers:
        lines = text.splitlines()
        # full_view(n) uses n + 0.5 J while idle, and names the disk after n.
        energy = [one for one in lines if one.startswith("spinledger_disk_energy_joules_total{")]
        (number,) = [float(one.rpartition(" ")[2]) - 0.5 for one in energy if 'state="idle"' in one]
        identity = f"wwn-0x5000c500a1b2{int(number):04x}"
        own = [one for one in lines if 'disk="' in one and "absent_since" not in one]
        assert len(own) > 150
        assert all(f'disk="{identity}"' in one for one in own)
        assert "spinledger_render_failures 1.0" in lines
        seen.append(int(number))
    assert len(seen) == 32
    assert max(seen) < 32  # a snapshot for each at most: those that wait share one


def test_a_scrape_that_begins_at_once_is_not_kept(
    serve: Serve, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lane may begin a scrape, and end it, before the loop goes on from handing it over: the
    next scrape with the same headers is of a newer snapshot none the less.
    """
    begun = threading.Event()
    numbers = count()

    def current() -> Snapshot:
        begun.set()
        return snapshot(full_view(next(numbers)))

    def put(lane: Lane, *call: Any) -> None:
        begun.clear()
        hand_over(lane, *call)
        assert begun.wait(PATIENCE_S)

    hand_over = Lane.put
    monkeypatch.setattr(Lane, "put", put)
    server = serve(current)
    for number in range(3):  # full_view(n) names its disk after n
        assert f"wwn-0x5000c500a1b2{number:04x}" in scrape(server)


def test_an_answer_is_given_again_while_nothing_has_changed() -> None:
    """The same snapshot is rendered once in SAME_NS for each form: not for another snapshot, nor
    for a query, nor after the clock was set back.
    """
    now = [snapshot(full_view(1))]
    wall = [WALL_NS]
    scrapes = Scrapes(lambda: now[0], lambda: wall[0])

    def body(**asked: str) -> bytes:
        ((only),) = scrapes.answer(asked)[2]
        return only

    first, zipped = body(), body(HTTP_ACCEPT_ENCODING="gzip")
    wall[0] += SAME_NS - 1
    assert body() is first
    assert body(HTTP_ACCEPT_ENCODING="gzip") is zipped is not first
    assert body(QUERY_STRING="name[]=spinledger_disk_info") != first
    wall[0] += 1
    later = body()
    assert later != first  # by the exporter's clock, of which the pages say when they were made
    now[0] = snapshot(full_view(2))
    newer = body()
    assert b"wwn-0x5000c500a1b20002" in newer
    assert b"wwn-0x5000c500a1b20001" not in newer
    wall[0] -= SAME_NS
    assert body() != newer
