"""An account as JSON types and back, and its move to another boot's clock.

Rules: policy and quiet hours are the owner's present wishes and are not kept; a question that was
on its way is forgotten; everything else comes back exactly. A dump of an earlier version lacks
fields, never means others by the same name.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from typing import Any, cast

from spinledger.ledger.account import Account, Base, Habit, Waking
from spinledger.model import (
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
    Worn,
)
from spinledger.ports import Fold, QuietHours

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
_HABIT = tuple(f.name for f in fields(Habit) if f.name not in _PASSING)
_HABIT_TIMES = ("sent_ns", "spinning_answer_ns", "hinted_ns", "read_ns", "cross_check_ns")
_PAIRS = ("bracket", "learned")
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
    "window_end_wall_ns",
    "io_ns",
    "sectors_ns",
    "unseen_ns",
    "gap_censored",
    "proof_ns",
    "cycle_number",
    "present",
    "absent_since_wall_ns",
    "observed_since_reading",
    "powered",
    "cross_checked_ns",
    "doubts",
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
_DISK = tuple(f.name for f in fields(Disk))
_COUNTED = tuple(f.name for f in fields(Counted))
_WORN = tuple(f.name for f in fields(Worn))

Dump = dict[str, Any]


def dump(account: Account) -> Dump:
    """The account as JSON types."""
    habit = account.habit
    return {
        "disk": dump_disk(account.disk),
        "state": account.state.value,
        "why": account.why and account.why.value,
        "condition": account.condition and account.condition.value,
        "evidence": account.evidence.value,
        "counted": _record(account.counted, _COUNTED),
        "waking": _dump_waking(account.waking),
        "base": dump_base(account.base),
        "reading": _record(account.reading, _WORN),
        **{name: getattr(account, name) for name in _PLAIN},
        "habit": {name: getattr(habit, name) for name in _HABIT},
        "folds": {fold.name: fold.dump() for fold in account.folds},
    }


def load(
    dumped: Mapping[str, Any],
    policy: Policy,
    folds: Sequence[Fold],
    calendar: QuietHours | None = None,
) -> Account:
    """The account of a dump; a fold the dump does not know starts afresh."""
    account = Account(
        disk=load_disk(dumped["disk"]),
        policy=policy,
        at_ns=dumped["at_ns"],
        opened_ns=dumped["opened_ns"],
        wall_offset_ns=dumped["wall_offset_ns"],
        state=State(dumped["state"]),
        why=Reason(dumped["why"]) if dumped["why"] else None,
        condition=Condition(dumped["condition"]) if dumped["condition"] else None,
        evidence=Evidence(dumped["evidence"]),
        folds=tuple(folds),
        calendar=calendar,
    )
    for name in _PLAIN:
        if name in dumped:
            setattr(account, name, dumped[name])
    account.counted = _load_counted(dumped["counted"])
    account.waking = _load_waking(dumped.get("waking"))
    reading = dumped.get("reading")
    if reading:
        account.reading = Worn(**{name: reading[name] for name in _WORN if name in reading})
    account.base = load_base(dumped.get("base"))
    for name in _HABIT:
        if name in dumped["habit"]:
            value = dumped["habit"][name]
            setattr(account.habit, name, tuple(value) if name in _PAIRS and value else value)
    for fold in folds:
        if fold.name in dumped["folds"]:
            fold.load(dumped["folds"][fold.name])
    return account


def rebase(account: Account, offset_ns: int) -> None:
    """Move all times to another boot's clock: new time = old time + offset."""
    for name in _TIMES:
        value = getattr(account, name)
        if value is not None:
            setattr(account, name, value + offset_ns)
    if account.waking is not None:
        account.waking.at_ns += offset_ns
    if account.reading is not None:
        account.reading = replace(account.reading, at_ns=account.reading.at_ns + offset_ns)
    habit = account.habit
    for name in _HABIT_TIMES:
        value = getattr(habit, name)
        if value is not None:
            setattr(habit, name, value + offset_ns)
    if account.boundary_ns is not None:
        account.boundary_ns += offset_ns
    account.wall_offset_ns -= offset_ns
    for fold in account.folds:
        fold.rebase(offset_ns)


def dump_base(base: Base | None) -> Dump | None:
    """Totals as lists of labels and value."""
    if base is None:
        return None
    return {
        "samples": {
            key: [[list(labels), value] for labels, value in own.items()]
            for key, own in base.samples.items()
        },
        "histograms": {
            key: [list(one.bounds), list(one.counts), one.count, one.sum]
            for key, one in base.histograms.items()
        },
    }


def load_base(dumped: Mapping[str, Any] | None) -> Base | None:
    """The totals of a dump."""
    if dumped is None:
        return None
    return Base(
        {
            key: {tuple(labels): value for labels, value in own}
            for key, own in dumped["samples"].items()
        },
        {
            key: Histogram(tuple(bounds), tuple(counts), count, total)
            for key, (bounds, counts, count, total) in dumped["histograms"].items()
        },
    )


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
    before = _record(waking.before, _COUNTED)
    return {"cycle": waking.cycle, "at_ns": waking.at_ns, "before": before, "queued": waking.queued}


def _load_waking(dumped: Mapping[str, Any] | None) -> Waking | None:
    if dumped is None:
        return None
    return Waking(
        dumped["cycle"], dumped["at_ns"], _load_counted(dumped["before"]), dumped["queued"]
    )


def _load_counted(dumped: Mapping[str, Any] | None) -> Counted | None:
    if dumped is None:
        return None
    given = {name: dumped[name] for name in _COUNTED if name in dumped}
    given["runtime_status"] = RuntimeStatus(given["runtime_status"])
    return Counted(**given)
