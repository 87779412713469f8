"""Findings: what is wrong in plain words, as a table of data.

Rules: a row looks at one disk's view and gives its evidence, or nothing; the words are the row's.
Each suggestion says what it may cost and whose document to read first. Codes in `ALWAYS` are
exported as 0 or 1 for the shipped rules, the others only while they hold.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from spinledger.model import DiskView, Finding, Labels, Number, Reason

ALWAYS = frozenset({"questions_disturb", "questions_restart_timer"})


@dataclass(frozen=True, slots=True)
class Row:
    """One finding: its code, when it holds, and its words."""

    code: str
    evidence: Callable[[DiskView], str]  # "" while it does not hold
    sentence: str
    suggestion: str
    caution: str


def findings(view: DiskView) -> DiskView:
    """The view with its findings, as sentences and as samples by code."""
    found = []
    flags: dict[Labels, Number] = {(code,): 0 for code in sorted(ALWAYS)}
    for row in TABLE:
        evidence = row.evidence(view)
        if evidence:
            flags[(row.code,)] = 1
            found.append(
                Finding(
                    row.code,
                    view.disk.identity,
                    row.sentence,
                    evidence,
                    row.suggestion,
                    row.caution,
                )
            )
    samples: Mapping[str, Mapping[Labels, Number]] = {**view.samples, "finding": flags}
    return replace(view, samples=samples, findings=tuple(found))


def _count(view: DiskView, key: str, *labels: str) -> Number:
    return view.samples.get(key, {}).get(labels, 0)


def _disturbs(view: DiskView) -> str:
    kinds = ("woke", "slow_answer", "link_reset")
    times = {kind: _count(view, "observer_disturbances", kind) for kind in kinds}
    if not any(times.values()):
        return ""
    told = ", ".join(f"{kind} {count}" for kind, count in times.items() if count)
    peace = "; no longer asked" if _count(view, "probe_given_up") else "; silent until other I/O"
    return f"disturbances: {told}, with no other I/O or command at the time{peace}"


def _restarts(view: DiskView) -> str:
    if not _count(view, "observer_disturbances", "timer_restarted"):
        return ""
    return "awake through twice its timer while asked, asleep after one and a half without"


def _unasked(view: DiskView) -> str:
    return view.disk.unasked_because if view.disk.ask_method is None else ""


def _refused(view: DiskView) -> str:
    if not _count(view, "probe_given_up"):
        return ""
    lasting = (Reason.REJECTED, Reason.NO_REGISTERS)
    told = [f"{r} {n}" for r in lasting if (n := _count(view, "probe_failures", r.value))]
    return ", ".join(told)


def _forbidden(view: DiskView) -> str:
    count = _count(view, "probe_failures", Reason.PERMISSION.value)
    return f"refused by the kernel: {count}" if count else ""


def _uncounted(view: DiskView) -> str:
    return "" if view.disk.iostats else "queue/iostats is 0"


TABLE: tuple[Row, ...] = (
    Row(
        "questions_disturb",
        _disturbs,
        "Asking this drive for its power state seems to disturb it",
        "Set `watch: counters` for it; its sleep is then not seen, its I/O is",
        "A self-test or a background scan at that moment looks the same; see the maker's document",
    ),
    Row(
        "questions_restart_timer",
        _restarts,
        "A question restarts this drive's standby timer",
        "Nothing needs doing: it is asked less often than its timer now",
        "The idle time before its spin-downs is known only roughly from now on",
    ),
    Row(
        "state_not_askable",
        _unasked,
        "This disk's power state cannot be asked for",
        "Watch it through the controller's own tools; only its I/O is counted here",
        "Do not set spin-down timers behind a RAID controller: it may drop a slow member",
    ),
    Row(
        "state_refused",
        _refused,
        "This drive, or the bridge before it, does not answer the power state question",
        "Attach it directly, or behind a bridge that passes ATA commands and their registers",
        "Its state stays unknown; unknown is not standby",
    ),
    Row(
        "capability_missing",
        _forbidden,
        "The kernel does not let us ask this drive",
        "Give the program the capability CAP_SYS_RAWIO; membership of group disk is not enough",
        "The capability allows far more than is used here; the list of commands sent is closed",
    ),
    Row(
        "sectors_not_counted",
        _uncounted,
        "The kernel does not count this disk's sectors, so its I/O cannot be seen",
        "Write 1 to queue/iostats of this disk",
        "Costs a little time for each request",
    ),
)
