"""Findings: what is wrong in plain words, from the table in `advice`.

Rules: a row gives its evidence, or nothing; the words are the row's. Codes in `ALWAYS` are exported
as 0 or 1 for the shipped rules, the others only while they hold. At most `EXPORTED` codes a disk
become series, the table's first; all of them are told in words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from spinledger.findings.conditions import against_sleep
from spinledger.findings.texts import POOL_TABLE, TABLE, PoolRow, Row, Words
from spinledger.model import DiskView, Finding, Labels, Number

__all__ = [
    "ALWAYS",
    "CODES",
    "EXPORTED",
    "POOL_TABLE",
    "TABLE",
    "PoolRow",
    "Row",
    "findings",
    "pool_findings",
]

ALWAYS = frozenset(
    {
        "probes_disturb",
        "probes_restart_timer",
        "sleep_does_not_pay",
        "spin_up_wait_lengthening",
        "timer_not_holding",
    }
)
CODES: tuple[str, ...] = (*(row.code for row in TABLE), *(row.code for row in POOL_TABLE))
EXPORTED = 12
"""Series of `spinledger_disk_finding` a disk may have; that of the metric catalogue."""

_SILENT: Mapping[Labels, Number] = {(code,): 0 for code in sorted(ALWAYS)}
_CONDITIONS = tuple((row.evidence, row.words) for row in TABLE)


def findings(view: DiskView) -> DiskView:
    """The view with its own findings, as sentences and as samples by code."""
    found: tuple[Finding, ...] = ()
    for condition, words in _CONDITIONS:
        if evidence := condition(view):
            found += (_finding(words, view, evidence),)
    return _with(view, found)


def pool_findings(views: Sequence[DiskView]) -> tuple[DiskView, ...]:
    """All views, with what only several disks together show added."""
    groups: dict[str, list[DiskView]] = {}
    for view in views:
        groups.setdefault(view.disk.wake_group, []).append(view)
    added: dict[str, tuple[Finding, ...]] = {}
    by_identity = {view.disk.identity: view for view in views}
    for members in groups.values():
        for row in POOL_TABLE:
            for identity, evidence in row.evidence(members).items():
                finding = _finding(row.words, by_identity[identity], evidence)
                added[identity] = (*added.get(identity, ()), finding)
    if not added:
        return tuple(views)
    return tuple(
        _with(view, (*view.findings, *added[view.disk.identity]))
        if view.disk.identity in added
        else view
        for view in views
    )


def _finding(words: Words, view: DiskView, evidence: str) -> Finding:
    suggestion = words.suggestion
    if words.for_sleep and (against := against_sleep(view)):
        suggestion = f"Leave its timers as they are: {against}"
    return Finding(
        words.code,
        view.disk.identity,
        words.sentence,
        evidence,
        suggestion,
        words.caution,
        words.ask_first,
        words.innocent,
    )


def _with(view: DiskView, found: tuple[Finding, ...]) -> DiskView:
    flags = _SILENT
    if found:
        held = dict(_SILENT)
        for finding in found:
            if len(held) < EXPORTED or (finding.code,) in held:
                held[(finding.code,)] = 1
        flags = held
    samples: Mapping[str, Mapping[Labels, Number]] = {**view.samples, "finding": flags}
    return replace(view, samples=samples, findings=found)
