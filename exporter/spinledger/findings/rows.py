"""What a row of the tables of findings is made of.

Rules: a row is data; its condition is a function of one disk's facts or, of `PoolRow`, of the facts
of all disks of a pool. Where `since` is not given, a finding holds since it was first found.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from spinledger.facts import Facts
from spinledger.model import Severity

MAKER = "the drive maker's document"
HOST = "whoever administers this host"
OWNER = "whoever keeps data on it"
MONITORING = "whoever runs the monitoring of this host"


@dataclass(frozen=True, slots=True)
class Words:
    """What a finding says."""

    code: str
    sentence: str
    suggestion: str
    caution: str
    ask_first: str
    innocent: tuple[str, ...]
    for_sleep: bool = False
    severity: Severity = Severity.NOTE


@dataclass(frozen=True, slots=True)
class Row:
    """One finding about one disk."""

    words: Words
    evidence: Callable[[Facts], str]  # "" while it does not hold
    since: Callable[[Facts], int | None] | None = None  # wall time, nanoseconds

    @property
    def code(self) -> str:
        """The label value."""
        return self.words.code


@dataclass(frozen=True, slots=True)
class PoolRow:
    """One finding about the disks of a pool."""

    words: Words
    evidence: Callable[[Sequence[Facts]], dict[str, str]]  # identity -> evidence

    @property
    def code(self) -> str:
        """The label value."""
        return self.words.code
