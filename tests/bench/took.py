"""How long each benchmark and each row of the proof took when it was last run in this environment.

Kept beside the packages of the tests' virtual environment, since it differs between machines.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

KEPT = Path(sys.prefix) / "spinledger-tests-took.json"


def read() -> dict[str, float]:
    """Seconds by part, such as `proof faults`."""
    with suppress(OSError, ValueError):
        return dict(json.loads(KEPT.read_text(encoding="utf-8")))
    return {}


def note(part: str, seconds: float) -> None:
    """A part has ended."""
    with suppress(OSError):
        KEPT.write_text(json.dumps({**read(), part: seconds}), encoding="utf-8")


def listed(group: str, parts: Mapping[str, str]) -> str:
    """Every part with its words, for --help, and the seconds where it was run before."""
    took = read()
    lines = []
    for name, words in parts.items():
        seconds = took.get(f"{group} {name}")
        lasted = "not run here" if seconds is None else f"{seconds:.0f} s"
        lines.append(f"  {name:15} {lasted:>12}  {words}")
    return "\n".join(["parts, how long each took here last, and what it shows:", *lines])
