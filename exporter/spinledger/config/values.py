"""What one value of the configuration may look like, and what it means.

Rules of this room: a value is text, read as the schema says and never as YAML guesses (`off` is a
word, 2026-12-24 a date, quoted or not). A `Kind` pairs the words of the fix with a parser; a
parser raises BadConfig with an empty `where`, which the reader of the file fills in. Times become
integer nanoseconds. A year is the Julian year of 365.25 days.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import PurePosixPath

from spinledger.codec import timers
from spinledger.config.near import nearest, shown
from spinledger.config.zones import time_zone
from spinledger.errors import BadConfig, BadInput
from spinledger.model import DAY, HOUR, MINUTE, SECOND

UNITS = {"y": 31_557_600 * SECOND, "d": DAY, "h": HOUR, "m": MINUTE, "s": SECOND}
NONE = "none"  # takes a disk out of the quiet hours that `defaults` gives


@dataclass(frozen=True, slots=True)
class Kind:
    """A sort of value. `expected` completes "write ..."; `many` makes it a list of such values."""

    expected: str
    parse: Callable[[str], object]
    many: bool = False


def unfit(what: str, fix: str) -> BadConfig:
    """An error whose place is not known yet."""
    return BadConfig("", what, fix)


def duration(text: str) -> int:
    """`5s`, `0.5s`, `10m`, `2h`, `400d`, `3y`, combined as `1h30m`, or `0`: nanoseconds."""
    fix = "write a duration such as 20m or 1h30m, in units s, m, h, d, y"
    if text == "0":
        return 0
    parts = re.findall(r"([0-9]+)(?:\.([0-9]+))?([^0-9.]*)", text)
    if not parts or "".join(f"{w}.{f}{u}" if f else f"{w}{u}" for w, f, u in parts) != text:
        raise unfit(f"{shown(text)} is not a duration", fix)
    total = 0
    smallest = 0
    for whole, fraction, unit in parts:
        if not unit:
            raise unfit(f"{shown(text)} has no unit", fix)
        if unit not in UNITS:
            raise unfit(f"{shown(text)} has the unknown unit {shown(unit)}", fix)
        if smallest and UNITS[unit] >= smallest:
            raise unfit(f"{shown(text)} has its units out of order", fix)
        if len(whole) > 9 or len(fraction) > 9:
            raise unfit(f"{shown(text)} has too many digits", fix)
        smallest = UNITS[unit]
        total += int(whole + fraction) * smallest // 10 ** len(fraction)
    return total


def length(text: str) -> int:
    """A duration, or decimal seconds: nanoseconds."""
    bare = text.isascii() and text.replace(".", "", 1).isdecimal()
    return duration(f"{text}s" if bare else text)


def duration_text(nanoseconds: int) -> str:
    """The shortest usual text that `duration` reads back as the same; 0 is `0s`."""
    if nanoseconds and nanoseconds % UNITS["y"] == 0:
        return f"{nanoseconds // UNITS['y']}y"
    text = ""
    rest = nanoseconds
    for unit in "dhm":
        count, rest = divmod(rest, UNITS[unit])
        text += f"{count}{unit}" if count else ""
    if rest or not text:
        whole, fraction = divmod(rest, SECOND)
        text += f"{whole}.{fraction:09d}".rstrip("0").rstrip(".") + "s"
    return text


def span(low: str, high: str, like: str, *, or_zero: bool = False) -> Kind:
    """A duration from `low` to `high`, and 0 where that means something."""
    least, most = duration(low), duration(high)
    choose = f"choose {low} to {high}" + (", or 0" if or_zero else "")

    def parse(text: str) -> int:
        value = duration(text)
        if or_zero and value == 0:
            return 0
        if value < least:
            raise unfit(f"{shown(text)} is below {low}", choose)
        if value > most:
            raise unfit(f"{shown(text)} is above {high}", choose)
        return value

    return Kind(f"a duration such as {like}", parse)


def whole(low: int, high: int, like: str) -> Kind:
    """A whole number from `low` to `high`; digits may be grouped as in 600_000."""
    expected = f"a whole number such as {like}"

    def parse(text: str) -> int:
        if not re.fullmatch(r"[+-]?[0-9]+(_[0-9]+)*", text):
            raise unfit(f"{shown(text)} is not a whole number", f"write {expected}")
        return int(_within(text, low, high))

    return Kind(expected, parse)


def number(low: float, high: float, like: str) -> Kind:
    """A decimal number from `low` to `high`."""
    expected = f"a number such as {like}"

    def parse(text: str) -> float:
        if not re.fullmatch(r"[+-]?([0-9]+(_[0-9]+)*)(\.[0-9]+)?", text):
            raise unfit(f"{shown(text)} is not a number", f"write {expected}")
        return _within(text, low, high)

    return Kind(expected, parse)


def _within(text: str, low: float, high: float) -> float:
    value = float(text.replace("_", ""))
    choose = f"choose {low:.15g} to {high:.15g}"
    if value < low:
        raise unfit(f"{shown(text)} is below {low:.15g}", choose)
    if value > high:
        raise unfit(f"{shown(text)} is above {high:.15g}", choose)
    return value


def one_of(*words: str) -> Kind:
    """One of a few words."""
    expected = f"{', '.join(words[:-1])} or {words[-1]}" if len(words) > 1 else words[0]

    def parse(text: str) -> str:
        if text not in words:
            raise unfit(f"{shown(text)} is not known", f"write {nearest(text, words) or expected}")
        return text

    return Kind(expected, parse)


def matching(pattern: str, expected: str, what: str) -> Kind:
    """Text that fits a regular expression as a whole."""

    def parse(text: str) -> str:
        if not re.fullmatch(pattern, text, re.ASCII):
            raise unfit(f"{shown(text)} {what}", f"write {expected}")
        return text

    return Kind(expected, parse)


def address(text: str) -> tuple[str, int]:
    """HOST:PORT as a pair; an IPv6 host stands in brackets; port 0 means any free one."""
    fix = "write HOST:PORT such as 127.0.0.1:9786"
    found = re.fullmatch(r"(\[[0-9A-Fa-f:.%a-z]+\]|[^\s:\[\]/]+):([0-9]{1,5})", text, re.ASCII)
    if not found:
        raise unfit(f"{shown(text)} is not an address", fix)
    if int(found[2]) > 65535:
        raise unfit(f"{shown(text)} has a port above 65535", "choose a port from 0 to 65535")
    return found[1].strip("[]"), int(found[2])


def host_name(text: str) -> str:
    """A name of the DNS (RFC 1123, section 2.1), in lower case; no address and no port."""
    label = "[a-z0-9_]([a-z0-9_-]{0,61}[a-z0-9_])?"
    name = text.lower().rstrip(".")
    if not re.fullmatch(rf"{label}(\.{label})*", name, re.ASCII) or len(name) > 253:
        raise unfit(f"{shown(text)} is not a host name", "write a name such as dome.example.org")
    return name


def absolute_path(text: str) -> str:
    """A path from the root; a service has no folder of its own to start from."""
    if not PurePosixPath(text).is_absolute():
        raise unfit(
            f"{shown(text)} is not an absolute path", "write the whole path, beginning with /"
        )
    return text


def zone(text: str) -> str:
    """A name of the tz database that this host has."""
    try:
        time_zone(text, "")
    except BadInput as bad:
        raise unfit(bad.what, bad.fix) from None
    return text


def iso_date(text: str) -> date:
    """YYYY-MM-DD (ISO 8601, extended format)."""
    fix = "write a date as YYYY-MM-DD, such as 2026-12-24"
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
        raise unfit(f"{shown(text)} is not a date", fix)
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise unfit(f"{shown(text)} is not in the calendar", fix) from None


def identity(text: str) -> str:
    """A disk's stable identity; the hexadecimal digits of a world-wide name in lower case."""
    fix = "write the identity that `spinledger check` shows"
    if text.startswith("/dev/"):
        raise unfit(f"{shown(text)} is a device node, which may move to another disk", fix)
    if not re.fullmatch(r"[A-Za-z0-9._-]+", text):
        raise unfit(f"{shown(text)} cannot be an identity", fix)
    return text.lower() if text.lower().startswith("wwn-0x") else text


