"""Lines of the OpenMetrics text format 1.0, for series with timestamps of the past.

The client library renders the present state of a whole registry; a month of history is written line
by line, as it comes. Source: OpenMetrics 1.0, "Text format", ABNF.
"""

from __future__ import annotations

from collections.abc import Iterable

END = "# EOF\n"


def series(name: str, labels: Iterable[tuple[str, str]]) -> str:
    """The name with its labels: what stands before value and timestamp."""
    given = ",".join(f'{label}="{_escaped(text)}"' for label, text in labels)
    return f"{name}{{{given}}}"


def seconds(at_ms: int) -> str:
    """A timestamp in seconds, to the millisecond."""
    return f"{at_ms // 1000}.{at_ms % 1000:03}"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
