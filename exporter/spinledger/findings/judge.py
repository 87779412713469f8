"""What is wrong with a disk: the one list of findings that everything shows.

Rules: a condition gives its evidence, or nothing; the words are the table's (`texts`). Codes in
`ALWAYS` are exported as 0 or 1, since shipped rules read them, the others only while they hold. At
most `EXPORTED` codes a disk become series, the table's first; all of them are shown in words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from spinledger.facts import DiskView, Facts
from spinledger.findings.conditions import against_sleep
from spinledger.findings.texts import POOL_TABLE, TABLE, Words
from spinledger.model import Finding

ALWAYS = frozenset(
    {
        "capability_missing",
        "never_slept",
        "parks_heads_often",
        "probes_disturb",
        "probes_restart_timer",
        "sleep_does_not_pay",
        "spin_up_wait_lengthening",
        "timer_differs",
        "timer_not_holding",
    }
)
CODES: tuple[str, ...] = (*(row.code for row in TABLE), *(row.code for row in POOL_TABLE))
EXPORTED = 12
"""Series of `spinledger_disk_finding` a disk may have; that of the metric catalogue."""

_SILENT: Mapping[str, int] = dict.fromkeys(sorted(ALWAYS), 0)


def judge(every: Sequence[Facts]) -> tuple[DiskView, ...]:
    """The disks with their findings, those that only several disks together show included."""
    groups: dict[str, list[Facts]] = {}
    for facts in every:
        groups.setdefault(facts.disk.wake_group, []).append(facts)
    shared: dict[str, list[tuple[Words, str]]] = {}
    for members in groups.values():
        for row in POOL_TABLE:
            for identity, evidence in row.evidence(members).items():
                shared.setdefault(identity, []).append((row.words, evidence))
    return tuple(
        DiskView(facts, (*findings(facts), *_findings(facts, shared.get(facts.disk.identity, ()))))
        for facts in every
    )


def findings(facts: Facts) -> tuple[Finding, ...]:
    """What one disk's own facts show."""
    return _findings(
        facts, [(row.words, evidence) for row in TABLE if (evidence := row.evidence(facts))]
    )


def exported(view: DiskView) -> Mapping[str, int]:
    """1 by the code of each finding that holds, and 0 by codes that rules read."""
    held = dict(_SILENT)
    for finding in view.findings:
        if len(held) < EXPORTED or finding.code in held:
            held[finding.code] = 1
    return held


def _findings(facts: Facts, found: Sequence[tuple[Words, str]]) -> tuple[Finding, ...]:
    return tuple(_finding(words, facts, evidence) for words, evidence in found)


def _finding(words: Words, facts: Facts, evidence: str) -> Finding:
    suggestion = words.suggestion
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
    )