def by_id(text: str) -> str:
    """A link name of /dev/disk/by-id, with or without that folder."""
    return identity(text.removeprefix("/dev/disk/by-id/"))


_NO_PERIOD = {
    timers.TimerKind.RESERVED: "reserved",
    timers.TimerKind.VENDOR: "vendor specific",
}


def timer_code(text: str) -> int:
    """A timer code of STANDBY and IDLE (Travan 40 manual, p105): nanoseconds, 0 for disabled.

    Hexadecimal as in the standard, or decimal.
    """
    fix = "write 0x00 to 0xFF, such as 0xF2 for one hour"
    if not re.fullmatch(r"[0-9]{1,4}|0[xX][0-9A-Fa-f]{1,4}", text):
        raise unfit(f"{shown(text)} is not a timer code", fix)
    code = int(text, 16 if text[:2] in ("0x", "0X") else 10)
    if code > 255:
        raise unfit(f"{shown(text)} is above 0xFF", fix)
    timer = timers.decode_timer(code)
    if timer.kind is timers.TimerKind.DISABLED:
        return 0
    if timer.seconds is None:
        raise unfit(
            f"0x{code:02X} is {_NO_PERIOD[timer.kind]} and stands for no period",
            "write the drive's period, such as declared_timer: 8h",
        )
    return timer.seconds * SECOND


def true(text: str) -> bool:
    """The word true."""
    if text.lower() not in ("true", "yes", "on"):
        raise unfit(f"{shown(text)} is not true", "write all: true")
    return True


def truth(text: str) -> bool:
    """True or false."""
    if text.lower() not in ("true", "yes", "on", "false", "no", "off"):
        raise unfit(f"{shown(text)} is not true or false", "write true or false")
    return text.lower() in ("true", "yes", "on")


def quiet_name(text: str) -> str:
    """A schedule's name as a disk refers to it, or `none`."""
    return text if text == NONE else schedule_name(text)


def schedule_name(text: str) -> str:
    """A word fit for a metric label."""
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}", text):
        raise unfit(
            f"{shown(text)} cannot name a schedule",
            "use letters, digits, dot, dash and underscore, at most 64",
        )
    if text == NONE:
        raise unfit('"none" means no quiet hours', "choose another name")
    return text


def many(kind: Kind, expected: str) -> Kind:
    """A list of values of one kind."""
    return Kind(expected, kind.parse, many=True)
