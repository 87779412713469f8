"""Alerts that compare metric with metric: cycle limits, sleep in quiet hours, rated life."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import indent

from rules.parts import DISK, GROUP, UNLESS_FROZEN, Alert, Group, fresh
from spinledger.findings.limits import LATE, SOON, WINDOW_LASTS_NS
from spinledger.model import SECOND
from spinledger.wear.budget import HOLD_NS

HOLD_S = HOLD_NS // SECOND
"""How long an alert on the cycle budget stays after the last spin-up that reached the limit."""

WINDOW_LASTS_S = WINDOW_LASTS_NS // SECOND
"""How long a quiet window counts: nightly ones join without a break when the clocks change."""


def _reached(windows: Sequence[str], counted: str) -> str:
    """Spin-ups in one window, by wake group, for 6 h after another window's limit was reached."""
    reached = (
        f'spinledger_disk_cycle_limit_reached_timestamp_seconds{{window=~"{"|".join(windows)}"}}'
    )
    recent = f'spinledger_disk_recent_cycles{{window="{counted}"}}'
    return f"""
max by (job, instance, wake_group) (
  0 * ({fresh(reached)} > time() - {HOLD_S})
  + on (job, instance, disk) group_left () {fresh(recent)}
){UNLESS_FROZEN}"""


def _named(expr: str, known: str = "") -> str:
    """With model, serial and wake group of the disk; as it is where these are not known.

    `known` is a metric, one series a disk, without which the expression gives nothing: it stands in
    for lost names. Where there is none, the expression stands here twice: filtered first, it costs
    less than a join of all disks.
    """
    inside = indent(expr.strip(), "  ")
    names = f"topk by (job, instance, disk) (1, {fresh('spinledger_disk_info')})"
    joined = f"(\n{inside}\n)\n* on (job, instance, disk) group_left (model, serial, wake_group)"
    if known:
        return f"""
{joined} (
  {names}
  or on (job, instance, disk) {fresh(known)} ^ 0
)"""
    return f"""
{joined}
  {names}
or on (job, instance, disk) (
{inside}
)"""


_QUIET = "spinledger_disk_quiet_window"
_WINDOW_END = f"{_QUIET}_end_timestamp_seconds"
_SLEPT = f"""
{fresh(f"{_QUIET}_asleep_ratio")}
  < {fresh(f"{_QUIET}_asleep_min_ratio")} + {fresh(f"{_QUIET}_observed_ratio")} - 1
and {fresh(_WINDOW_END)} > time() - {WINDOW_LASTS_S}"""
_LIFE = "spinledger_disk_rated_life"
_HORIZON = f"{_LIFE}_horizon_seconds"
_LATE = f'{_LIFE}_end_timestamp_seconds{{bound="late"}}'
_USED_UP = f"{fresh(f'{_LIFE}_used_ratio')} >= 1"
_ENDS = f"""
(
  {fresh(_LATE)}
    < on (job, instance, disk) group_left () ({fresh(_HORIZON)} + time())
  unless on (job, instance, disk, kind) ({_USED_UP})
) - time()"""

HEADLINE = Group(
    "alerts/headline.yml",
    "spinledger-headline",
    "What is compared metric with metric: cycle limits, sleep in quiet hours, rated life.",
    (
        Alert(
            "DiskCyclesRunaway",
            "page",
            _reached(SOON, "1d"),
            f"{GROUP} spins up far too often: {{{{ $value }}}} spin-ups in the last day",
            "The spin-ups of 1, 3 or 6 hours or of a day reached the limit that follows from the "
            "cycle budget, within the last 6 hours. Each of them wears the drive. First find what "
            "wakes the disk: run `spinledger look` on the host.",
            why="No `for`: the windows do the waiting. A limit is reached by chance less than once "
            "in a thousand years of a disk. The count may stand at its limit for long, so the "
            "alert stays for 6 hours after the last spin-up that reached it. A pool spins up "
            "together, so there is one alert for each pool, or for each disk without a pool.",
            codes=("over_cycle_limit",),
        ),
        Alert(
            "DiskCycleBudgetBurning",
            "ticket",
            _reached(LATE, "30d"),
            f"{GROUP} spins up more often than its budget allows: {{{{ $value }}}} spin-ups in the "
            "last 30 days",
            "The spin-ups of 1, 2, 7 or 30 days reached a limit that follows from the cycle "
            "budget, within the last 6 hours. First find what wakes the disk: compare "
            "`spinledger history` with the timers and jobs of the host.",
            codes=("over_cycle_budget",),
        ),
        Alert(
            "DiskSleptTooLittleInQuietHours",
            "ticket",
            f"(\n{indent(_named(_SLEPT, _WINDOW_END).strip(), '  ')}\n){UNLESS_FROZEN}",
            f"{DISK} slept for {{{{ $value | humanizePercentage }}}} of its last quiet hours",
            "That is less than its configuration asks for (`limits.quiet_asleep_min`), even if it "
            "slept through all the time that was not observed. First see whether it was awake all "
            "the time or woken again and again: run `spinledger history` on the host.",
            why="Too little even if it slept through all unobserved time: asleep + (1 - observed) "
            "is less than the minimum. A window counts for 26 hours.",
            codes=("slept_too_little",),
        ),
        Alert(
            "DiskRatedLifeEndsTooSoon",
            "ticket",
            _named(_ENDS, _HORIZON),
            f"{DISK} will use up its rated {{{{ $labels.kind }}}} cycles within "
            "{{ $value | humanizeDuration }}",
            "That is the latest date that its record allows for, and it is earlier than the "
            "configured horizon (`limits.rated_life_horizon`). A rating is a design figure and no "
            "date of failure. First see what the cycles come from: run `spinledger history` on "
            "the host.",
            why="The late bound, so that the figure is sure; a delay of weeks in years costs "
            "nothing.",
            codes=("rated_life_ends_soon",),
        ),
        Alert(
            "DiskRatedLifeUsedUp",
            "ticket",
            _named(_USED_UP),
            f"{DISK} has done {{{{ $value | humanizePercentage }}}} of its rated "
            "{{ $labels.kind }} cycles",
            "A rating is a design figure and no date of failure. "
            "First make sure that a good backup exists of all that is on the disk.",
            codes=("rated_life_used_up",),
        ),
    ),
)
