"""Last night: which disks slept as long as configured, which did not, and what to do first.

Rules: pure. A night is the last complete window of a schedule of quiet hours, with the disks that
have that schedule; for disks without quiet hours it is the last 24 hours, which are judged only
where no disk has quiet hours. A disk slept too little
only if that holds even if it slept through all time that is not known (as the alert
DiskSleptTooLittleInQuietHours); where it depends on that time, the disk is counted apart. Texts are
plain, for page and terminal alike.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo

from spinledger.causes import REMEDIES
from spinledger.errors import Misuse
from spinledger.facts import DiskView
from spinledger.findings.conditions import how_accessed
from spinledger.findings.judge import explanation
from spinledger.findings.woken import NOT_TRACED, OFTEN, explaining
from spinledger.model import DAY, SECOND
from spinledger.quiet.hours import Calendar, last_complete_window
from spinledger.strip import NO_HISTORY, DiskHistory, Slept, SpinUp, slept, spin_ups
from spinledger.words import duration, listed, local, percent, plural

NAMES = 6  # disks named in a sentence
RECENT_NS = 8 * DAY  # of history: a week, and a night that ended a day before it
BUSY = 0.25  # of the known time active: it was in use


@dataclass(frozen=True, slots=True)
class DiskNight:
    """One disk's night."""

    view: DiskView
    slept: Slept
    enough: bool | None  # slept as long as configured; None: unknown, or not judged
    spin_ups: int
    waker: SpinUp | None  # one spin-up of the program that caused most of them

    @property
    def least(self) -> float:
        """The share that is configured."""
        return self.view.policy.quiet_asleep_min

    @property
    def share(self) -> str:
        """How much it slept."""
        known = self.slept.known_ns / self.slept.whole_ns
        unknown = "" if known > 0.95 else f" ({percent(1 - known)} of the time is unknown)"
        return f"asleep {percent(self.slept.ratio)}{unknown}"

    @property
    def cause(self) -> str:
        """Why it did not sleep, as far as that is known: a clause."""
        if self.waker:
            return f"spun up {self.spin_ups} times, mostly because of {self.waker.actor}"
        if why := explanation(self.view.findings):
            return self._access if why.code == "regular_access" else why.sentence.rstrip(".")
        if self.spin_ups >= OFTEN:
            return f"spun up {self.spin_ups} times"
        if self.slept.active_ns >= BUSY * self.slept.known_ns:
            return f"active for {duration(self.slept.active_ns / SECOND)}"
        return "idle most of the time, without a spin-down"

    @property
    def _access(self) -> str:
        """How often it is accessed, and who does so or why that is not known."""
        waker = explaining(self.view.facts, "regular_access")
        who = f"mostly by {waker.actor}" if waker else NOT_TRACED
        return f"{how_accessed(self.view.facts) or 'accessed at fixed intervals'}; {who}"

    @property
    def remedy(self) -> str:
        """What to do first."""
        if self.waker:
            return REMEDIES[self.waker.cause].format(actor=self.waker.actor)
        if why := explanation(self.view.findings):
            return why.suggestion.partition("; then")[0].rstrip(".")
        used = self.spin_ups >= OFTEN or self.slept.active_ns >= BUSY * self.slept.known_ns
        if used:
            name = self.view.disk.kernel_name
            return f"record which program uses it: `spinledger capture --disk {name} --for 24h`"
        if self.view.policy.declared_ns == 0:
            return "set a standby timer: it is declared as disabled"
        return "check that its standby timer is set"


@dataclass(frozen=True, slots=True)
class Night:
    """One window, and the disks it counts for, in the order of the snapshot."""

    began: int
    ended: int
    quiet: bool  # False: the last 24 hours, since these disks have no quiet hours
    judged: bool
    disks: tuple[DiskNight, ...]
    recorded: int | None  # since when there is any record of these disks

    @property
    def short(self) -> list[DiskNight]:
        """The disks that slept too little, worst first."""
        return sorted(
            (one for one in self.disks if one.enough is False),
            key=lambda one: one.slept.ratio - one.least,
        )


def nights(
    views: Sequence[DiskView],
    histories: Mapping[str, DiskHistory],
    calendars: Mapping[str, Calendar],
    now: int,
) -> list[Night]:
    """Every night that counts for one of the disks, the latest first."""
    windows: dict[tuple[int, int, bool], list[DiskView]] = {}
    for view in views:
        windows.setdefault(_window(view, calendars, now), []).append(view)
    found = []
    any_quiet = any(quiet for _, _, quiet in windows)
    for (began, ended, quiet), members in windows.items():
        of = [histories.get(view.disk.identity, NO_HISTORY) for view in members]
        judged = quiet or not any_quiet
        disks = tuple(
            _disk(view, history, began, ended, judged)
            for view, history in zip(members, of, strict=True)
        )
        first = [history.periods[0].began for history in of if history.periods]
        found.append(Night(began, ended, quiet, judged, disks, min(first, default=None)))
    return sorted(found, key=lambda night: (night.quiet, night.ended), reverse=True)


