"""The runbooks on the exporter's own pages, and which finding leads to which.

Rules: a runbook has the name of its alert; `/runbooks/NAME.md` is the same page, so that the links
between runbooks and `spinledger pack --runbook-base http://HOST:9786/runbooks` lead here.
"""

from __future__ import annotations

from collections.abc import Mapping

from spinledger.web import markdown
from spinledger.web.context import PageContext
from spinledger.web.frame import footer, page
from spinledger.web.html import safe

PATH = "/runbooks/"

OF_FINDING: Mapping[str, str] = {
    "absent": "DiskVanished",
    "awake_in_quiet_hours": "DiskAwakeInQuietHours",
    "capability_missing": "DiskNotPermitted",
    "never_slept": "DiskNeverSlept",
    "not_sampled": "DiskSampleStale",
    "over_cycle_budget": "DiskCycleBudgetBurning",
    "over_cycle_limit": "DiskCyclesRunaway",
    "parks_heads_often": "DiskParksHeadsOften",
    "probes_disturb": "DiskDisturbedByProbes",
    "probes_restart_timer": "DiskDisturbedByProbes",
    "rated_life_ends_soon": "DiskRatedLifeEndsTooSoon",
    "rated_life_used_up": "DiskRatedLifeUsedUp",
    "retracts_rising": "DiskEmergencyRetracts",
    "sleep_does_not_pay": "DiskSleepDoesNotPay",
    "slept_too_little": "DiskSleptTooLittleInQuietHours",
    "spin_up_wait_lengthening": "DiskSpinUpWaitLengthening",
    "state_unknown": "DiskStateUnknown",
    "timer_differs": "DiskTimerDiffers",
    "timer_not_holding": "DiskTimerNotHolding",
    "unobserved_cycles": "DiskCyclesUnobserved",
}
"""The runbook of the alert that carries a finding, by the finding's code."""


def runbook(context: PageContext, name: str, history: bool = True) -> str | None:
    """The page of a runbook; None where there is none of that name."""
    text = context.runbooks.get(name)
    if text is None:
        return None
    _, _, body = text.partition("\n")  # its first line is its name
    links = f'<p><a href="/">All disks</a> <a href="{PATH}">All runbooks</a></p>'
    inside = f'{links}<article class="text">{markdown.html(body)}</article>{footer(history)}'
    return page(f"{safe(name)} · Spinledger", safe(name), inside, context, fixed=True)


def index(context: PageContext, history: bool = True) -> str:
    """The list of all runbooks."""
    listed = "".join(f"<li>{link(name)}</li>" for name in context.runbooks)
    body = (
        '<p><a href="/">All disks</a></p><article class="text">'
        "<p>What each alert means, what it costs to leave it, how to find the reason, and what "
        f"to do.</p><ul>{listed}</ul></article>{footer(history)}"
    )
    return page("Runbooks · Spinledger", "Runbooks", body, context, fixed=True)


def link(name: str) -> str:
    """A link to the runbook of this name."""
    return f'<a href="{PATH}{safe(name)}">{safe(name)}</a>'


def of_finding(context: PageContext, code: str) -> str:
    """A link to the runbook of a finding; "" where it has none."""
    name = OF_FINDING.get(code, "")
    return link(name) if name in context.runbooks else ""
