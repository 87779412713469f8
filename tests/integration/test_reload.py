"""A reload gives what a restart with the new file on the same ledger gives, key by key.

The rule is the project's own (README, "Configuration"); the reference is the restart itself.
"""

from __future__ import annotations

import copy
import json
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from spinledger.config.current import CurrentConfig
from spinledger.config.load import load, parse
from spinledger.config.schema import LEAVES
from spinledger.findings.judge import judge
from spinledger.ledger import dumps, recording
from spinledger.ledger.account import Account
from spinledger.ledger.summary import summary
from spinledger.loop import Loop, Ports
from spinledger.loop.keeping import Keeping
from spinledger.loop.settings import settings
from spinledger.metrics.collector import render_text
from spinledger.model import HOUR, SECOND, Gone, State, Tick
from spinledger.sim.clocks import SteppedClock
from spinledger.sim.rehearse import PromptStore
from spinledger.sim.shelf import EPOCH_WALL_NS, SimulatedShelf
from tests.fakes.snapshots import snapshot
from tests.fakes.watching import Kept

START_WALL_NS = 1_772_391_600 * SECOND  # 2026-03-01 19:00 UTC: quiet hours begin two hours later
PROCESS = ("spinledger_config_", "spinledger_ledger_", "spinledger_clock_")
"""Series about the process and its file."""

BEFORE = """
sample: {fast: 5s, slow: 60s, asleep: 10m}
wear: {every: 30m}
ledger: {keep_spans: 400d}
schedules:
  nights: {zone: Europe/Prague, windows: ["daily 22:00-06:00"]}
what_if: {timers: [5m, 10m, 20m], spinup: 10s, waits_per_day: 5}
limits:
  {probe_disturbances: 3, rated_life_horizon: 3y, quiet_asleep_min: 0.5, actors: 8, absent_for: 30d}
disks:
  - match: {all: true}
    budget_per_day: 24
    rated: {load: 600000, start_stop: 50000}
    declared_timer: 20m
    watts: {idle: 5.3, standby: 0.7, active: 7.5}
    spinup_joules: 120
    quiet: nights
    watch: full
"""

EVERYTHING = """
sample: {fast: 10s, slow: 2m, asleep: 20m}
wear: {every: 10m}
ledger: {keep_spans: 100d}
schedules:
  nights: {zone: Europe/Lisbon, windows: ["daily 23:00-02:00"], except: ["2026-03-03"]}
what_if: {timers: [10m, 20m, 1h], spinup: 0, waits_per_day: 1}
limits: {probe_disturbances: 1, rated_life_horizon: 5y, quiet_asleep_min: 0.8, actors: 2}
disks:
  - match: {all: true}
    budget_per_day: 2
    rated: {load: 300000}
    declared_timer: {code: 0xF1}
    watts: {idle: 4, standby: 1, active: 6}
    spinup_joules: 500
    quiet: nights
"""


