"""The transition table: state x evidence -> state and record.

Rules: a table of data, complete over both enumerations; a pair that cannot occur has no row and
raises IllegalTransition before anything changes. Evidence about an interval (MOVED, STILL,
UNSEEN) takes effect at the interval's beginning; evidence about an instant (the drive's report, a
refusal, expiry) takes effect at that instant. A cycle is recorded where standby is followed by
spinning and nothing else: what happened behind an unknown or unobserved stretch is left to the
drive's own counters.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from spinledger.errors import IllegalTransition
from spinledger.model import Evidence, State

INTERVAL_EVIDENCE = frozenset({Evidence.MOVED, Evidence.STILL, Evidence.UNSEEN})


@dataclass(frozen=True, slots=True)
class Row:
    """Where the evidence leads, whether a spin-up is recorded, and why."""

    after: State
    cycle: bool
    because: str


_A, _I, _S, _U, _N = State.ACTIVE, State.IDLE, State.STANDBY, State.UNKNOWN, State.UNOBSERVED
_E = Evidence

TABLE: Mapping[tuple[State, Evidence], Row] = {
    (_A, _E.MOVED): Row(_A, False, "sectors still move"),
    (_A, _E.STILL): Row(_I, False, "it spun at the last sector and nothing moved since"),
    (_A, _E.REPORTED_SPINNING): Row(_A, False, "the drive agrees"),
    (_A, _E.REPORTED_STANDBY): Row(_S, False, "stopped by a command right after its last sector"),
    (_A, _E.REFUSED): Row(_A, False, "moving sectors are proof enough"),
    (_A, _E.UNSEEN): Row(_N, False, "not observed"),
    (_I, _E.MOVED): Row(_A, False, "sectors moved"),
    (_I, _E.STILL): Row(_I, False, "nothing moved"),
    (_I, _E.REPORTED_SPINNING): Row(_I, False, "the drive says it spins"),
    (_I, _E.REPORTED_STANDBY): Row(_S, False, "the drive says its motor stopped"),
    (_I, _E.REFUSED): Row(_U, False, "probed, and no state came back"),
    (_I, _E.EXPIRED): Row(_U, False, "may not be probed, and the last proof is too old"),
    (_I, _E.UNSEEN): Row(_N, False, "not observed"),
    (_S, _E.MOVED): Row(_A, True, "sectors moved: it spun up"),
    (_S, _E.STILL): Row(_S, False, "nothing moved"),
    (_S, _E.REPORTED_SPINNING): Row(_I, True, "the drive says it spins: it spun up"),
    (_S, _E.REPORTED_STANDBY): Row(_S, False, "the drive says its motor is stopped"),
    (_S, _E.REFUSED): Row(_U, False, "probed, and no state came back"),
    (_S, _E.UNSEEN): Row(_N, False, "not observed"),
    (_U, _E.MOVED): Row(_A, False, "sectors moved"),
    (_U, _E.STILL): Row(_U, False, "nothing moved, which says nothing"),
    (_U, _E.REPORTED_SPINNING): Row(_I, False, "the drive says it spins"),
    (_U, _E.REPORTED_STANDBY): Row(_S, False, "the drive says its motor is stopped"),
    (_U, _E.REFUSED): Row(_U, False, "probed, and no state came back"),
    (_U, _E.UNSEEN): Row(_N, False, "not observed"),
    (_N, _E.MOVED): Row(_A, False, "sectors moved"),
    (_N, _E.STILL): Row(_U, False, "watched again, state not known yet"),
    (_N, _E.REPORTED_SPINNING): Row(_I, False, "the drive says it spins"),
    (_N, _E.REPORTED_STANDBY): Row(_S, False, "the drive says its motor is stopped"),
    (_N, _E.REFUSED): Row(_U, False, "probed, and no state came back"),
    (_N, _E.UNSEEN): Row(_N, False, "still not observed"),
}


def follow(state: State, evidence: Evidence) -> Row:
    """The row for a state and a piece of evidence.

    Raises IllegalTransition when the pair cannot occur: only a proof can expire (from idle).
    """
    row = TABLE.get((state, evidence))
    if row is None:
        raise IllegalTransition(f"no row for {evidence.value} in state {state.value}")
    return row


TRANSITIONS: tuple[tuple[State, State], ...] = tuple(
    sorted({(state, row.after) for (state, _), row in TABLE.items() if row.after is not state})
)
"""Every change of state the table can make, for counters that start at zero."""


def diagram() -> str:
    """The table as a Mermaid state diagram; DEVELOPERS.md holds the result."""
    lines = ["stateDiagram-v2"]
    for before, after in TRANSITIONS:
        words = [
            evidence.value + (" (cycle)" if row.cycle else "")
            for (state, evidence), row in TABLE.items()
            if state is before and row.after is after
        ]
        lines.append(f"    {before.value} --> {after.value}: {', '.join(words)}")
    return "\n".join(lines) + "\n"
