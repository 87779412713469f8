"""The newest days of the books in memory, as they stand in the file.

Rules: at most `DAYS` days that have rows, so that a wrong clock costs days, never memory. The store
thread writes, any thread reads: each step is one operation on a dictionary.
"""

from __future__ import annotations

DAYS = 31


class Recent:
    """Blobs by day, then by kind and disk."""

    def __init__(self) -> None:
        self._days: dict[int, dict[tuple[str, str], bytes]] = {}
        self.whole = True  # no day was left out

    def put(self, kind: str, day: int, disk: str, blob: bytes) -> None:
        """Take a row, unless its day is too old."""
        rows = self._days.get(day)
        if rows is None:
            if len(self._days) >= DAYS:
                self.whole = False
                first = min(self._days)
                if day < first:
                    return
                del self._days[first]
            rows = self._days[day] = {}
        rows[kind, disk] = blob

    def first_day(self) -> int | None:
        """The oldest day held; None when all there is, is held."""
        days = list(self._days)
        return None if self.whole or not days else min(days)

    def get(self, kind: str, day: int, disk: str) -> bytes | None:
        """One row's blob; None when it is not held."""
        return self._days.get(day, {}).get((kind, disk))

    def rows(
        self, kind: str, first_day: int, disk: str | None
    ) -> list[tuple[str, int, str, bytes]]:
        """Kind, day, disk and blob, in order."""
        return sorted(
            (kind, day, name, blob)
            for day, rows in list(self._days.items())
            if day >= first_day
            for (row_kind, name), blob in list(rows.items())
            if row_kind == kind and disk in (None, name)
        )
