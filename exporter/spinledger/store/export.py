"""A history for people and programs: CSV, JSON, OpenMetrics, and days.

Rules: disk by disk, in order of time, as a stream. Times in CSV are local with their offset from
UTC (ISO 8601); in JSON and OpenMetrics they are Unix seconds. A span still open has no end, and
its seconds so far. A local day begins at midnight where the host stands; spans are cut there, and
active seconds are shared by length. Days whose spans are gone come from the daily totals, by
UTC day.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from heapq import merge
from itertools import chain

from spinledger.config.values import duration
from spinledger.errors import BadConfig, BadInput
from spinledger.metrics.openmetrics import END, seconds, series
from spinledger.model import DAY, MILLISECOND, SECOND
from spinledger.store.days import DayTotals
from spinledger.store.history import ALWAYS, History, PastCycle, PastDay, PastGap, PastSpan

Share = Callable[[float], None]  # takes the part of the work that is done, 0 to 1

COLUMNS = ("disk", "state", "began", "ended", "seconds", "active_seconds", "evidence")
SAMPLE_EVERY_NS = 240 * SECOND
"""Below 5 min, for which Prometheus takes a sample as present (its documentation: "Staleness")."""

_YES_NO = {True: "yes", False: "no"}
STATES = ("spinning", "standby", "unknown", "unobserved")


@dataclass(frozen=True, slots=True)
class Query:
    """Which part of a history."""

    disk: str | None = None
    since: int = ALWAYS  # nanoseconds of wall time
    zone: tzinfo | None = None  # None: the host's


def answer(history: History, params: Mapping[str, str], now_wall_ns: int) -> Iterator[bytes]:
    """The body for a query with `disk`, `since` and `format` (csv, openmetrics, else JSON).

    Raises BadInput before the first part of the body.
    """
    query = query_of(history, params.get("disk"), params.get("since"), now_wall_ns)
    write = {"csv": csv_of, "openmetrics": openmetrics_of}.get(params.get("format", ""), json_of)
    return _encoded(write(history, query))


def query_of(history: History, disk: str | None, since: str | None, now_wall_ns: int) -> Query:
    """A query from its texts. Raises BadInput for an unknown disk or a `since` that is none."""
    identity = history.identity(disk) if disk else None
    return Query(identity, since_ns(since, now_wall_ns) if since else ALWAYS)


def since_ns(text: str, now_wall_ns: int) -> int:
    """Wall nanoseconds of an ISO 8601 date or time, or of a duration before now, such as 7d.

    A bare number is refused: it could be a year, Unix time, or a duration in seconds.
    """
    with suppress(BadConfig):
        return now_wall_ns - duration(text)
    try:
        moment = datetime.fromisoformat(text.replace(" ", "+") if "T" in text else text)
        return round(moment.timestamp() * 1000) * (SECOND // 1000)
    except (ValueError, OverflowError, OSError):
        raise BadInput(
            f"since {text[:40]!a}",
            "is neither a date nor a duration",
            "write 2026-01-31, 2026-01-31T22:00 or 7d",
        ) from None


# CSV


def csv_of(history: History, query: Query, share: Share | None = None) -> Iterator[str]:
    """Spans, one a line, with a header."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for disk, done in _disks(history, query):
        for span, is_open in spans(history, query, disk):
            writer.writerow(
                (
                    span.disk,
                    span.state,
                    local(span.began_wall_ns, query.zone),
                    "" if is_open else local(span.ended_wall_ns, query.zone),
                    _seconds(span.length_ns),
                    _seconds(span.active_ns),
                    span.evidence,
                )
            )
            if text.tell() > 65_536:
                yield text.getvalue()
                text.seek(0)
                text.truncate()
        if share:
            share(done)
    yield text.getvalue()


