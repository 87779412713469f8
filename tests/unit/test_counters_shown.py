"""What becomes of the drive's own counters on their way to a person: shown, or refused and counted.

Source: the names of attributes 4, 12 and 192 are the public drive database's (version 7.5); that a
counter cannot fall, nor a motor start more than once in some seconds, is common practice, no
source. Judged by the simulated drive's own counters.
"""

from __future__ import annotations

import pytest

from spinledger.model import DAY, SECOND, Policy, Reading, Worn
from spinledger.sim.shelf import Plug
from spinledger.wear.life import DriveCounters
from spinledger.web.context import PageContext
from spinledger.web.onedisk import one_disk
from tests.fakes.facts import WALL_NS
from tests.fakes.series import samples
from tests.fakes.watching import Watched, kind, with_timer

TIMER_S = 1200.0


def shown(watched: Watched) -> str:
    """The disk's page."""
    return one_disk(watched.kept.snapshots[-1], watched.view, PageContext())


def test_an_emergency_retract_is_shown() -> None:
    """A plug pulled while the heads are loaded is one retract, in the metric and on the page."""
    plugs = [Plug(5000 * SECOND, 0, False), Plug(6000 * SECOND, 0, True)]
    arrivals = [1000.0, 1020.0, 6500.0, 6520.0]
    watched = Watched(kind("plain", 7200), arrivals, with_timer(7200), plugs).run(4000)
    before = samples(watched.view)["emergency_retracts"][()]
    watched.run(7000)
    own = watched.rack.places[0].drive.odometer
    assert samples(watched.view)["emergency_retracts"] == {(): own.retracts}
    assert own.retracts == before + 1
    assert f"<dt>Emergency retracts</dt><dd>{own.retracts}</dd>" in shown(watched)


@pytest.mark.parametrize(
    ("by", "reason", "words"),
    [(-1, "fell", "1 fell"), (5000, "too_fast", "1 rose too fast")],
)
def test_what_cannot_be_true_is_rejected_counted_and_shown(
    by: int, reason: str, words: str
) -> None:
    """A count of starts that falls or leaps is kept out, its reason counted, the old one shown."""
    arrivals = [float(at) for at in range(1000, 4000, 20)]
    watched = Watched(kind("plain", TIMER_S), arrivals, with_timer(TIMER_S)).run(2000)
    own = watched.rack.places[0].drive.odometer
    true = own.starts
    assert samples(watched.view)["start_stop_cycles"] == {(): true}
    own.starts += by
    watched.run(4000)
    values = samples(watched.view)
    assert values["start_stop_cycles"] == {(): true}
    assert values["wear_rejected"][(reason,)] == 1
    assert sum(values["wear_rejected"].values()) == 1
    assert values["cycles"] == {("yes",): 0, ("no",): 0}
    assert f"<dt>Readings rejected</dt><dd>{words}</dd>" in shown(watched)


def reading(day: int, loads: int) -> Reading:
    """An accepted reading at noon of a day."""
    wall_ns = WALL_NS + day * DAY + DAY // 2
    worn = Worn("d", day * DAY, 10, loads, 4, None, None, None, None, "loads: smart_read_data")
    return Reading("d", day * DAY, wall_ns, worn, "accepted")


def test_a_date_only_after_fourteen_days() -> None:
    """Readings that span less than 14 days give a share and no date (own rule); a day later the
    date is that of arithmetic: 600,000 at 328.5 a day."""
    policy = Policy(rated_load=600_000)
    fold = DriveCounters()
    for day in range(14):
        fold.step(reading(day, round(328.5 * day)), policy)
        rated = fold.rated(policy)["load"]
        assert rated.used_ratio is not None
        assert rated.middle_wall_ns is None, day
    fold.step(reading(14, round(328.5 * 14)), policy)
    end = fold.rated(policy)["load"].middle_wall_ns
    assert end is not None
    assert (end - WALL_NS - DAY // 2) / DAY / 365.25 == pytest.approx(5, abs=0.01)
