"""What is wrong with a disk: the one list of findings that everything shows.

Rules: a condition gives its evidence, or nothing; the words are the table's (`texts`). The worst
comes first: by severity, then in the order of the table. Codes in `ALWAYS` are exported as 0 or 1,
since shipped rules read them, the others only while they hold. At most `EXPORTED` codes a disk
become series, the worst first; all of them are shown in words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from spinledger.facts import DiskView, Facts
from spinledger.findings.conditions import against_sleep
from spinledger.findings.rows import Words
from spinledger.findings.texts import POOL_TABLE, TABLE
from spinledger.findings.woken import NOT_TRACED, explaining, named, remedy
from spinledger.model import Finding, Severity
from spinledger.words import lower_first

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
EXPLAINING = (
    "timer_not_holding",
    "member_keeps_pool_awake",
    "regular_access",
    "commands_keep_awake",
    "file_system_initialising",
    "probes_restart_timer",
    "never_slept",
    "timer_differs",
    "sectors_not_counted",
    "wear_reads_restart_timer",
)
"""Codes of findings that say why a disk does not sleep, the most telling first."""

AWAKE = frozenset({"slept_too_little", "awake_in_quiet_hours"})
"""Codes that say that it does not: they take the remedy of the finding that says why."""

CODES: tuple[str, ...] = (*(row.code for row in TABLE), *(row.code for row in POOL_TABLE))
EXPORTED = 18
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
        DiskView(facts, _explained(facts, [*findings(facts), *shared.get(facts.disk.identity, ())]))
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


def explanation(found: Sequence[Finding]) -> Finding | None:
    """The finding that says why a disk does not sleep; None: there is none."""
    by_code = {one.code: one for one in found}
    return next((by_code[code] for code in EXPLAINING if code in by_code), None)


def _explained(facts: Facts, found: Sequence[Finding]) -> tuple[Finding, ...]:
    """In their order; one remedy for a disk that is awake and for why it is."""
    why = explanation(found)
    return _ordered(
        [
            replace(
                one,
                evidence=f"{one.evidence}; {lower_first(why.sentence)}",
                suggestion=why.suggestion,
            )
            if why and one.code in AWAKE and not explaining(facts, one.code)
            else one
            for one in found
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
    if waker := explaining(facts, words.code):
        evidence = f"{evidence}; {named(waker)}"
        suggestion = remedy(waker)
    elif words.code == "regular_access":
        evidence = f"{evidence}; {NOT_TRACED}"
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