class Run:
    """The simulated shelf, watched on a ledger, with a configuration file."""

    def __init__(self, folder: Path, text: str) -> None:
        self.file, self.ledger = folder / "config.yml", folder / "ledger.db"
        self.file.write_text(text, encoding="utf-8")
        began = START_WALL_NS - EPOCH_WALL_NS
        self.shelf = SimulatedShelf(1, began, START_WALL_NS, 4)
        self.clock = SteppedClock(began, START_WALL_NS, "boot")
        self.kept = Kept()
        self.began = began

    def watch(self, until_h: float, reload_to: str = "") -> Loop:
        """From now until so many hours after the beginning; with a reload at the end."""
        current = CurrentConfig(self.file, load(self.file), 0.0)
        ports = Ports(
            self.clock,
            self.shelf.discoverer,
            self.shelf.counters,
            self.shelf.prober,
            [self.kept],
        )
        store = PromptStore(self.ledger, boot_id="boot", live=None, simulated=True)
        keeping = Keeping(store, store.restore(), HOUR, at_turns=False, live=False)
        loop = Loop(ports, settings(current), keeping)
        loop.run(self.began + round(until_h * HOUR))
        if reload_to:
            self.file.write_text(reload_to, encoding="utf-8")
            loop.reload()
            loop.end()
        store.close()
        return loop

    def series(self) -> dict[str, float]:
        """Every series but those about the process, as the newest snapshot gives them."""
        text = render_text(self.kept.snapshots[-1], lambda: 0).decode()
        return {
            f"{sample.name}{json.dumps(sample.labels, sort_keys=True)}": sample.value
            for family in text_string_to_metric_families(text)
            for sample in family.samples
            if not sample.name.startswith(PROCESS)
        }


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Run, Run]:
    """Everything is changed after five hours: by a reload and a restart, and by a restart alone."""
    reloaded = Run(tmp_path_factory.mktemp("reloaded"), BEFORE)
    reloaded.watch(5, EVERYTHING)
    restarted = Run(tmp_path_factory.mktemp("restarted"), BEFORE)
    restarted.watch(5)
    restarted.file.write_text(EVERYTHING, encoding="utf-8")
    for run in (reloaded, restarted):
        run.watch(9)
    return reloaded, restarted


def test_a_reload_and_a_restart_end_in_the_same_series(both: tuple[Run, Run]) -> None:
    """Every key is changed at once; four hours later no series differs."""
    reloaded, restarted = (run.series() for run in both)
    differ = {
        name: (reloaded.get(name), restarted.get(name))
        for name in reloaded.keys() | restarted.keys()
        if reloaded.get(name) != restarted.get(name)
    }
    assert differ == {}
    assert len(reloaded) > 400