def of_disk(found: Sequence[Night], identity: str) -> Night:
    """The night that counts for a disk, with this disk alone."""
    for night in found:
        for one in night.disks:
            if one.view.disk.identity == identity:
                return replace(night, disks=(one,))
    raise Misuse(f"no night counts for {identity}")


def _window(view: DiskView, calendars: Mapping[str, Calendar], now: int) -> tuple[int, int, bool]:
    calendar = calendars.get(view.policy.quiet or "")
    window = last_complete_window(calendar, now) if calendar else None
    return (*window, True) if window else (now - DAY, now, False)


def _disk(view: DiskView, history: DiskHistory, began: int, ended: int, judged: bool) -> DiskNight:
    counted = slept(history, began, ended)
    ups = spin_ups(history, began, ended)
    enough = counted.at_least(view.policy.quiet_asleep_min) if judged else None
    return DiskNight(view, counted, enough, len(ups), _waker(ups))


def _waker(ups: Sequence[SpinUp]) -> SpinUp | None:
    """A spin-up of the program that caused more than half of many."""
    named = Counter(one.actor for one in ups if one.actor and one.cause in REMEDIES)
    if len(ups) < OFTEN or not named:
        return None
    actor, count = named.most_common(1)[0]
    of_it = (one for one in ups if one.actor == actor and one.cause in REMEDIES)
    return next(of_it) if count > len(ups) / 2 else None


def sentence(night: Night, now: int, tz: tzinfo) -> str:
    """Last night (22:00 to 07:00): 6 of 8 disks slept at least half of it."""
    if not night.judged:
        each = [f"{one.view.disk.kernel_name} {one.share}" for one in night.disks[:NAMES]]
        more = [f"{len(night.disks) - NAMES} more"] if len(night.disks) > NAMES else []
        return f"Without quiet hours, the last 24 hours: {listed([*each, *more])}."
    count = len(night.disks)
    enough = sum(one.enough is True for one in night.disks)
    unknown = sum(one.enough is None for one in night.disks)
    when = _when(night, now, tz)
    if unknown == count:
        late = night.recorded is None or night.recorded > night.began
        return f"{when}: {_unknown(night, tz) if late else 'unknown: too little was observed'}."
    least = {one.least for one in night.disks}
    amount = f"at least {_share(least.pop())} of it" if len(least) == 1 else "as configured"
    of = f"{enough} of {plural(count, 'disk')}" if count > 1 else ("the disk" if enough else "")
    head = f"{of} slept {amount}" if of else f"the disk did not sleep {amount}"
    rest = f"; for {plural(unknown, 'disk')} it is unknown" if unknown else ""
    return f"{when}: {head}{rest}."


def _unknown(night: Night, tz: tzinfo) -> str:
    if night.recorded is None:
        return "unknown: nothing is recorded yet"
    began = local(night.recorded, tz)
    return f"unknown: the record begins on {began:%a} {began.day} {began:%b} at {began:%H:%M}"


def _share(least: float) -> str:
    return "half" if least == 0.5 else percent(least)


def _when(night: Night, now: int, tz: tzinfo) -> str:
    if not night.quiet:
        return "Last 24 hours"
    began, ended = local(night.began, tz), local(night.ended, tz)
    span = f"{began:%H:%M} to {ended:%H:%M}"
    if now - night.ended >= DAY:
        return f"Quiet hours of {began:%a} {began.day} {began:%b} ({span})"
    return f"{'Last night' if began.date() != ended.date() else 'Last quiet hours'} ({span})"


def hint(found: Sequence[Night]) -> str:
    """How to have nights judged, where no disk has quiet hours; ""."""
    if any(night.quiet for night in found):
        return ""
    return (
        "No quiet hours are configured: with `schedules` and `quiet` in the configuration, this "
        "judges the hours in which disks should sleep."
    )


def night_json(found: Sequence[Night], now: int, tz: tzinfo) -> list[dict[str, object]]:
    """For /snapshot: times in Unix seconds."""
    return [
        {
            "began": night.began / SECOND,
            "ended": night.ended / SECOND,
            "quiet_hours": night.quiet,
            "sentence": sentence(night, now, tz),
            "hint": "" if night.quiet else hint(found),
            "short": [
                {
                    "disk": one.view.disk.identity,
                    "asleep_ratio": one.slept.ratio,
                    "share": one.share,
                    "cause": one.cause,
                    "remedy": one.remedy,
                }
                for one in night.short
            ],
            "unknown": [one.view.disk.identity for one in night.disks if one.enough is None],
        }
        for night in found
    ]
