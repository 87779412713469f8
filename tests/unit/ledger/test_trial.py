"""Ours or theirs: a drive that wakes at our probes, and one that others wake at the same pace.

Outside authority: the drive's own log in the simulation, and scipy's binomial test.
"""

from __future__ import annotations

import pytest
from scipy.stats import binomtest

from spinledger.findings.ours import LEVEL, chance, convicted, share, window_ns
from spinledger.ledger import trial
from spinledger.ledger.account import Account
from spinledger.model import HOUR, SECOND, Cadence, State
from spinledger.sim.drive import Burst, Op
from spinledger.sim.rack import Action, Rack
from tests.fakes.watching import Watched, kind, with_timer

TIMER_S = 600
MEAN_NS = Cadence().asleep_ns
LIMIT = 3
EVERY_S = 7200  # between two uses; the pace of everything else divides it
USES = [100.0 + EVERY_S * n for n in range(30)]


@pytest.mark.parametrize("wakes", [1, 2, 5, 20, 200])
def test_the_chance_is_that_of_the_binomial_test(wakes: int) -> None:
    """scipy.stats.binomtest, alternative "greater"."""
    part = share(Cadence())
    assert part == 15 / 600
    for near in range(wakes + 1):
        expected = binomtest(near, wakes, part, alternative="greater").pvalue
        assert chance(near, wakes, part) == pytest.approx(expected, rel=1e-9)
        assert convicted(near, wakes, part) == (near > 0 and expected <= LEVEL)


def test_dense_probes_make_the_window_short() -> None:
    """At every pace from a probe in 200 s on, two near wakes in two are beyond chance."""
    for asleep_s in (200, 600, 3600, 12 * 3600):
        cadence = Cadence(asleep_ns=asleep_s * SECOND)
        assert cadence.fast_ns <= window_ns(cadence) <= 15 * SECOND
        assert convicted(2, 2, share(cadence))
    assert not convicted(2, 2, share(Cadence(asleep_ns=60 * SECOND)))


@pytest.mark.parametrize("name", ["wakes_spins_first", "wakes_answers_first"])
def test_a_drive_that_wakes_at_probes_is_convicted_at_the_configured_number(name: str) -> None:
    """At the third disturbance; then one line in the log, no probe, and unknown instead of idle."""
    watched = Watched(kind(name, TIMER_S), USES[:8], with_timer(TIMER_S)).run(8 * EVERY_S)
    probing = watched.account.probing
    assert (sum(probing.disturbed.values()), probing.near, probing.wakes) == (LIMIT, 2, 2)
    assert [line for line in watched.said if "no longer probed: probes disturb" in line] == [
        "sim-one (sda): no longer probed: probes disturb this drive: "
        "2 of 2 wakes came right after a probe"
    ]
    assert watched.log[-1] < USES[LIMIT]
    assert watched.view.state is State.UNKNOWN
    (finding,) = (one for one in watched.view.findings if one.code == "probes_disturb")
    assert "2 of 2 within 15 s of probes" in finding.evidence


def by_another_host(after_s: float) -> list[Action]:
    """Something that the kernel does not see wakes the drive, so long after each use."""

    def act(rack: Rack, number: int, at_ns: int) -> None:
        drive = rack.places[number].drive
        drive.kernel(at_ns)
        drive.climb(at_ns, "pass_through", "another host")

    return [Action(round((use + after_s) * SECOND), 0, act) for use in USES]


def near_ours(after_s: float) -> Watched:
    """Woken by another host right after the probe that an even pace would send."""
    drive = kind("plain", TIMER_S)
    return Watched(drive, USES, with_timer(TIMER_S), more=by_another_host(after_s))


def test_another_host_at_the_same_pace_does_not_convict_us() -> None:
    """It wakes the drive 5 s after the time at which we would probe, 30 times; still not us."""
    watched = near_ours(TIMER_S + MEAN_NS / SECOND + 5).run(EVERY_S * len(USES))
    probing = watched.account.probing
    assert 0 < sum(probing.disturbed.values()) < LIMIT
    assert watched.rack.truth(watched.clock.now())["sim-one"].cycles > len(USES)
    assert not watched.view.facts.probing_ended


def test_without_random_distances_it_would(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same, probed at an even pace: convicted, so the test above rests on the distances."""
    monkeypatch.setattr(trial, "_distance_ns", lambda account: MEAN_NS)
    watched = near_ours(TIMER_S + MEAN_NS / SECOND + 5).run(EVERY_S * len(USES))
    assert watched.view.facts.probing_ended


def test_another_tool_on_this_host_does_not_convict_us() -> None:
    """It sends a command every 10 min, our own pace, and wakes the drive: the count shows it."""
    polls = Burst(1000 * SECOND, 300, MEAN_NS, 8, Op.PASS_THROUGH, "another tool")
    watched = Watched(kind("plain", 300), [*USES, polls], with_timer(300)).run(48 * 3600)
    truth = watched.rack.truth(watched.clock.now())["sim-one"]
    assert truth.wakes["pass_through", "another tool"] > 100
    assert sum(watched.account.probing.disturbed.values()) == 0
    assert not watched.view.facts.probing_ended


def test_a_drive_that_sleeps_on_leaves_the_trial() -> None:
    """One suspicion, by another host; then eight pairs of probes between which it slept."""
    watched = Watched(
        kind("plain", TIMER_S), [100.0, 20_000.0], with_timer(TIMER_S),
        more=by_another_host(TIMER_S + 700)[:1],
    )  # fmt: skip
    watched.run(19_000)
    assert watched.account.probing.on_trial
    watched.run(20_000 + 4 * HOUR / SECOND)
    assert not watched.account.probing.on_trial


def test_distances_are_spread_evenly() -> None:
    """Half to one and a half times the mean; mean and spread of an even distribution."""
    account: Account = near_ours(0).run(1).account
    found = []
    for number in range(2000):
        account.probing.sent = {"one": number}
        found.append(trial._distance_ns(account) / MEAN_NS)
    assert 0.5 <= min(found) < 0.51
    assert 1.49 < max(found) <= 1.5
    assert sum(found) / len(found) == pytest.approx(1.0, abs=0.02)
