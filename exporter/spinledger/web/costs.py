"""What spinning costs and what sleep saves: energy so far and a year, money where a tariff is set.

Rules: pure. All of it is an estimate from the policy's watts, and the page says so. Figures a year
are at the pace of the time observed, from one observed day on. Saved is what sleep saved minus what
spin-ups cost; below zero, the words say `lost`. Without a tariff there is energy alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from spinledger.config.settings import Tariff
from spinledger.facts import DiskView
from spinledger.web.charts import watched_s
from spinledger.web.html import safe
from spinledger.whatif.energy import a_year, cost
from spinledger.words import kwh, money


@dataclass(frozen=True, slots=True)
class Power:
    """One disk's energy in joules; a year's is None while too little was observed."""

    spent: float
    saved: float  # negative: lost
    spent_a_year: float | None
    saved_a_year: float | None


def power(view: DiskView) -> Power:
    """From the ledger's totals."""
    totals = view.facts.totals
    spent = sum(totals.energy_j.values())
    saved = totals.saved_j - totals.lost_j
    watched = watched_s(view)
    return Power(spent, saved, a_year(spent, watched), a_year(saved, watched))


def together(views: Sequence[DiskView]) -> tuple[float, float] | None:
    """Joules a year that all disks spend and save; None unless it is known of each."""
    each = [power(view) for view in views]
    spent = [one.spent_a_year for one in each if one.spent_a_year is not None]
    saved = [one.saved_a_year for one in each if one.saved_a_year is not None]
    return (sum(spent), sum(saved)) if views and len(spent) == len(saved) == len(views) else None


def priced(joules: float, tariff: Tariff | None) -> str:
    """The amount, and its price: 12 kWh, 3.60 EUR."""
    if tariff is None:
        return kwh(joules)
    return f"{kwh(joules)}, {money(cost(joules, tariff.per_kwh), safe(tariff.currency))}"


def balance(joules: float, tariff: Tariff | None) -> str:
    """What was saved; a loss is called one."""
    amount = priced(joules, tariff)
    return f'<span class="bad">lost {amount}</span>' if joules <= -360 else amount
