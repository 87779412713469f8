"""Alerts and findings agree, and `look` ends with 1 and names the disk, in made-up situations.

Outside authority: the installed Prometheus, which evaluates the shipped expressions. Limits are
those of the configuration and of rules/README.md; each is tried just before it and at it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC
from typing import Any

import pytest

from spinledger.cli import look, main
from spinledger.facts import (
    Awake,
    Bracket,
    CycleWindow,
    DiskView,
    Facts,
    HeadParking,
    QuietNow,
    QuietWindow,
    Rated,
    Retracts,
    Sleeps,
    Snapshot,
    WaitMedians,
)
from spinledger.findings.judge import judge, missing
from spinledger.model import DAY, HOUR, MINUTE, SECOND, Policy, Reason, State, Watch
from spinledger.wear.budget import EARLY
from spinledger.web.snapshot_json import snapshot_json
from tests.fakes.snapshots import AT_NS, WALL_NS, snapshot, view
from tests.packs.agreement import CODES, Judged, fired, found

TIMER = 20 * MINUTE
SLEPT = QuietWindow(asleep_ns=4 * HOUR, observed_ns=8 * HOUR, recorded_ns=8 * HOUR, ended_wall_ns=0)
YEAR = round(365.25 * DAY)
PLAIN = replace(view(0).facts, retracts=None)
GONE = 2 * HOUR


def _over(name: str, ago_ns: int, count: int = 60) -> dict[str, Any]:
    """A window whose limit was reached so long ago."""
    reached = CycleWindow(count, 54, WALL_NS - ago_ns, WALL_NS - ago_ns - HOUR)
    if name in EARLY:
        return {"early_windows": {**PLAIN.early_windows, name: reached}}
    return {"windows": {**PLAIN.windows, name: reached}}


def _night(asleep_h: float, observed_h: float = 8, ended_ago: int = 8 * HOUR) -> dict[str, Any]:
    asleep, observed = round(asleep_h * HOUR), round(observed_h * HOUR)
    return {"quiet_window": QuietWindow(asleep, observed, 8 * HOUR, WALL_NS - ended_ago)}


def _up(spun: int, began: int = 9 * HOUR, used: int | None = None) -> dict[str, Any]:
    """Awake in quiet hours: how long ago it spun up, they began, and it was last used."""
    return {
        "state": State.IDLE,
        "timer_ns": TIMER,
        "since_wall_ns": WALL_NS - spun,
        "quiet_now": QuietNow(True, WALL_NS - began),
        "used_wall_ns": None if used is None else WALL_NS - used,
    }


def _rated(used: float, late: int | None, kind: str = "load") -> dict[str, Any]:
    """How far a rating is used up, and in how long it will be at the latest."""
    end = None if late is None else WALL_NS + late
    return {"rated": {kind: Rated(600_000, "configured", used, end, end, end)}}


def _idle(longest: int, slept: bool) -> dict[str, Any]:
    return {
        "awake": Awake(longest, longest, slept, 9 * DAY, None),
        "policy": replace(PLAIN.policy, declared_ns=TIMER),
        "timer_ns": TIMER,
    }


def _unknown(lasted: int, **more: object) -> dict[str, Any]:
    return {
        "state": State.UNKNOWN,
        "why": "timeout",
        "since_ns": AT_NS - lasted,
        "probed": True,
        **more,
    }


def _missed(ago: int, **policy: object) -> dict[str, Any]:
    changed = replace(PLAIN.policy, **policy)  # type: ignore[arg-type]
    return {"unobserved_wall_ns": WALL_NS - ago, "policy": changed}


def _failures(reason: Reason, last_ok: bool | None) -> dict[str, Any]:
    totals = replace(PLAIN.totals, failures={**PLAIN.totals.failures, reason: 3})
    return {"totals": totals, "last_probe_ok": last_ok}


def _woke(days_ago: int) -> dict[str, Any]:
    totals = replace(PLAIN.totals, disturbances={**PLAIN.totals.disturbances, "woke": 1})
    return {"totals": totals, "disturbed_wall_ns": WALL_NS - days_ago * DAY}


ALLOWED = HOUR + 2 * TIMER
MADE_UP: Mapping[str, tuple[Mapping[str, Any], set[str]]] = {
    "nothing is wrong": ({}, set()),
    **{
        f"limit of {name} reached {ago // MINUTE} min ago": (
            _over(name, ago),
            {code} if ago < 6 * HOUR else set(),
        )
        for name, code in (
            ("1h", "over_cycle_limit"),
            ("3h", "over_cycle_limit"),
            ("6h", "over_cycle_limit"),
            ("1d", "over_cycle_limit"),
            ("1d_early", "over_cycle_budget"),
            ("2d_early", "over_cycle_budget"),
            ("7d", "over_cycle_budget"),
            ("30d", "over_cycle_budget"),
        )
        for ago in ((MINUTE, 6 * HOUR - SECOND, 6 * HOUR) if name in ("1d", "30d") else (HOUR,))
    },
    "a count just below its limit": (
        {"windows": {**PLAIN.windows, "1d": CycleWindow(53, 54, None)}},
        set(),
    ),
    "the count fell, and the limit still holds": (_over("3h", 5 * HOUR, 0), {"over_cycle_limit"}),
    "slept half of the night": (_night(4), set()),
    "slept less than half of it": (_night(3.9), {"slept_too_little"}),
    "slept none of it": (_night(0), {"slept_too_little"}),
    "slept none of what was observed, which was half": (_night(0, 4), set()),
    "slept none of what was observed, which was more": (_night(0, 4.1), {"slept_too_little"}),
    "a bad night that ended a day ago": (_night(0, ended_ago=25 * HOUR), {"slept_too_little"}),
    "a bad night that is over": (_night(0, ended_ago=26 * HOUR), set()),
    "a better share is configured": (
        {**_night(6), "policy": replace(PLAIN.policy, quiet_asleep_min=0.8)},
        {"slept_too_little"},
    ),
    "awake for as long as it may": (_up(ALLOWED), set()),
    "awake for longer": (_up(ALLOWED + SECOND), {"awake_in_quiet_hours"}),
    "quiet hours have just begun": (_up(3 * DAY, began=HOUR), set()),
    "a film an hour ago": (_up(5 * HOUR, used=HOUR), set()),
    "a film in the evening": (_up(9 * HOUR, used=3 * HOUR), {"awake_in_quiet_hours"}),
    "awake by day": ({**_up(9 * HOUR), "quiet_now": QuietNow(False, WALL_NS - 9 * HOUR)}, set()),
    "the rating lasts": (_rated(0.5, 3 * YEAR + DAY), set()),
    "the rating ends soon": (_rated(0.9, 3 * YEAR - DAY), {"rated_life_ends_soon"}),
    "of motor starts": (_rated(0.9, YEAR, "start_stop"), {"rated_life_ends_soon"}),
    "nearly used up": (_rated(0.999, None), set()),
    "used up": (_rated(1.0, WALL_NS), {"rated_life_used_up"}),
    "used up, with a date in the past": (_rated(1.2, -DAY), {"rated_life_used_up"}),
    "no longer spins down": (_idle(3 * HOUR, True), {"timer_not_holding"}),
    "idle, but not for long enough": (_idle(HOUR, True), set()),
    "never slept": (_idle(3 * HOUR, False), {"never_slept"}),
    "sleeps by another timer": (
        {
            "policy": replace(PLAIN.policy, declared_ns=TIMER),
            "learned": Bracket(HOUR, HOUR + MINUTE),
        },
        {"timer_differs"},
    ),
    "a probe woke it": (_woke(1), {"probes_disturb"}),
    "a probe woke it long ago": (_woke(8), set()),
    "probes restart its timer": ({"timer_restarted": True}, {"probes_restart_timer"}),
    "sleeps that do not pay": (
        {"sleeps": Sleeps(60, 60 * 20 * SECOND, DAY, 0, 0)},
        {"sleep_does_not_pay"},
    ),
    "waits that are longer": (
        {"wait_medians": WaitMedians(8.0, 12.5)},
        {"spin_up_wait_lengthening"},
    ),
    "heads that park": ({"parking": HeadParking(7 * 300, 14, 7 * DAY)}, {"parks_heads_often"}),
    "not permitted": (_failures(Reason.PERMISSION, False), {"capability_missing"}),
    "permitted again": (_failures(Reason.PERMISSION, True), set()),
    "retracts": ({"retracts": Retracts(6, 1, 7 * DAY)}, {"retracts_rising"}),
    "retracts at power cuts": ({"retracts": Retracts(9, 5, 7 * DAY)}, set()),
    "unknown for an hour": (_unknown(HOUR), {"state_unknown"}),
    "unknown for less": (_unknown(HOUR - SECOND), set()),
    "unknown, and not probed": (_unknown(DAY, probed=False), set()),
    "missed spin-ups": (_missed(HOUR), {"unobserved_cycles"}),
    "missed spin-ups a day ago": (_missed(DAY), set()),
    "missed spin-ups of a disk that is not probed": (_missed(HOUR, watch=Watch.COUNTERS), set()),
    "not sampled for five minutes": ({"unsampled_ns": 5 * MINUTE}, {"not_sampled"}),
    "not sampled for less": ({"unsampled_ns": 5 * MINUTE - 1}, set()),
    "much at once": (
        {**_over("1d", HOUR), **_night(0), **_rated(1.0, None), "timer_restarted": True},
        {"over_cycle_limit", "slept_too_little", "rated_life_used_up", "probes_restart_timer"},
    ),
}
ABSENT: Mapping[str, tuple[Mapping[str, Any], set[str]]] = {
    "gone": ({"absent_ns": GONE}, {"absent"}),
    "gone for some minutes": ({"absent_ns": 10 * MINUTE - 1}, set()),
    "gone for good": ({"absent_ns": 30 * DAY}, set()),
    "gone, and may be": (
        {"absent_ns": GONE, "policy": replace(PLAIN.policy, may_be_absent=True)},
        set(),
    ),
    "gone, after what was wrong with it": ({"absent_ns": GONE, **_night(0)}, {"absent"}),
}


def _made(changed: Mapping[str, Any]) -> Facts:
    return replace(PLAIN, sampled_ns=AT_NS, sampled_wall_ns=WALL_NS, **changed)


def _neighbour() -> DiskView:
    """A healthy disk of another wake group, in every scene."""
    facts = replace(view(1, State.STANDBY).facts, retracts=None)
    (seen,) = judge([replace(facts, policy=Policy())])
    return seen


SCENES: Mapping[str, Snapshot] = {
    **{
        name: snapshot(*judge([_made(changed)]), _neighbour())
        for name, (changed, _) in MADE_UP.items()
    },
    **{
        name: replace(snapshot(_neighbour()), absent=(missing(_made(changed)),))
        for name, (changed, _) in ABSENT.items()
    },
}
EXPECTED = {name: codes for name, (_, codes) in [*MADE_UP.items(), *ABSENT.items()]}


@pytest.fixture(scope="module")
def alerts(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Judged]:
    """What fires in each scene, by one server."""
    return fired(SCENES, tmp_path_factory.mktemp("agreement"))


def test_every_alert_fires_somewhere_and_is_silent_somewhere(alerts: dict[str, Judged]) -> None:
    """At least forty scenes; no alert about a disk is left out of them."""
    assert len(SCENES) >= 40
    assert {name for judged in alerts.values() for name, _ in judged} == set(CODES.values())
    assert alerts["nothing is wrong"] == set()


@pytest.mark.parametrize("name", SCENES)
def test_alerts_and_findings_agree(alerts: dict[str, Judged], name: str) -> None:
    """What fires, what the findings ask for, and what the scene says are the same."""
    disk = PLAIN.disk.wake_group
    assert alerts[name] == found(SCENES[name]) == {(CODES[code], disk) for code in EXPECTED[name]}


@pytest.mark.parametrize("name", SCENES)
def test_look_ends_with_1_and_names_the_disk(
    alerts: dict[str, Judged],
    name: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """In every scene in which an alert about a disk fires, and with 0 where nothing is found."""
    shown = json.loads(json.dumps(snapshot_json(SCENES[name])))
    monkeypatch.setattr(look.Source, "read", lambda self: look.Picture(shown, None, UTC))
    code = main(["look"])
    text = capsys.readouterr().out
    assert code == int(bool(alerts[name]))
    if alerts[name]:
        assert f"! {PLAIN.disk.kernel_name}: " in text
