"""An account as JSON types and back, and its move to another boot's clock.

Rules: a command that was on its way is forgotten; everything else comes back exactly. The policy
that was in force is part of the account, so that what was recorded under it stays as it was when
another policy comes into force (`recording.adopt`). A dump of an earlier version lacks fields,
never means others by the same name.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from datetime import date
from functools import lru_cache
from typing import Any, cast

from spinledger.facts import Totals, Tried
from spinledger.ledger.account import Account, Probing, Waking
from spinledger.model import (
    Cadence,
    Command,
    Condition,
    Counted,
    Disk,
    Evidence,
    Histogram,
    Policy,
    Reason,
    RuntimeStatus,
    State,
    Watch,
    Watts,
    Woken,
    Worn,
)
from spinledger.schedule import Schedule, Window

_PASSING = frozenset(
    {
        "pending",
        "mute",
        "hint",
        "own",
        "answered_own",
        "suspect",
        "to_read",
        "records",
        "cross_checking",
        "cross_check_over",
        "last_records",
    }
)
_HABIT = tuple(f.name for f in fields(Probing) if f.name not in _PASSING)
_HABIT_TIMES = (
    "sent_ns",
    "spinning_answer_ns",
    "hinted_ns",
    "delayed_ns",
    "read_ns",
    "cross_check_ns",
)
_PAIRS = ("bracket", "learned", "unprobed")
_PLAIN = (
    "at_ns",
    "opened_ns",
    "wall_offset_ns",
    "since_ns",
    "since_wall_ns",
    "since_seen",
    "span_began_ns",
    "span_began_wall_ns",
    "span_active_ns",
    "stretch_began_ns",
    "stretch_read",
    "stretch_written",
    "stretch_light_ns",
    "suspended_ns",
    "quiet",
    "io_ns",
    "sectors_ns",
    "unseen_ns",
    "gap_censored",
    "proof_ns",
    "cycle_number",
    "present",
    "absent_since_wall_ns",
    "found",
    "observed_since_reading",
    "powered",
    "cross_checked_ns",
    "doubts",
    "packed",
    "doubtful",
    "clock",
    "shifts",
    "waiting",
    "events_lost",
)
_TIMES = (
    "at_ns",
    "opened_ns",
    "since_ns",
    "span_began_ns",
    "stretch_began_ns",
    "io_ns",
    "sectors_ns",
    "unseen_ns",
    "proof_ns",
    "cross_checked_ns",
)
_POLICY = tuple(f.name for f in fields(Policy) if f.name not in ("cadence", "watts", "schedule"))
_TOTALS = tuple(f.name for f in fields(Totals))
_DISK = tuple(f.name for f in fields(Disk))
_COUNTED = tuple(f.name for f in fields(Counted))
_WOKEN = tuple(f.name for f in fields(Woken))
_WAKING = tuple(f.name for f in fields(Waking) if f.name not in ("before", "woken"))
_WORN = tuple(f.name for f in fields(Worn))

Dump = dict[str, Any]


def dump(account: Account) -> Dump:
    """The account as JSON types."""
    probing = account.probing
    return {
        "disk": dump_disk(account.disk),
        "policy": _dump_policy(account.policy),
        "state": account.state.value,
        "why": account.why and account.why.value,
        "condition": account.condition and account.condition.value,
        "evidence": account.evidence.value,
        "counted": _record(account.counted, _COUNTED),
        "waking": _dump_waking(account.waking),
        "base": account.base and dump_totals(account.base),
        "reading": _record(account.reading, _WORN),
        **{name: getattr(account, name) for name in _PLAIN},
        "probing": {name: getattr(probing, name) for name in _HABIT},
        "folds": account.folds.dump(),
    }


def load(dumped: Mapping[str, Any]) -> Account:
    """The account of a dump, under the policy that it was kept under, without quiet hours."""
    account = Account(
        disk=load_disk(dumped["disk"]),
        policy=_load_policy(dumped["policy"]),
        at_ns=dumped["at_ns"],
        opened_ns=dumped["opened_ns"],
        wall_offset_ns=dumped["wall_offset_ns"],
        state=State(dumped["state"]),
        why=Reason(dumped["why"]) if dumped["why"] else None,
        condition=Condition(dumped["condition"]) if dumped["condition"] else None,
        evidence=Evidence(dumped["evidence"]),
    )
    for name in _PLAIN:
        if name in dumped:
            setattr(account, name, dumped[name])
    account.counted = _load_counted(dumped["counted"])
    account.waking = _load_waking(dumped.get("waking"))
    reading = dumped.get("reading")
    if reading:
        account.reading = Worn(**{name: reading[name] for name in _WORN if name in reading})
    base = dumped.get("base")
    account.base = load_totals(base) if base else None
    for name in _HABIT:
        if name in dumped["probing"]:
            value = dumped["probing"][name]
            setattr(account.probing, name, tuple(value) if name in _PAIRS and value else value)
    account.folds.load(dumped["folds"])
    return account


def rebase(account: Account, offset_ns: int) -> None:
    """Move all times to another boot's clock: new time = old time + offset."""
    for name in _TIMES:
        value = getattr(account, name)
        if value is not None:
            setattr(account, name, value + offset_ns)
    if account.waking is not None:
        account.waking.at_ns += offset_ns
        account.waking.slept_ns += offset_ns
    if account.reading is not None:
        account.reading = replace(account.reading, at_ns=account.reading.at_ns + offset_ns)
    probing = account.probing
    for name in _HABIT_TIMES:
        value = getattr(probing, name)
        if value is not None:
            setattr(probing, name, value + offset_ns)
    if account.boundary_ns is not None:
        account.boundary_ns += offset_ns
    account.wall_offset_ns -= offset_ns
    account.folds.rebase(offset_ns)


