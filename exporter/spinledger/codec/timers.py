"""Standby timer codes (COUNT of STANDBY, E2h, and IDLE, E3h), both directions.

Rules: a code means a period only if IDENTIFY word 49 bit 13 is set; otherwise the device manages
its timer itself. If word 50 bit 0 is set, the device lifts short periods to a minimum that it does
not report (MB500M technical reference, p27). The codes are not monotonic: FCh (21 min) follows FBh
(5.5 h). ATA has no command to read the timer back (from memory); these codes are for what an owner
declares.

    code      period                                     ACS-3 "Standby timer periods";
    00h       disabled                                   read in the Travan 40 manual, p105
    01h-F0h   code x 5 s
    F1h-FBh   (code - F0h) x 30 min
    FCh       21 min
    FDh       set by the maker between 8 h and 12 h: 8 h (Deskstar 7K1000.C specification, p134),
              10 h (Maxtor product manual, 7-47)
    FEh       reserved: 21 min 10 s (Deskstar 7K1000.C specification), 21 min 15 s (MHW2 BS
              specification, p125)
    FFh       21 min 15 s
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from spinledger.errors import Misuse


class TimerKind(StrEnum):
    """What a code is."""

    DISABLED = "disabled"
    PERIOD = "period"
    VENDOR = "vendor"
    RESERVED = "reserved"


@dataclass(frozen=True, slots=True)
class Timer:
    """A decoded code; `seconds` of a period only."""

    kind: TimerKind
    seconds: int | None = None


_SPECIAL = {
    0x00: Timer(TimerKind.DISABLED),
    0xFC: Timer(TimerKind.PERIOD, 21 * 60),
    0xFD: Timer(TimerKind.VENDOR),
    0xFE: Timer(TimerKind.RESERVED),
    0xFF: Timer(TimerKind.PERIOD, 21 * 60 + 15),
}


def decode_timer(code: int) -> Timer:
    """What a code (0x00-0xFF) means."""
    if not 0 <= code <= 0xFF:
        raise Misuse(f"standby timer code {code:#x} is not one byte")
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