def local(wall_ns: int, zone: tzinfo | None) -> str:
    """ISO 8601 to the second, with the offset from UTC."""
    moment = datetime.fromtimestamp(wall_ns // SECOND, zone)
    return (moment if zone else moment.astimezone()).isoformat()


def spans(history: History, query: Query, disk: str) -> Iterator[tuple[PastSpan, bool]]:
    """A disk's spans, each with whether it is still open."""
    for span in history.spans(disk, query.since):
        yield span, False
    last = history.open_span(disk)
    if last is not None and last.ended_wall_ns > query.since:
        yield last, True


def _disks(history: History, query: Query) -> Iterator[tuple[str, float]]:
    """The disks of a query, each with the part of the work that is done after it."""
    names = [query.disk] if query.disk else history.disks()
    for number, disk in enumerate(names, 1):
        yield disk, number / len(names)


def _seconds(ns: int) -> str:
    return f"{ns / SECOND:.3f}".rstrip("0").rstrip(".")


# JSON


def json_of(history: History, query: Query, share: Share | None = None) -> Iterator[str]:
    """{"version": 1, "disks": [..], "spans": [..], "cycles": [..], "days": [..], "gaps": [..]}.

    Gaps are those between I/O requests of others, a minute or longer: what `replay --ledger` uses.
    """
    names = json.dumps(history.disks())
    yield f'{{"version": 1,\n"disks": {names},\n"spans": ['
    yield from _listed(
        _span_json(span, is_open)
        for disk, _ in _disks(history, query)
        for span, is_open in spans(history, query, disk)
    )
    if share:
        share(1 / 3)
    yield '],\n"cycles": ['
    yield from _listed(
        cycle for disk, _ in _disks(history, query) for cycle in _cycles(history, query, disk)
    )
    if share:
        share(2 / 3)
    yield '],\n"days": ['
    yield from _listed(
        day.json() for disk, _ in _disks(history, query) for day in days(history, query, disk)
    )
    yield '],\n"gaps": ['
    yield from _listed(
        gap for disk, _ in _disks(history, query) for gap in _gaps(history, query, disk)
    )
    yield "]}\n"


def _gaps(history: History, query: Query, disk: str) -> Iterator[dict[str, object]]:
    """The open one last, without an end."""
    for gap in history.gaps(disk, query.since):
        yield _gap_json(gap, False)
    last = history.open_gap(disk)
    if last is not None and last.ended_wall_ns > query.since:
        yield _gap_json(last, True)


def _gap_json(gap: PastGap, is_open: bool) -> dict[str, object]:
    return {
        "disk": gap.disk,
        "began": gap.began_wall_ns / SECOND,
        "ended": None if is_open else gap.ended_wall_ns / SECOND,
        "seconds": gap.length_ns / SECOND,
        "censored": gap.censored,
    }


def _listed(things: Iterable[object]) -> Iterator[str]:
    before = "\n"
    for thing in things:
        yield before + json.dumps(thing, allow_nan=False)
        before = ",\n"


def _span_json(span: PastSpan, is_open: bool) -> dict[str, object]:
    return {
        "disk": span.disk,
        "state": span.state,
        "began": span.began_wall_ns / SECOND,
        "ended": None if is_open else span.ended_wall_ns / SECOND,
        "seconds": span.length_ns / SECOND,
        "active_seconds": span.active_ns / SECOND,
        "evidence": span.evidence,
    }


def _cycles(history: History, query: Query, disk: str) -> Iterator[dict[str, object]]:
    """Spin-ups with their causes, as far as these are known."""
    for cycle in history.cycles(disk, query.since):
        yield {
            "disk": disk,
            "number": cycle.number,
            "at": cycle.at_wall_ns / SECOND,
            "observed": cycle.observed,
            "cause": cycle.cause,
            "actor": cycle.actor,
            "place": cycle.place,
            "wait_seconds": None if cycle.wait_ns is None else cycle.wait_ns / SECOND,
        }


# Days


@dataclass(slots=True)
class Day:
    """One disk's day: nanoseconds by state, active ones inside spinning, and spin-ups."""

    disk: str
    date: date
    source: str  # spans: a local day; totals: a UTC day
    states: dict[str, int]
    active_ns: int = 0
    cycles: int = 0

    def json(self) -> dict[str, object]:
        """As JSON types, in seconds."""
        return {
            "disk": self.disk,
            "date": self.date.isoformat(),
            "source": self.source,
            **{f"{state}_seconds": ns / SECOND for state, ns in self.states.items()},
            "active_seconds": self.active_ns / SECOND,
            "cycles": self.cycles,
        }


def days(history: History, query: Query, disk: str) -> Iterator[Day]:
    """A disk's days in order; the first and the last may be in part."""
    found: dict[date, Day] = {}

    def of(moment: datetime) -> Day:
        return found.setdefault(
            moment.date(), Day(disk, moment.date(), "spans", dict.fromkeys(STATES, 0))
        )

    for span, _ in spans(history, query, disk):
        _share_out(span, query, of)
    for cycle in history.cycles(disk, query.since):
        of(datetime.fromtimestamp(cycle.at_wall_ns // SECOND, query.zone)).cycles += 1
    first = min(found, default=date.max)
    for day in _from_totals(_totalled(history, query, disk), disk):
        if day.date >= first:
            break
        if (day.date - date(1970, 1, 1)).days >= query.since // DAY:
            yield day
    for moment in sorted(found):
        yield found[moment]


def _totalled(history: History, query: Query, disk: str) -> Iterator[PastDay]:
    """Daily totals from the one before `since` on; all, where that is not among the last 31."""
    rows = history.days(disk, query.since - 31 * DAY)
    first = next(rows, None)
    if first is None or first.day < query.since // DAY:
        return chain([first] if first else [], rows)
    return history.days(disk)


def _share_out(span: PastSpan, query: Query, of: Callable[[datetime], Day]) -> None:
    at, end = max(span.began_wall_ns, query.since), span.ended_wall_ns
    if at >= end:
        return  # the wall clock was set back while it lasted
    whole = end - span.began_wall_ns
    while at < end:
        moment = datetime.fromtimestamp(at // SECOND, query.zone)
        next_day = moment.date() + timedelta(days=1)
        until = int(datetime.combine(next_day, time(), query.zone).timestamp()) * SECOND
        until = min(max(until, at + 1), end)
        day = of(moment)
        day.states[span.state] = day.states.get(span.state, 0) + until - at
        day.active_ns += span.active_ns * (until - at) // whole
        at = until


def _from_totals(rows: Iterable[PastDay], disk: str) -> Iterator[Day]:
    """Each day is what its totals have more than those before."""
    before = DayTotals()
    for row in rows:
        grown = DayTotals._make(now - then for now, then in zip(row.totals, before, strict=True))
        yield Day(
            disk,
            datetime.fromtimestamp(row.day * DAY // SECOND, UTC).date(),
            "totals",
            {
                "spinning": (grown.active_ms + grown.idle_ms) * MILLISECOND,
                "standby": grown.standby_ms * MILLISECOND,
                "unknown": grown.unknown_ms * MILLISECOND,
                "unobserved": grown.unobserved_ms * MILLISECOND,
            },
            grown.active_ms * MILLISECOND,
            grown.observed_cycles + grown.unobserved_cycles,
        )
        before = row.totals


# OpenMetrics


def openmetrics_of(history: History, query: Query, share: Share | None = None) -> Iterator[str]:
    """State and cycles as series with timestamps, for backfilling; OpenMetrics 1.0.

    Series by series; a sample every 4 min and at every change, so that a query finds one at any
    time. Samples that a wall clock set back would put before earlier ones are left out.
    """
    name = "spinledger_history_state"
    yield f"# TYPE {name} gauge\n# HELP {name} 1 while the disk is in this state.\n"
    for disk, done in _disks(history, query):
        for each in STATES:
            head = series(name, (("disk", disk), ("state", each)))
            for at_ms, state in _moments(spans(history, query, disk), query.since):
                yield f"{head} {int(each == state)} {seconds(at_ms)}\n"
        if share:
            share(done / 2)
    name = "spinledger_history_cycles"
    yield f"# TYPE {name} counter\n# HELP {name} Spin-ups of a disk since the first line here.\n"
    for disk, done in _disks(history, query):
        for observed in (True, False):
            head = series(f"{name}_total", (("disk", disk), ("observed", _YES_NO[observed])))
            mine = (c for c in history.cycles(disk, query.since) if c.observed is observed)
            times = (at for at, _ in _moments(spans(history, query, disk), query.since))
            for at_ms, count in _counted(times, mine):
                yield f"{head} {count} {seconds(at_ms)}\n"
        if share:
            share((1 + done) / 2)
    yield END


def _moments(given: Iterable[tuple[PastSpan, bool]], since: int) -> Iterator[tuple[int, str]]:
    """Ascending milliseconds of wall time with the state that holds from there on."""
    last = None
    for span, _ in given:
        at, end = max(span.began_wall_ns, since), span.ended_wall_ns
        while at < end:
            if last is None or at // 1_000_000 > last:
                last = at // 1_000_000
                yield last, span.state
            at += SAMPLE_EVERY_NS


def _counted(times: Iterable[int], cycles: Iterable[PastCycle]) -> Iterator[tuple[int, int]]:
    """The count at each time and at each cycle, in milliseconds; ascending."""
    count = 0
    last = None
    spin_ups = ((cycle.at_wall_ns // 1_000_000, 1) for cycle in cycles)
    for at, more in merge(spin_ups, ((at, 0) for at in times), key=lambda pair: pair[0]):
        count += more
        if last is None or at > last:
            last = at
            yield at, count


def _encoded(parts: Iterator[str]) -> Iterator[bytes]:
    waiting: list[str] = []
    size = 0
    for part in parts:
        waiting.append(part)
        size += len(part)
        if size > 65_536:
            yield "".join(waiting).encode("utf-8")
            waiting, size = [], 0
    yield "".join(waiting).encode("utf-8")