def dump_totals(totals: Totals) -> Dump:
    """Lifetime totals as JSON types: a mapping as pairs of key and value."""
    return {name: _flat(getattr(totals, name)) for name in _TOTALS}


def load_totals(dumped: Mapping[str, Any]) -> Totals:
    """The totals of a dump."""
    given = {"actors": (), "events_lost": 0, **dumped}  # an earlier version kept neither
    given = {name: given[name] for name in _TOTALS}
    for name in ("state_ns", "quiet_ns"):
        given[name] = {State(key): value for key, value in given[name]}
    given["transitions"] = {(State(a), State(b)): count for (a, b), count in given["transitions"]}
    given["failures"] = {Reason(key): count for key, count in given["failures"]}
    given["whatif"] = {timer: Tried(*tried) for timer, tried in given["whatif"]}
    for name in ("causes", "actors", "energy_j", "commands", "disturbances", "rejected"):
        given[name] = dict(given[name])
    for name in ("gaps", "waits", "answers"):
        bounds, counts, count, total = given[name]
        given[name] = Histogram(tuple(bounds), tuple(counts), count, total)
    return Totals(**given)


def _flat(value: Any) -> Any:
    if isinstance(value, Mapping):
        return [[key, own] for key, own in value.items()]
    if isinstance(value, Histogram):
        return [value.bounds, value.counts, value.count, value.sum]
    return value


@lru_cache(maxsize=64)
def _dump_policy(policy: Policy) -> str:
    """As JSON text, made once a policy: an account is dumped far more often."""
    schedule = policy.schedule
    given = {
        **{name: getattr(policy, name) for name in _POLICY},
        "cadence": [getattr(policy.cadence, name) for name in Cadence.__slots__],
        "watts": [getattr(policy.watts, name) for name in Watts.__slots__],
        "schedule": schedule
        and {
            "name": schedule.name,
            "zone": schedule.zone,
            "windows": [[getattr(w, name) for name in Window.__slots__] for w in schedule.windows],
            "except_dates": sorted(day.isoformat() for day in schedule.except_dates),
        },
    }
    return json.dumps(given)


@lru_cache(maxsize=64)
def _load_policy(text: str) -> Policy:
    given = json.loads(text)
    schedule = given.pop("schedule")
    if schedule is not None:
        schedule = Schedule(
            schedule["name"],
            schedule["zone"],
            tuple(Window(*window) for window in schedule["windows"]),
            frozenset(date.fromisoformat(day) for day in schedule["except_dates"]),
        )
    given["watch"] = Watch(given["watch"])
    given["cadence"] = Cadence(*given["cadence"])
    given["watts"] = Watts(*given["watts"])
    given["candidates_ns"] = tuple(given["candidates_ns"])
    return Policy(**given, schedule=schedule)


def dump_disk(disk: Disk) -> Dump:
    """A disk as JSON types."""
    return cast(Dump, _record(disk, _DISK))


def load_disk(dumped: Mapping[str, Any]) -> Disk:
    """The disk of a dump."""
    given = {name: dumped[name] for name in _DISK if name in dumped}
    given["nodes"] = tuple(given["nodes"])
    given["aliases"] = tuple(given.get("aliases", ()))
    method = given.get("probe_method")
    given["probe_method"] = Command(method) if method else None
    return Disk(**given)


def _record(thing: object, names: Sequence[str]) -> Dump | None:
    return None if thing is None else {name: getattr(thing, name) for name in names}


def _dump_waking(waking: Waking | None) -> Dump | None:
    if waking is None:
        return None
    return {
        **{name: getattr(waking, name) for name in _WAKING},
        "before": _record(waking.before, _COUNTED),
        "woken": _record(waking.woken, _WOKEN),
    }


def _load_waking(dumped: Mapping[str, Any] | None) -> Waking | None:
    if dumped is None:
        return None
    given = {name: dumped[name] for name in _WAKING if name in dumped}
    if given.get("counted") is not None:
        given["counted"] = tuple(given["counted"])
    woken = dumped.get("woken")
    return Waking(
        **given,
        before=_load_counted(dumped["before"]),
        woken=None if woken is None else Woken(**woken),
    )


def _load_counted(dumped: Mapping[str, Any] | None) -> Counted | None:
    if dumped is None:
        return None
    given = {name: dumped[name] for name in _COUNTED if name in dumped}
    given["runtime_status"] = RuntimeStatus(given["runtime_status"])
    return Counted(**given)
