"""The configuration in force, as the loop takes it."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from spinledger.config.load import find, load
from spinledger.config.settings import Config, needs_restart
from spinledger.config.windows import parse as parse_windows
from spinledger.config.zones import time_zone
from spinledger.errors import BadConfig, BadInput
from spinledger.log import fail, say, warn
from spinledger.model import Disk, Policy
from spinledger.ports import QuietHours
from spinledger.quiet.hours import Calendar, Cursor
from spinledger.schedule import Schedule

NIGHTS = "nights"  # the schedule that simulated disks follow where they have quiet hours


@dataclass(slots=True)
class CurrentConfig:
    """The configuration in force, and how its last reload went."""

    path: Path | None
    config: Config
    loaded_wall_s: float
    usual: bool = False  # without `path` the usual file is read, if it is there
    overridden: frozenset[str] = frozenset()  # keys that the command line sets
    good: bool = True
    calendars: dict[str, Calendar] = field(default_factory=dict)
    simulated: Callable[[Policy, str], Mapping[str, Policy]] | None = None
    nights: Schedule | None = None  # of simulated disks
    started: Config = field(init=False)  # the configuration at the start

    def __post_init__(self) -> None:
        self.started = self.config

    def take_simulated(
        self, policies: Callable[[Policy, str], Mapping[str, Policy]], zone: str
    ) -> None:
        """Simulated disks that no entry of the configuration matches take policies of their own.

        `policies` makes them from a base and the name of a schedule; `zone` is its time zone.
        """
        self.simulated = policies
        self.nights = Schedule(NIGHTS, zone, parse_windows("daily 22:00-07:00"))
        self.config = self._with_nights(self.config)

    def policy(self, disk: Disk) -> Policy:
        """The policy of a disk."""
        policy = self.config.policy_for(disk)
        if self.simulated is not None and self.config.rule_for(disk) is None:
            policy = self.simulated(policy, NIGHTS).get(disk.identity, policy)
        schedule = self.config.schedules.get(policy.quiet) if policy.quiet else None
        return replace(policy, schedule=schedule)

    def identity(self, name: str) -> str:
        """The present identity of a disk that is known by this one."""
        return self.config.identity_of(name)

    def unmatched(self, disks: Sequence[Disk]) -> Sequence[str]:
        """A sentence for each entry of `disks` that matches none of these."""
        source = self.config.source
        return [
            f"{source}:{rule.line}: this entry of disks matches no disk: {rule.match}"
            for rule in self.config.unmatched(disks)
        ]

    def quiet_hours(self, policy: Policy) -> QuietHours | None:
        """The policy's schedule in its time zone; None without one, or where its zone is gone."""
        schedule = policy.schedule
        if schedule is None:
            return None
        calendar = self.calendars.get(schedule.name)
        if calendar is None or calendar.schedule != schedule:
            try:
                calendar = Calendar(schedule, time_zone(schedule.zone, schedule.name))
            except BadInput:
                return None
            if self.config.schedules.get(schedule.name) == schedule:
                self.calendars[schedule.name] = calendar
        return Cursor(calendar)

    def loaded(self) -> tuple[bool, float]:
        """Whether the last load succeeded, and when one last did, in Unix seconds."""
        return self.good, self.loaded_wall_s

    def reload(self) -> bool:
        """Read the file again; a bad one is refused and the old settings stay."""
        try:
            config = load(find(self.path) if self.usual else self.path)
        except BadConfig as bad:
            self.good = False
            fail(f"configuration refused, the old one stays: {bad}")
            return False
        self.config = self._with_nights(config)
        self.calendars = {
            name: calendar
            for name, calendar in self.calendars.items()
            if self.config.schedules.get(name) == calendar.schedule
        }
        self.good = True
        self.loaded_wall_s = time.time()
        say(f"configuration loaded: {config.source or 'built-in defaults'}")
        for key in needs_restart(self.started, config):
            if key not in self.overridden:
                warn(f"{key} has changed: it takes effect after a restart")
        return True

    def _with_nights(self, config: Config) -> Config:
        """With the schedule of simulated disks, unless the file has one of that name."""
        if self.nights is None or NIGHTS in config.schedules:
            return config
        return replace(config, schedules={**config.schedules, NIGHTS: self.nights})
