"""The settings as the rest of the program sees them, and the policy of one disk.

Rules of this room: frozen; already checked; the first rule that matches a disk holds, `defaults`
fills in key by key, then the schema's own defaults. A disk on USB is watched by counters alone
unless the file says otherwise in its rule or in `defaults`, since a bridge may answer a probe in
the drive's place.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from spinledger.config.schema import PER_DISK
from spinledger.config.values import NONE, duration_text
from spinledger.config.windows import window_text
from spinledger.model import SECOND, Cadence, Disk, Policy, Watch, Watts
from spinledger.schedule import Schedule

PerDisk = Mapping[str, Any]
"""What a file says of disks: values by the paths of schema.PER_DISK; only what it says."""

_BUILT_IN: PerDisk = {row.path: row.initial for row in PER_DISK}


@dataclass(frozen=True, slots=True)
class Tariff:
    """The price of energy."""

    currency: str
    per_kwh: float


@dataclass(frozen=True, slots=True)
class WhatIf:
    """What is assumed of timers that are calculated."""

    timers_ns: tuple[int, ...]  # ascending, at most six
    spinup_ns: int
    waits_per_day: float


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds for alert rules and for the exporter."""

    actors: int
    probe_disturbances: int
    rated_life_horizon_ns: int
    quiet_asleep_min: float  # 0 to 1
    absent_for_ns: int


@dataclass(frozen=True, slots=True)
class Rule:
    """One entry of `disks`. `by` is identity, by_id, model or all."""

    by: str
    pattern: str  # "" for all
    also_known_as: tuple[str, ...]
    settings: PerDisk
    line: int

    def fits(self, disk: Disk, identity: str) -> bool:
        """True for a disk of this rule; `identity` is the disk's after `also_known_as`."""
        if self.by == "identity":
            return self.pattern == identity
        if self.by == "by_id":
            return self.pattern in (disk.identity, identity, *disk.aliases)
        return self.by == "all" or fnmatchcase(disk.model, self.pattern)

    @property
    def match(self) -> str:
        """What it matches, as the file writes it: `identity: wwn-0x5000c500a1b2c3d4`."""
        pattern = f'"{self.pattern}"' if self.by == "model" else self.pattern or "true"
        return f"{self.by}: {pattern}"


