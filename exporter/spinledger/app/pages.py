"""What the web pages show beside the snapshot: recent history, quiet hours, zone, host, tariff,
runbooks.

Rules: a request never reads the ledger file: history comes from the store's memory. A UTC day that
has been over for an hour no longer changes, so it is read once and kept in the form that the pages
draw; the rest is read at each request. Any thread may call: what is kept is replaced, not changed.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Mapping
from operator import attrgetter

from spinledger.app.packed import runbooks
from spinledger.config.current import CurrentConfig
from spinledger.config.settings import Config
from spinledger.config.zones import host_zone, time_zone
from spinledger.model import DAY, HOUR
from spinledger.store.history import History
from spinledger.strip import NO_HISTORY, DiskHistory, Period, SpinUp
from spinledger.web.context import PageContext

KEPT_DAYS = 31  # as the stores' memories
LATE_NS = HOUR  # an entry is recorded at most minutes after its end

_ended = attrgetter("ended")
_at = attrgetter("at")


def page_context(owner: CurrentConfig, remembered: Callable[[], History], host: str) -> PageContext:
    """For the web server. `remembered` gives the history that is in memory; runbooks are read."""
    zone = zone_of(owner.config)
    return PageContext(
        histories=RecentHistories(remembered),
        calendars=lambda: dict(owner.calendars),
        tz=time_zone(zone),
        zone=zone,
        host=host,
        tariff=lambda: owner.config.tariff,
        runbooks=runbooks(),
    )


def check_zone(config: Config) -> None:
    """Raises BadInput where the zone of the pages cannot be read."""
    time_zone(zone_of(config))


def zone_of(config: Config) -> str:
    """The schedules' zone where they share one, else the host's."""
    zones = {schedule.zone for schedule in config.schedules.values()}
    return zones.pop() if len(zones) == 1 else host_zone() or "UTC"


class RecentHistories:
    """web.context.Histories over a store's memory."""

    def __init__(self, remembered: Callable[[], History]) -> None:
        self._remembered = remembered
        self._kept: tuple[int, Mapping[str, DiskHistory]] | None = None  # up to this day, and what

    def __call__(self, since: int, now: int) -> Mapping[str, DiskHistory]:
        """Every disk's history from `since` to now, the span still going on included."""
        history = self._remembered()
        until = (now - LATE_NS) // DAY
        old = self._settled(history, until)
        fresh = read(history, until * DAY)
        found: dict[str, DiskHistory] = {}
        for disk in history.disks():
            both = _joined(old.get(disk, NO_HISTORY), fresh.get(disk, NO_HISTORY), since)
            span = history.open_span(disk)
            if span is not None and span.ended_wall_ns > span.began_wall_ns:
                last = Period(span.began_wall_ns, span.ended_wall_ns, span.state, span.active_ns)
                both = DiskHistory((*both.periods, last), both.spin_ups)
            found[disk] = both
        return found

    def _settled(self, history: History, until: int) -> Mapping[str, DiskHistory]:
        """What ended before a day that no longer changes."""
        first = (until - KEPT_DAYS) * DAY
        kept = self._kept
        if kept is not None and kept[0] == until:
            return kept[1]
        if kept is None or kept[0] > until:  # at the start, or when the clock was set back
            settled = _before(read(history, first), until * DAY)
        else:
            newer = _before(read(history, kept[0] * DAY), until * DAY)
            settled = {
                disk: _joined(kept[1].get(disk, NO_HISTORY), newer.get(disk, NO_HISTORY), first)
                for disk in kept[1].keys() | newer.keys()
            }
        self._kept = until, settled
        return settled


def read(history: History, since: int) -> dict[str, DiskHistory]:
    """What ended on the UTC day of `since` or later, by disk."""
    periods: dict[str, list[Period]] = {}
    spin_ups: dict[str, list[SpinUp]] = {}
    for disk, spans, cycles in history.by_day(since):
        periods.setdefault(disk, []).extend(
            Period(one.began_wall_ns, one.ended_wall_ns, one.state, one.active_ns) for one in spans
        )
        spin_ups.setdefault(disk, []).extend(
            SpinUp(
                one.at_wall_ns,
                one.observed,
                one.cause or "",
                one.actor or "",
                one.wait_ns,
                one.place or "",
            )
            for one in cycles
        )
    return {
        disk: DiskHistory(
            tuple(sorted(periods[disk], key=_ended)), tuple(sorted(spin_ups[disk], key=_at))
        )
        for disk in periods
    }


def _before(histories: Mapping[str, DiskHistory], end: int) -> dict[str, DiskHistory]:
    return {
        disk: DiskHistory(
            one.periods[: bisect_left(one.periods, end, key=_ended)],
            one.spin_ups[: bisect_left(one.spin_ups, end, key=_at)],
        )
        for disk, one in histories.items()
    }


def _joined(old: DiskHistory, new: DiskHistory, since: int) -> DiskHistory:
    """Both, less what ended by `since`."""
    periods, spin_ups = old.periods + new.periods, old.spin_ups + new.spin_ups
    return DiskHistory(
        periods[bisect_right(periods, since, key=_ended) :],
        spin_ups[bisect_left(spin_ups, since, key=_at) :],
    )
