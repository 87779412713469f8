"""What the books say of the last day and week: an hour strip, wakes by hour, spin-ups.

Rules: pure; the input is GET /history as JSON and the snapshot's time. Hours are local: those of
the host, or of a zone that is given. What the books do not say is not guessed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta, tzinfo
from typing import Any

Json = Mapping[str, Any]

HOUR_S = 3600.0
DAY_S = 86400.0
NIGHT = (22, 6)
"""Local hours of the night where no quiet hours are set; common practice, no source."""

LEGEND = "_ asleep  - spinning  = mostly in use  ? not known  1-9, + spin-ups in that hour"


def by_disk(books: Json | None) -> dict[str, tuple[list[Json], list[Json]]] | None:
    """Spans and cycles of each disk; None where there are no books."""
    if books is None:
        return None
    found: dict[str, tuple[list[Json], list[Json]]] = {}
    for place, key in enumerate(("spans", "cycles")):
        for entry in books.get(key, ()):
            found.setdefault(entry["disk"], ([], []))[place].append(entry)
    return found


def strip(spans: Sequence[Json], cycles: Sequence[Json], now_s: float, hours: int = 24) -> str:
    """One sign an hour, the last one ending now; a blank where the books had not begun."""
    first = now_s - hours * HOUR_S
    parts: list[dict[str, float]] = [{} for _ in range(hours)]
    for span in spans:
        began, ended = span["began"], _end(span, now_s)
        active = span["active_seconds"] / span["seconds"] if span["seconds"] else 0.0
        state = "used" if span["state"] == "spinning" and active >= 0.5 else span["state"]
        at = max(began, first)
        while at < min(ended, now_s):
            hour = min(hours - 1, int((at - first) / HOUR_S))
            until = min(ended, now_s, first + (hour + 1) * HOUR_S)
            if until <= at:
                break
            parts[hour][state] = parts[hour].get(state, 0.0) + until - at
            at = until
    wakes = [0] * hours
    for cycle in cycles:
        if first <= cycle["at"] < now_s:
            wakes[int((cycle["at"] - first) / HOUR_S)] += 1
    return "".join(_sign(part, woken) for part, woken in zip(parts, wakes, strict=True))


_SIGNS = {"standby": "_", "spinning": "-", "used": "=", "unknown": "?", "unobserved": "?"}


def _sign(part: Mapping[str, float], wakes: int) -> str:
    if wakes:
        return _digit(wakes)
    if not part:
        return " "
    return _SIGNS[max(part, key=lambda state: part[state])]


def _digit(count: int) -> str:
    return str(count) if count < 10 else "+"


def ruler(now_s: float, zone: tzinfo | None = None, hours: int = 24) -> str:
    """Local hours over a strip: 00, 06, 12 and 18, each where that hour begins."""
    signs = [" "] * (hours + 1)
    for at in range(hours):
        begins = local(now_s - (hours - 1 - at) * HOUR_S - 1, zone).hour  # within this sign's hour
        if begins % 6 == 0:
            signs[at : at + 2] = f"{begins:02}"
    return "".join(signs[:hours]).rstrip()


def wakes_by_hour(cycles: Sequence[Json], since_s: float, zone: tzinfo | None = None) -> str:
    """Spin-ups since then by local hour of the day, 24 signs from midnight; a dot for none."""
    counts = [0] * 24
    for cycle in cycles:
        if cycle["at"] >= since_s:
            counts[local(cycle["at"], zone).hour] += 1
    return "".join(_digit(count) if count else "." for count in counts)


def last_night(now_s: float, zone: tzinfo | None = None) -> tuple[float, float]:
    """Beginning and end of the last whole night, Unix seconds."""
    today = local(now_s, zone).date()
    for days in (0, 1):
        morning = today - timedelta(days=days)
        ended = _moment(morning, NIGHT[1], zone)
        if ended <= now_s:
            break
    return _moment(morning - timedelta(days=1), NIGHT[0], zone), ended


def _moment(day: Any, hour: int, zone: tzinfo | None) -> float:
    return datetime(day.year, day.month, day.day, hour, tzinfo=zone).timestamp()


def slept(
    spans: Sequence[Json], began_s: float, ended_s: float, least: float = 0.9
) -> float | None:
    """The share of that time spent in standby; None where less than `least` of it was seen."""
    asleep = seen = 0.0
    for span in spans:
        length = min(_end(span, ended_s), ended_s) - max(span["began"], began_s)
        if length > 0 and span["state"] in ("standby", "spinning"):
            seen += length
            asleep += length if span["state"] == "standby" else 0.0
    return asleep / seen if seen and seen >= least * (ended_s - began_s) else None


def watched_days(spans: Sequence[Json], since_s: float, now_s: float) -> float:
    """How many days of the time since then somebody looked."""
    seen = 0.0
    for span in spans:
        if span["state"] != "unobserved":
            seen += max(0.0, min(_end(span, now_s), now_s) - max(span["began"], since_s))
    return seen / DAY_S


def local(at_s: float, zone: tzinfo | None = None) -> datetime:
    """A moment in local time."""
    moment = datetime.fromtimestamp(at_s, zone)
    return moment if zone is not None else moment.astimezone()


def _end(span: Json, now_s: float) -> float:
    """An open span ends now."""
    return now_s if span["ended"] is None else float(span["ended"])
