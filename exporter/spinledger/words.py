"""Durations, times, numbers and states in words, for pages, terminal and findings alike.

Rules: pure; plain text, not HTML. Units are those of the SI brochure (d, h, min, s; kWh). A time is
local to the time zone it is given.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta, tzinfo

THIN = "\u202f"  # a narrow space that does not break

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MINUTE, _HOUR, _DAY = 60, 3600, 86400
_NEAR_DAYS = 31  # a time of day is given for so long

STATES = {
    "active": "active",
    "idle": "idle",
    "standby": "asleep",
    "unknown": "unknown",
    "spinning": "spinning",
    "unobserved": "unobserved",
}

_NO_STATE = {
    "timeout": "it did not answer in time",
    "rejected": "the drive, or a bridge before it, rejects the probe",
    "no_registers": "the answer came without registers: a bridge does not pass them on",
    "status_clear": "its link was just reset, or it is in Sleep mode",
    "device_error": "the drive reports an error",
    "host_error": "the kernel or the controller could not send the probe",
    "reserved": "it answers with a value that the standard does not define",
    "malformed": "its answer is damaged",
    "other_sense": "its answer does not say the power state",
    "permission": "this program is not permitted to send a probe",
    "gone": "the device went away",
    "prober_down": "the process that sends probes is being started again",
    "withheld": "the kernel was stopping the disk",
}
_NO_LONGER = "refused: "


def why(reason: str) -> str:
    """Why a state is not known: the words for a `model.Reason`; other texts stay as they are."""
    words = _NO_STATE.get(reason.removeprefix(_NO_LONGER), reason)
    return f"no longer probed: {words}" if reason.startswith(_NO_LONGER) else words


# Durations


def duration(seconds: float) -> str:
    """A length of time, to two units at most: 3 d 4 h, 2 h 5 min, 40 s."""
    whole = max(0, round(seconds))
    for unit, name, lower, lower_name in (
        (_DAY, "d", _HOUR, "h"),
        (_HOUR, "h", _MINUTE, "min"),
        (_MINUTE, "min", 1, "s"),
    ):
        if whole >= unit:
            more = whole % unit // lower
            return f"{whole // unit} {name}" + (f" {more} {lower_name}" if more else "")
    return f"{whole} s"


def timer(seconds: float) -> str:
    """A standby timer, exactly: 20 min, 1 h, 299.5 s; 0 is off."""
    if not seconds:
        return "off"
    if seconds != round(seconds):
        return f"{seconds:g} s"
    rest, parts = round(seconds), []
    for unit, name in ((_DAY, "d"), (_HOUR, "h"), (_MINUTE, "min"), (1, "s")):
        count, rest = divmod(rest, unit)
        parts += [f"{count} {name}"] if count else []
    return " ".join(parts)


def short_duration(seconds: float) -> str:
    """In at most seven characters, for a column: 45s, 12m, 3h05, 4d02h."""
    whole = max(0, int(seconds))
    if whole < _MINUTE:
        return f"{whole}s"
    if whole < _HOUR:
        return f"{whole // _MINUTE}m"
    if whole < _DAY:
        return hours_minutes(whole // _MINUTE * _MINUTE)
    return f"{whole // _DAY}d{whole % _DAY // _HOUR:02}h"


def hours_minutes(seconds: float) -> str:
    """Hours and minutes of a day, for a column: 0h05, 24h00."""
    minutes = round(seconds / _MINUTE)
    return f"{minutes // 60}h{minutes % 60:02}"


# Times


def local(wall_ns: int, tz: tzinfo) -> datetime:
    """The moment in a time zone, to the microsecond."""
    return (_EPOCH + timedelta(microseconds=wall_ns // 1000)).astimezone(tz)


def moment(wall_ns: int, tz: tzinfo) -> str:
    """Weekday, date and time: Tue 24 Nov 2026, 21:03."""
    at = local(wall_ns, tz)
    return f"{at:%a} {at.day} {at:%b %Y, %H:%M}"


def since(wall_ns: int, now: int, tz: tzinfo) -> str:
    """When something began, as far as a reader needs it: 21:03, Tue 24 Nov 21:03, 24 Nov 2025."""
    at, today = local(wall_ns, tz), local(now, tz)
    if at.date() == today.date():
        return f"{at:%H:%M}"
    if (today.date() - at.date()).days < _NEAR_DAYS:
        return f"{at:%a} {at.day} {at:%b %H:%M}"
    return f"{at.day} {at:%b %Y}"


def month(wall_ns: int, tz: tzinfo) -> str:
    """Month and year; beyond the year 9999 only `after 9999`."""
    try:
        return f"{local(wall_ns, tz):%b %Y}"
    except (OverflowError, ValueError):
        return "after 9999"


# Numbers


def number(value: float) -> str:
    """At most three digits of a small number, all of a large one: 0.04, 3.2, 24, 12 400."""
    if value >= 100 or value == round(value):
        return f"{value:,.0f}".replace(",", THIN)
    return f"{value:.1f}" if value >= 1 else f"{value:.2g}"


def percent(ratio: float) -> str:
    """A share: 93 %; what is not nothing is never 0 %, what is not all never 100 %."""
    if 0 < ratio < 0.01:
        return f"{ratio * 100:.1g} %" if ratio >= 0.001 else "<0.1 %"
    if 0.99 <= ratio < 1:
        return ">99 %"
    return f"{ratio * 100:.0f} %"


def kwh(joules: float) -> str:
    """Energy in kilowatt-hours, its amount alone: the caller says whether it is saved or lost."""
    return f"{number(abs(joules) / 3_600_000)} kWh" if abs(joules) >= 360 else "0 kWh"


def money(amount: float, currency: str) -> str:
    """Money, its amount alone: 3.60 EUR, 1 204 EUR."""
    whole = f"{abs(amount):,.0f}" if abs(amount) >= 1000 else f"{abs(amount):.2f}"
    return f"{whole.replace(',', THIN)} {currency}"


# Lists


def plural(count: int, one: str, many: str = "") -> str:
    """1 disk, 2 disks."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def listed(parts: Iterable[str]) -> str:
    """a, b and c."""
    *head, last = parts or [""]
    return f"{', '.join(head)} and {last}" if head else last


def lower_first(text: str) -> str:
    """A sentence as a clause after a colon."""
    return text[:1].lower() + text[1:]