def test_a_reload_holds_at_once_and_as_a_whole(tmp_path: Path) -> None:
    """The snapshot that a reload publishes has the new limits, ratings and timers, none of the old.

    Limits: design of the budget's windows (tests/unit/wear/test_budget.py); 13 is that of a day at
    two spin-ups a day.
    """
    run = Run(tmp_path, BEFORE)
    loop = run.watch(0.2)
    run.file.write_text(EVERYTHING, encoding="utf-8")
    loop.reload()
    for view in run.kept.snapshots[-1].disks:
        assert view.facts.windows["1d"].limit == 13
        assert view.facts.rated["load"].cycles == 300_000
        assert [timer // SECOND for timer in view.facts.totals.whatif] == [600, 1200, 3600]
        assert view.policy.declared_ns == 1800 * SECOND


def test_what_holds_of_absent_disks_and_a_sleeping_host_is_reloaded(tmp_path: Path) -> None:
    """An absent disk is a finding until the file says that it may be absent, or for how long; that
    a host may be suspended is exported at once."""
    run = Run(tmp_path, BEFORE)
    loop = run.watch(0.2)
    gone = next(iter(loop.accounts.values()))
    loop.record_gone(Gone(gone.disk.identity, run.clock.now()))
    run.clock.wait(run.clock.now() + HOUR // 2, [])
    for text, found in (
        (BEFORE, ["absent"]),
        (BEFORE + "    may_be_absent: true\n", []),
        (BEFORE.replace("absent_for: 30d", "absent_for: 20m"), []),
        (BEFORE + "may_be_suspended: true\n", ["absent"]),
    ):
        run.file.write_text(text, encoding="utf-8")
        assert loop.settings.reload()
        policy = loop.settings.policy(gone.disk)
        recording.adopt(gone, policy, loop.settings.calendar(policy))
        loop.publishing.changed.add(gone.disk.identity)
        loop.publish(run.clock.now(), force=True)
        newest = run.kept.snapshots[-1]
        (view,) = newest.absent
        assert [one.code for one in view.findings] == found
        assert newest.exporter.may_be_suspended is ("may_be_suspended" in text)


# Key by key, on one account


@dataclass(frozen=True)
class Change:
    """One key: its text before and after, and whether the disk's series show it within hours."""

    before: str
    after: str
    shows: bool = True


CHANGES: Mapping[str, Change] = {
    "sample.fast": Change("fast: 5s", "fast: 20s", shows=False),
    "sample.slow": Change("slow: 60s", "slow: 5m", shows=False),
    "sample.asleep": Change("asleep: 10m", "asleep: 30m", shows=False),
    "wear.every": Change("every: 30m", "every: 0", shows=False),
    "schedules.*.zone": Change("zone: Europe/Prague", "zone: Asia/Tokyo"),
    "schedules.*.windows": Change('"daily 22:00-06:00"', '"daily 23:30-02:00"'),
    "schedules.*.except": Change(
        '"daily 22:00-06:00"]', '"daily 22:00-06:00"], except: ["2026-03-01"]'
    ),
    "what_if.timers": Change("[5m, 10m, 20m]", "[5m, 1h]"),
    "what_if.spinup": Change("spinup: 10s", "spinup: 10m"),
    "what_if.waits_per_day": Change("waits_per_day: 5", "waits_per_day: 500", shows=False),
    "limits.actors": Change("actors: 8", "actors: 2", shows=False),
    "limits.probe_disturbances": Change("probe_disturbances: 3", "probe_disturbances: 1"),
    "limits.rated_life_horizon": Change("rated_life_horizon: 3y", "rated_life_horizon: 9y"),
    "limits.quiet_asleep_min": Change("quiet_asleep_min: 0.5", "quiet_asleep_min: 0.9"),
    "limits.absent_for": Change("absent_for: 30d", "absent_for: 1h", shows=False),
    "disks.#.may_be_absent": Change("    watch: full", "    may_be_absent: true", shows=False),
    "disks.#.budget_per_day": Change("budget_per_day: 24", "budget_per_day: 2"),
    "disks.#.rated.load": Change("load: 600000", "load: 300000"),
    "disks.#.rated.start_stop": Change("start_stop: 50000", "start_stop: 10000"),
    "disks.#.declared_timer": Change("declared_timer: 20m", "declared_timer: 1h"),
    "disks.#.declared_timer.code": Change("declared_timer: 20m", "declared_timer: {code: 0xF2}"),
    "disks.#.watts.idle": Change("idle: 5.3", "idle: 9"),
    "disks.#.watts.standby": Change("standby: 0.7", "standby: 2"),
    "disks.#.watts.active": Change("active: 7.5", "active: 12"),
    "disks.#.spinup_joules": Change("spinup_joules: 120", "spinup_joules: 900"),
    "disks.#.quiet": Change("    quiet: nights", "    quiet: none"),
    "disks.#.watch": Change("watch: full", "watch: counters"),
    "disks.#.match.all": Change("{all: true}", "{model: none}"),
    "disks.#.match.model": Change("{all: true}", '{model: "*x*"}'),
    "disks.#.match.identity": Change("{all: true}", "{identity: wwn-0x5}"),
    "disks.#.match.by_id": Change("{all: true}", "{by_id: wwn-0x5}"),
}
ELSEWHERE = {
    "listen": "needs a restart; tests/unit/config/test_current.py",
    "ledger.path": "needs a restart; tests/unit/config/test_current.py",
    "may_be_suspended": "a metric of the exporter; below",
    "ledger.keep_spans": "the ledger file's own; tests/integration/store",
    "web.tls_and_users": "who may read; tests/unit/web/test_access.py",
    "web.host_names": "who may read; tests/unit/web/test_access.py",
    "wear.cross_check": "starts a program; tests/integration/test_cross_check_wired.py",
    "tariff.currency": "pages alone; tests/unit/web",
    "tariff.per_kwh": "pages alone; tests/unit/web",
    "disks.#.also_known_as": "the account's name; below",
}


def test_every_key_of_the_schema_is_here() -> None:
    """No key of the configuration is left out; those of `defaults` are made of the same rows."""
    keys = {".".join(path) for path in LEAVES if path[0] != "defaults"}
    assert keys == set(CHANGES) | set(ELSEWHERE)


@pytest.fixture(scope="module")
def used(tmp_path_factory: pytest.TempPathFactory) -> Account:
    """The account of a sleeping disk with a night behind it, and one disturbance by a probe."""
    run = Run(tmp_path_factory.mktemp("used"), BEFORE)
    loop = run.watch(12)
    asleep = [one for one in loop.accounts.values() if one.state is State.STANDBY]
    account = max(asleep, key=lambda one: one.cycle_number)
    account.probing.disturbed = {"woke": 1}
    account.probing.wakes = account.probing.near = 2
    account.probing.disturbed_wall_ns = account.at_ns + account.wall_offset_ns
    return account


def adopted(account: Account, text: str) -> Account:
    """The account with the policy of a file in force."""
    current = CurrentConfig(None, parse(text, "config.yml", "UTC"), time.time())
    policy = current.policy(account.disk)
    recording.adopt(account, policy, current.quiet_hours(policy))
    return account


def kept_and_loaded(account: Account) -> Account:
    """What the ledger gives back, with its quiet hours and recent cycles."""
    again = dumps.load(json.loads(json.dumps(dumps.dump(account))))
    again.folds.recent_cycles.load(account.folds.recent_cycles.dump())
    return again


def series_of(account: Account) -> dict[str, float]:
    """Every series of one disk."""
    text = render_text(snapshot(*judge([summary(account)])), lambda: 0).decode()
    return {
        f"{sample.name}{json.dumps(sample.labels, sort_keys=True)}": sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
        if "disk" in sample.labels
    }


def use(account: Account) -> Account:
    """An hour of rest, some reads, and two more hours."""
    start, seen = account.at_ns, account.counted
    assert seen is not None
    for minute in range(1, 180):
        read = seen.sectors_read + (8 if 60 <= minute < 63 else 0)
        at_ns = start + minute * 60 * SECOND
        tick = Tick(at_ns, at_ns + account.wall_offset_ns, "boot", 0)
        recording.record_tick(account, tick)
        seen = replace(seen, at_ns=at_ns, sectors_read=read, in_flight=0)
        recording.record_counted(account, seen)
    return account


@pytest.mark.parametrize("key", CHANGES)
def test_a_reload_is_a_restart(used: Account, key: str) -> None:
    """With one key changed, the account that goes on and the one that was loaded again agree."""
    change = CHANGES[key]
    assert change.before in BEFORE
    text = BEFORE.replace(change.before, change.after)
    unchanged = adopted(copy.deepcopy(used), BEFORE)
    reloaded = adopted(copy.deepcopy(used), text)
    restarted = adopted(kept_and_loaded(used), text)
    assert series_of(reloaded) == series_of(restarted)
    for account in (unchanged, reloaded, restarted):
        use(account)
    after = series_of(reloaded)
    assert after == series_of(restarted)
    assert not change.shows or after != series_of(unchanged)


def test_changed_quiet_hours_leave_the_past_as_it_was(used: Account) -> None:
    """Time recorded inside quiet hours stays there when the window is moved, and no counter falls.

    Asleep since 21:30, quiet 22-06, at 03:00 changed to 23-02: the quiet standby seconds stay.
    """
    before = summary(adopted(copy.deepcopy(used), BEFORE)).totals
    text = BEFORE.replace("22:00-06:00", "23:00-02:00")
    after = summary(adopted(copy.deepcopy(used), text)).totals
    assert after.quiet_ns == before.quiet_ns
    assert sum(before.quiet_ns.values()) > 5 * HOUR


def test_a_wall_clock_that_jumps_leaves_the_past_as_it_was(used: Account) -> None:
    """Time recorded before the clock was set is not moved into or out of quiet hours."""
    account = adopted(copy.deepcopy(used), BEFORE)
    before = summary(account).totals.quiet_ns
    at_ns = account.at_ns
    jumped = Tick(at_ns, at_ns + account.wall_offset_ns + 12 * HOUR, "boot", 0)
    recording.record_tick(account, jumped)
    assert summary(account).totals.quiet_ns == before


def test_a_rating_that_is_gone_takes_its_dates_with_it(used: Account) -> None:
    """Without the rating there is no share and no date, at once."""
    account = adopted(copy.deepcopy(used), BEFORE)
    assert "load" in summary(account).rated
    text = BEFORE.replace("rated: {load: 600000, start_stop: 50000}", "watch: full", 1)
    text = text.replace("    watch: full\n", "", 1)
    assert summary(adopted(account, text)).rated == {}


def test_entries_that_match_no_disk_are_said_once_and_counted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Not the entry of a disk that is off, nor `all`; a reload counts anew, and says it no more."""
    run = Run(tmp_path, BEFORE)
    off = next(iter(run.watch(0.1).accounts))
    text = (
        "disks:\n"
        "  - match: {identity: wwn-0x5000c500deadbeef}\n"
        f"  - match: {{identity: {off}}}\n"
        "    watch: off\n"
        "  - match: {all: true}\n"
    )
    run.file.write_text(text, encoding="utf-8")
    loop = run.watch(0.2)
    loop.reload()
    snapshot = run.kept.snapshots[-1]
    assert snapshot.exporter.unmatched_entries == 1
    assert snapshot.exporter.watched == 3
    rendered = render_text(snapshot, lambda: 0).decode()
    assert "\nspinledger_config_unmatched_entries 1.0\n" in rendered
    line = f"{run.file}:2: this entry of disks matches no disk: identity: wwn-0x5000c500deadbeef"
    assert capsys.readouterr().err.count(line) == 1
    run.file.write_text(text.replace("wwn-0x5000c500deadbeef", "sim-other"), encoding="utf-8")
    loop.reload()
    assert f"{run.file}:2: this entry of disks" in capsys.readouterr().err
    run.file.write_text(BEFORE, encoding="utf-8")
    loop.reload()
    assert run.kept.snapshots[-1].exporter.unmatched_entries == 0


def test_a_reload_takes_an_account_over_to_the_present_identity(tmp_path: Path) -> None:
    """The disk is shown by the new name, with the record that it has; so it is after a restart."""
    present = "sim-renamed"
    run = Run(tmp_path, BEFORE)
    loop = run.watch(0.2)
    old, account = next(iter(loop.accounts.items()))
    entry = f"  - match: {{identity: {present}}}\n    also_known_as: [{old}]\n"
    run.file.write_text(BEFORE.replace("disks:\n", f"disks:\n{entry}"), encoding="utf-8")
    loop.reload()
    assert loop.accounts[present] is account
    for _ in range(2):
        snapshot = run.kept.snapshots[-1]
        assert {view.disk.identity for view in snapshot.disks} == set(loop.accounts)
        assert present in loop.accounts
        assert old not in loop.accounts
        assert snapshot.exporter.unmatched_entries == 0
        loop = run.watch(0.3)


def test_an_earlier_identity_goes_on_under_the_present_one(tmp_path: Path) -> None:
    """With `also_known_as` the account of the old identity is the present disk's, both ways."""
    from spinledger.loop.keeping import identified

    run = Run(tmp_path, BEFORE)
    loop = run.watch(0.2)
    old = next(iter(loop.accounts))
    names = {old: "wwn-0x5000c500a1b2c3d4"}
    moved = identified(loop.accounts, lambda name: names.get(name, name))
    assert old not in moved
    account = moved["wwn-0x5000c500a1b2c3d4"]
    assert account.disk == replace(account.disk, identity="wwn-0x5000c500a1b2c3d4")
