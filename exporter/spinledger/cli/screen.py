"""Text for a terminal: columns that fit, colour where it helps, paragraphs that wrap.

Rules: independent of what is shown. Colour is on only where standard output is a terminal that
takes it and NO_COLOR (no-color.org) is unset or empty; all that a colour says is said in words or
signs too. Text from outside (models, pools) is stripped of control characters, so that no disk's
name can move the cursor.
"""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

PIPED_COLUMNS = 80
EXTRA = 3
LEAST = 14  # an elastic column is not cut below this


class Tone(StrEnum):
    """What a colour is for; values are parameters of SGR (ECMA-48, 8.3.117)."""

    PLAIN = ""
    ASLEEP = "34"
    UNKNOWN = "33"
    BAD = "1;31"
    TITLE = "1"


@dataclass(frozen=True, slots=True)
class Screen:
    """How wide and how tall the page is, and whether it may be coloured."""

    columns: int = PIPED_COLUMNS
    rows: int = 0  # 0: no end
    coloured: bool = False

    def paint(self, text: str, tone: Tone) -> str:
        """The text in its tone."""
        if not self.coloured or tone is Tone.PLAIN or not text.strip():
            return text
        return f"\x1b[{tone.value}m{text}\x1b[0m"


@dataclass(frozen=True, slots=True)
class Cell:
    """One value of a table."""

    text: str
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True, slots=True)
class Column:
    """One column: wide enough for its title and its widest cell, up to `most`.

    `rank` 0 stays whatever the width; the highest rank is left out first, `EXTRA` and above before
    any elastic column is cut.
    """

    title: str
    most: int
    rank: int = 0
    right: bool = False
    elastic: bool = False


def of_terminal(environment: Mapping[str, str]) -> Screen:
    """The screen that standard output is."""
    if not sys.stdout.isatty():
        return Screen(shutil.get_terminal_size((PIPED_COLUMNS, 24)).columns)
    size = shutil.get_terminal_size((PIPED_COLUMNS, 24))
    coloured = not environment.get("NO_COLOR") and environment.get("TERM", "") != "dumb"
    return Screen(max(20, size.columns), size.lines, coloured)


def clean(text: str) -> str:
    """Printable characters alone, blanks as they are."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)


def cut(text: str, width: int) -> str:
    """At most that many characters; two dots say that there was more."""
    return text if len(text) <= width else (text[: max(0, width - 2)] + "..")[:width]


def table(screen: Screen, columns: Sequence[Column], rows: Sequence[Sequence[Cell]]) -> list[str]:
    """A heading and a line a row, none longer than the screen is wide where that can be."""
    shown, widths = _fit(screen.columns, columns, rows)
    heads = [_placed(screen, Cell(columns[n].title), widths[n], columns[n]) for n in shown]
    lines = [screen.paint(" ".join(heads).rstrip(), Tone.TITLE)]
    for row in rows:
        cells = [_placed(screen, row[n], widths[n], columns[n]) for n in shown]
        lines.append(" ".join(cells).rstrip())
    return lines


def _fit(
    width: int, columns: Sequence[Column], rows: Sequence[Sequence[Cell]]
) -> tuple[list[int], dict[int, int]]:
    """Which columns are shown, and how wide each is."""
    widths = {}
    for n, column in enumerate(columns):
        widest = max((len(row[n].text) for row in rows), default=0)
        widths[n] = max(len(column.title), min(column.most, widest))
    shown = [n for n in range(len(columns)) if any(row[n].text for row in rows)]
    while True:
        fitted = {n: widths[n] for n in shown}
        over = sum(fitted.values()) + len(shown) - 1 - width
        last = max(shown, key=lambda n: (columns[n].rank, n), default=None)
        if over > 0 and (last is None or columns[last].rank < EXTRA):
            for n in shown:
                if columns[n].elastic and over > 0:
                    give = min(over, max(0, fitted[n] - max(LEAST, len(columns[n].title))))
                    fitted[n] -= give
                    over -= give
        if over <= 0 or last is None or columns[last].rank == 0:
            return shown, fitted
        shown.remove(last)


def _placed(screen: Screen, cell: Cell, width: int, column: Column) -> str:
    text = cut(cell.text, width)
    room = " " * (width - len(text))
    painted = screen.paint(text, cell.tone)
    return f"{room}{painted}" if column.right else f"{painted}{room}"


def paragraph(screen: Screen, mark: str, text: str, tone: Tone = Tone.PLAIN) -> list[str]:
    """`mark` and then the text, wrapped and hanging below itself."""
    wrapped = textwrap.wrap(
        clean(text),
        max(20, screen.columns),
        initial_indent=mark,
        subsequent_indent=" " * len(mark),
        break_on_hyphens=False,
    )
    return [screen.paint(line, tone) for line in wrapped or [mark.rstrip()]]


def animate(screen: Screen, lines: Sequence[str], write: Callable[[str], object]) -> None:
    """Draw over the last page, so that nothing flickers and nothing is left of it."""
    shown = list(lines)
    if screen.rows and len(shown) > screen.rows - 1:
        hidden = len(shown) - (screen.rows - 2)
        shown = [*shown[: screen.rows - 2], f"({hidden} more lines; `spinledger look` shows all)"]
    write("\x1b[H" + "".join(f"{line}\x1b[K\n" for line in shown) + "\x1b[J")