@dataclass(frozen=True, slots=True)
class Config:
    """A whole configuration."""

    source: str  # the file's name, or "" for the built-in defaults
    listen: tuple[str, int]  # host, port; port 0: any free one
    tls_and_users: Path | None
    host_names: frozenset[str]  # lower case
    cadence: Cadence
    wear_every_ns: int  # 0: never
    cross_check: Path | None  # smartctl; None: not used
    ledger_path: Path
    keep_spans_ns: int
    schedules: Mapping[str, Schedule]
    tariff: Tariff | None
    what_if: WhatIf
    limits: Limits
    may_be_suspended: bool  # this host sleeps at times
    rules: tuple[Rule, ...]
    defaults: PerDisk
    identity_aliases: Mapping[str, str]  # earlier identity -> present identity

    def identity_of(self, name: str) -> str:
        """The present identity of a disk that `also_known_as` gives under this one, else itself."""
        return self.identity_aliases.get(name, name)

    def rule_for(self, disk: Disk) -> Rule | None:
        """The first rule that matches the disk."""
        identity = self.identity_of(disk.identity)
        return next((rule for rule in self.rules if rule.fits(disk, identity)), None)

    def unmatched(self, disks: Iterable[Disk]) -> tuple[Rule, ...]:
        """The rules that match none of these disks; not `match: {all: true}`, which names none."""
        named = [(disk, self.identity_of(disk.identity)) for disk in disks]
        return tuple(
            rule
            for rule in self.rules
            if rule.by != "all" and not any(rule.fits(*one) for one in named)
        )

    def policy_for(self, disk: Disk) -> Policy:
        """The policy of this disk."""
        rule = self.rule_for(disk)
        written = {**self.defaults, **(rule.settings if rule else {})}
        found = {**_BUILT_IN, **written}
        usual = Watch.COUNTERS if disk.transport == "usb" else Watch.FULL
        return Policy(
            watch=Watch(found["watch"]) if found["watch"] else usual,
            cadence=self.cadence,
            budget_per_day=found["budget_per_day"],
            budget_source="configured" if "budget_per_day" in written else "default",
            declared_ns=found["declared_timer"],
            rated_load=found["rated.load"],
            rated_start_stop=found["rated.start_stop"],
            watts=Watts(
                idle=found["watts.idle"],
                standby=found["watts.standby"],
                active=found["watts.active"],
                source="configured"
                if any(key.startswith("watts.") for key in written)
                else "default",
            ),
            spinup_j=found["spinup_joules"],
            quiet=None if found["quiet"] == NONE else found["quiet"],
            candidates_ns=self.what_if.timers_ns,
            whatif_spinup_ns=self.what_if.spinup_ns,
            waits_per_day=self.what_if.waits_per_day,
            disturbance_limit=self.limits.probe_disturbances,
            horizon_s=self.limits.rated_life_horizon_ns / SECOND,
            quiet_asleep_min=self.limits.quiet_asleep_min,
            may_be_absent=(
                disk.transport == "usb"
                if found["may_be_absent"] is None
                else found["may_be_absent"]
            ),
            absent_for_ns=self.limits.absent_for_ns,
            actor_limit=self.limits.actors,
        )

    def summary(self) -> Mapping[str, Any]:
        """The settings as JSON types, with the keys and the notation of the file."""
        host, port = self.listen
        limits = self.limits
        return {
            "source": self.source or "built-in defaults",
            "listen": f"[{host}]:{port}" if ":" in host else f"{host}:{port}",
            "web": {
                "tls_and_users": str(self.tls_and_users) if self.tls_and_users else None,
                "host_names": sorted(self.host_names),
            },
            "sample": {
                "fast": duration_text(self.cadence.fast_ns),
                "slow": duration_text(self.cadence.slow_ns),
                "asleep": duration_text(self.cadence.asleep_ns),
            },
            "wear": {
                "every": duration_text(self.wear_every_ns),
                "cross_check": str(self.cross_check) if self.cross_check else None,
            },
            "ledger": {
                "path": str(self.ledger_path),
                "keep_spans": duration_text(self.keep_spans_ns),
            },
            "schedules": {
                name: {
                    "zone": schedule.zone,
                    "windows": [window_text(window) for window in schedule.windows],
                    "except": [day.isoformat() for day in sorted(schedule.except_dates)],
                }
                for name, schedule in self.schedules.items()
            },
            "tariff": self.tariff
            and {"currency": self.tariff.currency, "per_kwh": self.tariff.per_kwh},
            "what_if": {
                "timers": [duration_text(timer) for timer in self.what_if.timers_ns],
                "spinup": duration_text(self.what_if.spinup_ns),
                "waits_per_day": self.what_if.waits_per_day,
            },
            "limits": {
                "actors": limits.actors,
                "probe_disturbances": limits.probe_disturbances,
                "rated_life_horizon": duration_text(limits.rated_life_horizon_ns),
                "quiet_asleep_min": limits.quiet_asleep_min,
                "absent_for": duration_text(limits.absent_for_ns),
            },
            "may_be_suspended": self.may_be_suspended,
            "disks": [
                {
                    "match": {rule.by: rule.pattern or True},
                    "also_known_as": list(rule.also_known_as),
                    **_nested(rule.settings),
                }
                for rule in self.rules
            ],
            "defaults": _nested(self.defaults),
        }


def needs_restart(before: Config, after: Config) -> tuple[str, ...]:
    """Keys that are read at the start alone, and differ."""
    old, new = ({"listen": c.listen, "ledger.path": c.ledger_path} for c in (before, after))
    return tuple(key for key, value in new.items() if old[key] != value)


def _nested(settings: PerDisk) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for path, value in settings.items():
        *branch, key = path.split(".")
        into = found
        for part in branch:
            into = into.setdefault(part, {})
        into[key] = duration_text(value) if path == "declared_timer" else value
    return found
