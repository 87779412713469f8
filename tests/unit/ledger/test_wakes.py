"""What the kernel's events say of a wake, joined with the spin-up that the ledger records.

The simulated drive's own log is what really happened.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import pytest

from spinledger.ledger import dumps
from spinledger.ledger.account import Account
from spinledger.ledger.recording import (
    open_account,
    record_answered,
    record_counted,
    record_woken,
)
from spinledger.ledger.spinups import lost
from spinledger.ledger.summary import summary
from spinledger.model import SECOND, Disk, Entry, Explained, Mode, Policy, Woken
from spinledger.sim.drive import Burst, Op
from spinledger.sim.rack import Rack, SimulatedWakes
from tests.fakes.facts import DISK, POLICY, counted, reported, tick
from tests.fakes.watching import Watched, kind, with_timer


def explained(entries: Iterable[Entry]) -> list[Explained]:
    """The explanations among entries."""
    return [entry for entry in entries if isinstance(entry, Explained)]


def asleep(policy: Policy = POLICY) -> Account:
    """Asleep from 99 s on, sampled at 100 s, and what wakes it is reported."""
    account = open_account(DISK, policy, tick(0))
    for at_s in (5, 10):
        record_counted(account, counted(at_s))
    record_answered(account, reported(99, Mode.STANDBY))
    record_counted(account, counted(100))
    account.traced = True
    return account


def woken(at_s: float, **more: object) -> Woken:
    """A read by smbd that waited for 8 s."""
    plain = Woken(DISK.identity, round(at_s * SECOND), "read", "smbd.service",
                  "sda1, ext4 on /srv/photos", 8 * SECOND)  # fmt: skip
    return replace(plain, **more)  # type: ignore[arg-type]


def test_a_report_may_come_before_its_spin_up_is_recorded() -> None:
    """The first request at 102 s, reported at 103; the sample at 105 records the spin-up."""
    account = asleep()
    assert record_woken(account, woken(102)) == []
    (one,) = explained(record_counted(account, counted(105, 0, in_flight=1)))
    assert (one.cause, one.actor, one.place) == (
        "read",
        "smbd.service",
        "sda1, ext4 on /srv/photos",
    )
    assert one.wait_ns == 8 * SECOND


def test_a_report_may_come_long_after_its_spin_up_was_recorded() -> None:
    """Recorded at 105 s with sectors moved at 110; the report comes at 150 s, after a restart."""
    account = asleep()
    assert explained(record_counted(account, counted(105, 0, in_flight=1))) == []
    for at_s in range(110, 150, 5):
        assert explained(record_counted(account, counted(at_s, 16))) == []
    account = dumps.load(dumps.dump(account))
    (one,) = explained(record_woken(account, woken(102)))
    assert (one.cause, one.actor, one.cycle) == ("read", "smbd.service", 1)
    assert record_woken(account, woken(102)) == []  # once only


def test_without_a_report_the_counters_say_what_they_can() -> None:
    """Two minutes, then the cause is what moved first, and nobody is named."""
    account = asleep()
    entries = []
    for at_s in range(105, 240, 5):
        entries += record_counted(account, counted(at_s, 16))
    (one,) = explained(entries)
    assert (one.cause, one.actor, one.place) == ("read", "", "")
    assert one.at_ns == 225 * SECOND


def test_a_report_of_another_time_explains_nothing() -> None:
    """Its first request came before this sleep began."""
    account = asleep()
    record_woken(account, woken(50))
    assert explained(record_counted(account, counted(105, 16))) == []


def test_what_a_report_leaves_open_is_by_the_counters() -> None:
    """No cause and no wait, but a boundary: who asked is behind nfsd."""
    account = asleep()
    record_woken(account, woken(102, cause="unknown", actor="", wait_ns=None, boundary="nfsd"))
    (one,) = explained(record_counted(account, counted(105, 16)))
    assert (one.cause, one.actor, one.wait_ns) == ("read", "nfsd", None)


def test_a_name_cannot_spoil_a_label_or_a_terminal() -> None:
    """A process may name itself with any bytes; prctl(2), PR_SET_NAME."""
    account = asleep()
    record_woken(account, woken(102, actor="sm\x1b[2J\udcff" + "x" * 500))
    (one,) = explained(record_counted(account, counted(105, 16)))
    assert one.actor.startswith("sm?[2J?x")
    assert len(one.actor) == 120


def spun_up_by(account: Account, *actors: str) -> None:
    """So many spin-ups, by these actors, fed to the folds."""
    for number, actor in enumerate(actors):
        one = Explained(number, DISK.identity, number, "read", actor, "", None)
        account.folds.feed([one], account.policy)


def test_an_actor_once_admitted_keeps_its_series() -> None:
    """`limits.actors` is 2: the third is `other`; after a restart with 1 both go on."""
    account = asleep(replace(POLICY, actor_limit=2))
    spun_up_by(account, "smbd", "backup", "updatedb", "")
    account = dumps.load(dumps.dump(account))
    account.policy = replace(account.policy, actor_limit=1)
    spun_up_by(account, "backup", "gallery")
    assert summary(account).totals.actors == {
        "unknown": 1, "other": 2, "smbd": 1, "backup": 2,
    }  # fmt: skip
    account.policy = replace(account.policy, actor_limit=3)
    spun_up_by(account, "gallery", "updatedb")
    assert summary(account).totals.actors["gallery"] == 1
    assert summary(account).totals.actors["other"] == 3


def test_lost_events_are_counted_over_restarts_of_either_side() -> None:
    """The source counts from zero again: 5, 7, then 2; ours goes on through a restart."""
    account = asleep()
    assert [lost(account, count) for count in (5, 7, 7)] == [True, True, False]
    account = dumps.load(dumps.dump(account))
    assert lost(account, 2)
    assert summary(account).totals.events_lost == 9


@dataclass
class Late:
    """A source that reports half a minute after the simulated one would."""

    rack: Rack
    source: SimulatedWakes = field(init=False)
    held: list[Woken] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.source = SimulatedWakes(self.rack)

    def watch(self, disks: Mapping[str, Disk]) -> None:
        """The same disks."""
        self.source.watch(disks)

    def woken(self, at_ns: int) -> Iterable[Woken]:
        """What was held long enough."""
        self.held += self.source.woken(at_ns)
        given = [one for one in self.held if one.at_ns + 30 * SECOND <= at_ns]
        self.held = [one for one in self.held if one not in given]
        return given

    def lost(self) -> Mapping[str, int]:
        """None."""
        return {}

    def untraced(self) -> str:
        """Everything can be said."""
        return ""

    def fileno(self) -> int:
        """Nothing real."""
        return -1


@pytest.mark.parametrize("source", [SimulatedWakes, Late])
def test_through_the_loop_each_spin_up_has_its_actor_and_wait(
    source: type[SimulatedWakes] | type[Late],
) -> None:
    """Reads, writes and a command that moves nothing, each after the disk has fallen asleep."""
    ops = (Op.READ, Op.WRITE, Op.PASS_THROUGH, Op.READ)
    bursts = [
        Burst(round((3600 * (n + 1) + 1.7) * SECOND), 3, SECOND, 8, op, f"actor-{n}")
        for n, op in enumerate(ops)
    ]
    watched = Watched(kind("plain", 600), [1.0, *bursts], with_timer(600), wakes=source)
    watched.run(5.5 * 3600)
    given = [(one.cause, one.actor, one.wait_ns) for one in explained(watched.entries)]
    events = watched.rack.places[0].drive.tally.events
    causes = {"read": "read", "write": "write", "pass_through": "passthrough"}
    assert given == [
        (causes[one.cause], one.actor, one.wait_ns) for one in events if one.what == "start"
    ]
    assert len(given) == 4
