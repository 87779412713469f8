"""Findings and states as HTML, for both pages.

Rules: a finding is shown once, with all the disks it holds for; everything a disk says is escaped.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from urllib.parse import quote

from spinledger.facts import DiskView
from spinledger.model import SECOND, Finding, Severity, State
from spinledger.web import runbooks
from spinledger.web.context import PageContext
from spinledger.web.frame import glyph
from spinledger.web.html import marked_up, safe
from spinledger.words import STATES, duration, lower_first, plural, since, why

NAMES = 8  # disks named in one
COARSE_S = 600  # from here on, whole minutes

Held = Sequence[tuple[DiskView, Finding]]  # one finding, of these disks


def link(view: DiskView) -> str:
    """The disk's short name, leading to its page."""
    where = quote(view.disk.identity, safe="")
    return f'<a href="/disk/{where}">{safe(view.disk.kernel_name)}</a>'


def state(view: DiskView, now: int) -> str:
    """Shape, word and since when; why, where it is not known."""
    word = STATES[view.state.value]
    if view.facts.condition is not None:
        word += f" ({view.facts.condition.value})"
    unknown = f": {safe(why(view.facts.why))}" if view.facts.why else ""
    return f"{glyph(view.state.value)}{word} {_lasting(view, now)}{unknown}"


def short_state(view: DiskView) -> str:
    """Shape and word alone."""
    return f"{glyph(view.state.value)}{STATES[view.state.value]}"


def _lasting(view: DiskView, now: int) -> str:
    """How long. A disk in occasional use is idle since its last I/O; a state that began while the
    disk was unobserved has an age of at least the time since.
    """
    began, untouched = view.facts.since_wall_ns, view.facts.untouched_wall_ns
    if view.state is State.IDLE and untouched is not None and untouched >= began:
        return f"for {_coarse(now - untouched)}"
    if view.state is State.ACTIVE:
        least = "" if view.facts.since_seen else "at least "
        return f"now, spinning for {least}{_coarse(now - began)}"
    if view.facts.since_seen:
        return f"for {_coarse(now - began)}"
    unused = "" if untouched is None else f", no I/O for {_coarse(now - untouched)}"
    return f"for at least {_coarse(now - began)}{unused}"


def _coarse(lasted_ns: int) -> str:
    lasted = lasted_ns / SECOND
    return duration(lasted // 60 * 60 if lasted >= COARSE_S else lasted)


def counts(views: Iterable[DiskView]) -> str:
    """2 idle, 5 asleep."""
    seen = [view.state.value for view in views]
    return ", ".join(
        f"{seen.count(one)} {STATES[one]}"
        for one in ("active", "idle", "standby", "unknown")
        if one in seen
    )


def findings(views: Sequence[DiskView], context: PageContext, now: int, alone: bool = False) -> str:
    """Every finding, the worst first. `alone`: of one disk, unnamed and unfolded."""
    groups: dict[tuple[str, str], list[tuple[DiskView, Finding]]] = {}
    for view in views:
        for finding in view.findings:
            groups.setdefault((finding.code, finding.sentence), []).append((view, finding))
    if not groups:
        return '<h2>Findings</h2><p class="soft">None.</p>'
    shown = " open" if alone else ""
    parts = [f"<h2>{plural(len(groups), 'finding')}</h2>"]
    ranks = list(Severity)
    worst_first = sorted(groups.items(), key=lambda group: ranks.index(group[1][0][1].severity))
    for (code, sentence), held in worst_first:
        parts.append(
            f'<details class="found" id="f-{safe(code)}"{shown}><summary><strong>'
            f"{safe(sentence.rstrip('.'))}</strong>{'' if alone else _names(held)}"
            f"{_first(held, context, now)}</summary>"
            f"{'' if alone else _links(held)}{_inside(held, context, alone)}</details>"
        )
    return "\n".join(parts)


def _first(held: Held, context: PageContext, now: int) -> str:
    """Since when, and what to try first, in the summary's second line."""
    suggestion = held[0][1].suggestion.rstrip(".")
    several = len({one.suggestion for _, one in held}) > 1
    whose = f", for {safe(held[0][0].disk.kernel_name)}" if several else ""
    begun = [one.since_wall_ns for _, one in held if one.since_wall_ns is not None]
    began = f"Since {since(min(begun), now, context.tz)}. " if begun else ""
    return (
        f'<br><span class="first">{began}First{whose}: {marked_up(lower_first(suggestion))}.</span>'
    )


def _names(held: Held) -> str:
    """Disks in the summary, without links, which would look like its own switch."""
    names = [safe(view.disk.kernel_name) for view, _ in held[:NAMES]]
    return f": {', '.join(names)}" + _more(held)


def _links(held: Held) -> str:
    return f"<p>{', '.join(link(view) for view, _ in held[:NAMES])}{_more(held)}</p>"


def _more(held: Held) -> str:
    return f" and {len(held) - NAMES} more" if len(held) > NAMES else ""


def _inside(held: Held, context: PageContext, alone: bool) -> str:
    _, first = held[0]
    seen = "".join(
        "<dd>"
        + ("" if alone or len(held) == 1 else f"{safe(view.disk.kernel_name)}: ")
        + f"{safe(finding.evidence)}</dd>"
        for view, finding in held[:NAMES]
        if finding.evidence
    )
    rows = [("Evidence", seen)] if seen else []
    if len({one.suggestion for _, one in held}) > 1:
        tries = "".join(
            f"<dd>{safe(view.disk.kernel_name)}: {marked_up(one.suggestion)}</dd>"
            for view, one in held[:NAMES]
        )
        rows.append(("What to try first", tries))
    rows += [
        (title, f"<dd>{marked_up(text)}</dd>")
        for title, text in (
            ("What it may cost", first.caution),
            ("Ask first", first.ask_first),
        )
        if text
    ]
    if first.innocent:
        others = "".join(f"<dd>{marked_up(text)}</dd>" for text in first.innocent)
        rows.append(("Other explanations", others))
    if runbook := runbooks.of_finding(context, first.code):
        rows.append(("Runbook", f"<dd>{runbook}</dd>"))
    return "<dl>" + "".join(f"<dt>{title}</dt>{text}" for title, text in rows) + "</dl>"
