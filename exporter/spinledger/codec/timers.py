"""Standby timer codes (STANDBY E2h, IDLE E3h) and APM levels, both directions.

Rules: a code means a period only if IDENTIFY word 49 bit 13 is set; otherwise the device manages
its timer as it likes. If word 50 bit 0 is set, the device lifts short periods to a minimum of its
own that it does not tell. The codes are not monotonic: FCh (21 min) follows FBh (5.5 h). ATA has no
command to read the timer back (from memory); these codes are for what an owner declares.

    code      period                                     ACS-3 "Standby timer periods";
    00h       disabled                                   read in the Travan 40 manual, p105
    01h-F0h   code x 5 s
    F1h-FBh   (code - 240) x 30 min
    FCh       21 min
    FDh       vendor, between 8 h and 12 h
    FEh       reserved (drives seen: 21 min 10 s, 21 min 15 s)
    FFh       21 min 15 s
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from spinledger.errors import Misuse

_HOUR = 3600  # seconds


class TimerKind(StrEnum):
    """What a code is."""

    DISABLED = "disabled"
    PERIOD = "period"
    VENDOR = "vendor"  # between `low` and `high`
    RESERVED = "reserved"
    DEVICE = "device"  # the standard's table does not apply


@dataclass(frozen=True, slots=True)
class Timer:
    """A decoded code; all in seconds. `seconds` for a period, `low` and `high` for a vendor one."""

    kind: TimerKind
    seconds: int | None = None
    low: int | None = None
    high: int | None = None


_SPECIAL = {
    0x00: Timer(TimerKind.DISABLED),
    0xFC: Timer(TimerKind.PERIOD, 21 * 60),
    0xFD: Timer(TimerKind.VENDOR, None, 8 * _HOUR, 12 * _HOUR),
    0xFE: Timer(TimerKind.RESERVED),
    0xFF: Timer(TimerKind.PERIOD, 21 * 60 + 15),
}


def decode_timer(code: int, standard: bool = True) -> Timer:
    """What a code (0-255) means; `standard` is IDENTIFY word 49 bit 13."""
    if not 0 <= code <= 0xFF:
        raise Misuse(f"standby timer code {code} is not one byte")
    if not standard:
        return Timer(TimerKind.DEVICE)
    if code in _SPECIAL:
        return _SPECIAL[code]
    return Timer(TimerKind.PERIOD, code * 5 if code <= 0xF0 else (code - 0xF0) * 1800)


_CODES = {
    timer.seconds: code
    for code, timer in ((code, decode_timer(code)) for code in range(0x100))
    if timer.seconds is not None
}


def encode_timer(seconds: int) -> int:
    """The code of exactly this period, 0 for disabled; `Misuse` if no code says it."""
    if seconds == 0:
        return 0x00
    try:
        return _CODES[seconds]
    except KeyError:
        raise Misuse(f"no standby timer code means {seconds} s") from None


def nearest_code(seconds: float) -> int:
    """The code of the closest period; of two as close the longer, which sleeps less often.

    0 is disabled and stays so; nothing else is rounded to disabled. Beyond 5.5 h it is FBh.
    """
    if not 0 <= seconds < float("inf"):
        raise Misuse(f"{seconds} s is no period")
    if seconds == 0:
        return 0x00
    return _CODES[min(_CODES, key=lambda period: (abs(period - seconds), -period))]


class ApmBand(StrEnum):
    """The standard's bands of Advanced Power Management levels."""

    RESERVED = "reserved"  # 00h, FFh
    MINIMUM_WITH_STANDBY = "minimum_with_standby"  # 01h
    WITH_STANDBY = "with_standby"  # 02h-7Fh
    MINIMUM_WITHOUT_STANDBY = "minimum_without_standby"  # 80h
    WITHOUT_STANDBY = "without_standby"  # 81h-FDh
    MAXIMUM_PERFORMANCE = "maximum_performance"  # FEh

    @property
    def may_stand_by(self) -> bool:
        """True where the drive may stop its motor by itself. It need not: firmware decides."""
        return self in (ApmBand.MINIMUM_WITH_STANDBY, ApmBand.WITH_STANDBY)


def decode_apm(level: int) -> ApmBand:
    """The band of a level (0-255). ACS-3 "APM levels", from memory.

    The standard's promise only: a data-centre drive has no standby below 80h at all (Ultrastar
    HC580 specification, p280). APM and the standby timer act independently; the first one due wins
    (Travelstar 5K160 specification, p53).
    """
    if not 0 <= level <= 0xFF:
        raise Misuse(f"APM level {level} is not one byte")
    if level in (0x00, 0xFF):
        return ApmBand.RESERVED
    if level < 0x80:
        return ApmBand.MINIMUM_WITH_STANDBY if level == 0x01 else ApmBand.WITH_STANDBY
    if level == 0x80:
        return ApmBand.MINIMUM_WITHOUT_STANDBY
    return ApmBand.MAXIMUM_PERFORMANCE if level == 0xFE else ApmBand.WITHOUT_STANDBY
