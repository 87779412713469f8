"""The owner's wishes: the configuration in force, as the loop wants it."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from spinledger.config.load import load
from spinledger.config.settings import Config
from spinledger.config.windows import parse as parse_windows
from spinledger.errors import BadConfig
from spinledger.model import Disk, Policy
from spinledger.ports import QuietHours
from spinledger.quiet.hours import Calendar, Cursor
from spinledger.schedule import Schedule

NIGHTS = "nights"  # the schedule that a simulated shelf's disks keep where there is one


@dataclass(slots=True)
class CurrentConfig:
    """The configuration in force, and how its last reload went."""

    path: Path | None
    config: Config
    loaded_wall_s: float
    good: bool = True
    calendars: dict[str, Calendar] = field(default_factory=dict)
    simulated: Callable[[Policy, str], Mapping[str, Policy]] | None = None  # a shelf's own wishes

    def take_simulated(
        self, policies: Callable[[Policy, str], Mapping[str, Policy]], zone: str
    ) -> None:
        """A simulated shelf's own wishes hold for disks the configuration does not name.

        `policies` gives them from a base and the name of the schedule its disks keep;
        `zone` is where its people live.
        """
        if NIGHTS not in self.config.schedules:
            nights = Schedule(NIGHTS, zone, parse_windows("daily 22:00-07:00"))
            self.config = replace(self.config, schedules={**self.config.schedules, NIGHTS: nights})
        self.simulated = policies

    def policy(self, disk: Disk) -> Policy:
        """What the owner wants of a disk."""
        policy = self.config.policy_for(disk)
        if self.simulated is not None and self.config.rule_for(disk) is None:
            policy = self.simulated(policy, NIGHTS).get(disk.identity, policy)
        schedule = self.config.schedules.get(policy.quiet) if policy.quiet else None
        return replace(policy, schedule=schedule)

    def quiet_hours(self, policy: Policy) -> QuietHours | None:
        """The policy's schedule in its time zone; None without one, or where its zone is gone."""
        schedule = policy.schedule
        if schedule is None:
            return None
        calendar = self.calendars.get(schedule.name)
        if calendar is None or calendar.schedule != schedule:
            try:
                calendar = Calendar(schedule, ZoneInfo(schedule.zone))
            except (ValueError, OSError, ZoneInfoNotFoundError):
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
            self.config = load(self.path)
        except BadConfig as bad:
            self.good = False
            say(f"configuration refused, the old one stays: {bad}")
            return False
        self.good = True
        self.loaded_wall_s = time.time()
        return True


def say(line: str) -> None:
    """One line for the operator, on standard error."""
    print(f"spinledger: {line}", file=sys.stderr, flush=True)
