"""What is wrong with a disk: the one list of findings that everything shows.

Rules: a condition gives its evidence, or nothing; the words are the table's (`texts`). The worst
comes first: by severity, then in the order of the table. Codes in `ALWAYS` are exported as 0 or 1,
since shipped rules read them, the others only while they hold. At most `EXPORTED` codes a disk
become series, the worst first; all of them are shown in words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from spinledger.facts import DiskView, Facts
from spinledger.findings.conditions import against_sleep
from spinledger.findings.rows import Words
from spinledger.findings.texts import POOL_TABLE, TABLE
from spinledger.findings.woken import named, remedy
from spinledger.model import Finding, Severity

ALWAYS = frozenset(
    {
        "absent",
        "awake_in_quiet_hours",
        "capability_missing",
        "never_slept",
        "not_sampled",
        "parks_heads_often",
        "probes_disturb",
        "probes_restart_timer",
        "retracts_rising",
        "sleep_does_not_pay",
        "spin_up_wait_lengthening",
        "state_unknown",
        "timer_differs",
        "timer_not_holding",
        "unobserved_cycles",
    }
)
NAMING = frozenset({"regular_access", "slept_too_little", "over_cycle_limit", "over_cycle_budget"})
"""Codes that name who wakes the disk, and what to do about that, where it is known."""

CODES: tuple[str, ...] = (*(row.code for row in TABLE), *(row.code for row in POOL_TABLE))
EXPORTED = 16
"""Series of `spinledger_disk_finding` a disk may have; that of the metric catalogue."""

_RANK = {severity: rank for rank, severity in enumerate(Severity)}
_SILENT: Mapping[str, int] = dict.fromkeys(sorted(ALWAYS), 0)


def judge(every: Sequence[Facts]) -> tuple[DiskView, ...]:
    """The disks with their findings, those that only several disks together show included."""
    groups: dict[str, list[Facts]] = {}
    for facts in every:
        groups.setdefault(facts.disk.wake_group, []).append(facts)
    shared: dict[str, list[Finding]] = {}
    for members in groups.values():
        for row in POOL_TABLE:
            for facts in members:
                if evidence := row.evidence(members).get(facts.disk.identity):
                    found = _finding(row.words, facts, evidence, None)
                    shared.setdefault(facts.disk.identity, []).append(found)
    return tuple(
        DiskView(facts, _ordered((*findings(facts), *shared.get(facts.disk.identity, ()))))
        for facts in every
    )


def missing(facts: Facts) -> DiskView:
    """A disk that is not here, with what that alone shows: its other facts are of the past."""
    return DiskView(facts, tuple(one for one in findings(facts) if one.code == "absent"))


def findings(facts: Facts) -> tuple[Finding, ...]:
    """What one disk's own facts show."""
    return _ordered(
        [
            _finding(row.words, facts, evidence, row.since and row.since(facts))
            for row in TABLE
            if (evidence := row.evidence(facts))
        ]
    )


def _ordered(found: Sequence[Finding]) -> tuple[Finding, ...]:
    return tuple(sorted(found, key=lambda one: _RANK[one.severity]))


def exported(view: DiskView) -> Mapping[str, int]:
    """1 by the code of each finding that holds, and 0 by codes that rules read."""
    held = dict(_SILENT)
    for finding in view.findings:
        if len(held) < EXPORTED or finding.code in held:
            held[finding.code] = 1
    return held


def _finding(words: Words, facts: Facts, evidence: str, since: int | None) -> Finding:
    if since is None:
        since = facts.found_wall_ns.get(words.code, facts.sampled_wall_ns)
    suggestion = words.suggestion
    if words.code in NAMING and facts.waker is not None:
        evidence = f"{evidence}; {named(facts.waker)}"
        suggestion = remedy(facts.waker)
    if words.for_sleep and (against := against_sleep(facts)):
        suggestion = f"Leave its timers as they are: {against}"
    return Finding(
        words.code,
        facts.disk.identity,
        words.sentence,
        evidence,
        suggestion,
        words.caution,
        words.ask_first,
        words.innocent,
        since,
        words.severity,
    )
