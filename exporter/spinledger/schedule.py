"""Quiet hours as the owner writes them: named weekly windows in local time.

Rules: frozen and slotted; no arithmetic. `quiet.hours` places the windows on the time line.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True, order=True)
class Window:
    """One weekly window in local time: from `day` at `start_minute`, `days_later` days on.

    Half open. An end of 24:00 is held as minute 0 of the day after.
    """

    day: int  # 0: Monday, as datetime.date.weekday()
    start_minute: int  # 0..1439, minutes after local midnight
    days_later: int  # 0..7: days from the beginning to the day of the end
    end_minute: int  # 0..1439, on the day of the end


@dataclass(frozen=True, slots=True)
class Schedule:
    """Named quiet hours. Windows may overlap; who counts them merges them."""

    name: str
    zone: str  # a name of the tz database
    windows: tuple[Window, ...]  # ascending, each once
    except_dates: frozenset[date] = frozenset()  # windows beginning on one of these are dropped

    @property
    def text(self) -> str:
        """The whole schedule as one text: equal for equal schedules."""
        days = sorted(day.isoformat() for day in self.except_dates)
        windows = [(w.day, w.start_minute, w.days_later, w.end_minute) for w in self.windows]
        return f"{self.name} {self.zone} {windows} {days}"
