"""Rows of findings that compare a disk with its limits, or say that it is not watched.

Rules: as in `texts`; the worst first. Every one is read by an alert of the shipped rules, or holds
together with one (rules/headline.py).
"""

from __future__ import annotations

from spinledger.findings import limits
from spinledger.findings.rows import HOST, MAKER, OWNER, Row, Words
from spinledger.model import Severity

ALARMS: tuple[Row, ...] = (
    Row(
        Words(
            "over_cycle_limit",
            "This disk spins up far too often",
            "Find what wakes it: `spinledger capture` records which program uses it; until then a "
            "longer standby timer or none stops the wear",
            "A disk that is kept spinning uses its idle watts; a cache in front of it may lose "
            "what was written last at a power cut",
            OWNER,
            (
                "An evening of unusual use: ruled out as chance, a disk that keeps its budget "
                "reaches this limit once in a thousand years",
                "The budget is smaller than the use that is meant: compare with its usual day in "
                "`spinledger history`, and configure `budget_per_day`",
            ),
            severity=Severity.PAGE,
        ),
        limits.over_cycle_limit,
        limits.limit_since,
    ),
    Row(
        Words(
            "absent",
            "This disk is gone",
            "Find out whether somebody took it out on purpose; then add `watch: off` for it, or "
            "`may_be_absent: true` where it comes and goes",
            "Pulling or pushing another disk of a pool that lacks one may lose the pool",
            HOST,
            (
                "It was replaced: the evidence names disks that are new since then",
                "A cable, a port or a power supply: see `dmesg`; other disks there would be gone "
                "too",
            ),
            severity=Severity.TICKET,
        ),
        limits.absent,
    ),
    Row(
        Words(
            "not_sampled",
            "This disk is no longer sampled",
            "See whether the exporter runs and what it waits for: `systemctl status spinledger`",
            "What the disk does meanwhile is recorded as unobserved once it is sampled again",
            HOST,
            (
                "The host was suspended: ruled out, the exporter answers and its clock goes on",
                "One slow disk: a controller that resets a drive may hold all of its disks; see "
                "`dmesg`",
            ),
            severity=Severity.TICKET,
        ),
        limits.not_sampled,
        limits.sampled,
    ),
    Row(
        Words(
            "retracts_rising",
            "This disk's heads are often retracted in an emergency",
            "Check its power cable and supply, and that the host stops its disks before it is "
            "switched off",
            "An emergency retract wears the drive more than a head load does; the maker's manual "
            "has the figure",
            MAKER,
            (
                "The host was switched off that often: ruled out, power cycles are taken off",
                "A drive that counts every retract here: compare both counters over a week "
                "without a power cut",
            ),
            severity=Severity.TICKET,
        ),
        limits.retracts_rising,
    ),
    Row(
        Words(
            "rated_life_used_up",
            "This disk has done all the cycles it is rated for",
            "Make sure that a good backup exists of all that is on it, and plan its replacement",
            "A rating is a design figure and no date of failure; replacing a sound disk costs one",
            MAKER,
            (
                "The configured rating is that of another model: compare with the maker's document",
                "A drive from elsewhere came with cycles: its power-on hours show that",
            ),
            severity=Severity.TICKET,
        ),
        limits.rated_life_used_up,
    ),
    Row(
        Words(
            "over_cycle_budget",
            "This disk spins up more often than its budget allows",
            "Compare `spinledger history` with the timers and jobs of the host: what comes at "
            "those hours",
            "A job that is moved or bundled runs later; a longer standby timer uses more power",
            OWNER,
            (
                "A week of unusual use: ruled out as chance, a disk that keeps its budget reaches "
                "this limit once in a thousand years",
                "The budget is smaller than the use that is meant: configure `budget_per_day`",
            ),
            severity=Severity.TICKET,
        ),
        limits.over_cycle_budget,
        limits.budget_since,
    ),
    Row(
        Words(
            "slept_too_little",
            "This disk slept too little in its last quiet hours",
            "See in `spinledger history` whether it was awake all the time or woken again and "
            "again; then find what used it, or check its standby timer",
            "A shorter timer than before costs more spin-ups",
            OWNER,
            (
                "It slept while it was not observed: ruled out, that time counts as slept here",
                "A backup, a scrub or a rebuild that night: it ends by itself; its active time is "
                "in the strip of that night",
            ),
            for_sleep=True,
            severity=Severity.TICKET,
        ),
        limits.slept_too_little,
        limits.slept_since,
    ),
    Row(
        Words(
            "awake_in_quiet_hours",
            "This disk is awake in its quiet hours, although it is hardly used",
            "Find what uses it a little now and again: `spinledger capture` records which program "
            "does; where nothing does, check that its standby timer is set",
            "A shorter timer than before costs more spin-ups",
            OWNER,
            (
                "A backup, a scrub or a film: ruled out, those move far more than 16 MiB in ten "
                "minutes",
                "It waits for its timer after such use: ruled out, two timers and an hour have "
                "passed",
            ),
            for_sleep=True,
            severity=Severity.TICKET,
        ),
        limits.awake_in_quiet_hours,
        limits.awake_since,
    ),
    Row(
        Words(
            "state_unknown",
            "The power state of this disk has been unknown for an hour",
            "See why: run `sudo spinledger check` on the host",
            "Its sleep and its spin-ups are not recorded meanwhile; unknown is not standby. Back "
            "up before you touch the hardware",
            HOST,
            (
                "It is busy with a long self-test or an erase: both end by themselves; see the "
                "drive's own log",
            ),
            severity=Severity.TICKET,
        ),
        limits.state_unknown,
        limits.state_since,
    ),
    Row(
        Words(
            "unobserved_cycles",
            "This disk spins up more often than is observed",
            "See whether it sleeps and wakes within one probe interval: set `sample.slow` below "
            "its standby timer",
            "More probes a minute are sent to a disk that is idle; until then its cycle counts "
            "and its sleep are too low here",
            MAKER,
            (
                "The exporter was stopped meanwhile: ruled out, several readings in a row show it",
                "A drive that counts something else as a start: compare its counter before and "
                "after one spin-up",
            ),
            severity=Severity.TICKET,
        ),
        limits.unobserved_cycles,
    ),
    Row(
        Words(
            "rated_life_ends_soon",
            "This disk will use up its rated cycles sooner than configured",
            "See what the cycles come from in `spinledger history`, and compare timers with "
            "`spinledger replay`",
            "A longer standby timer uses more power; a rating is a design figure and no date of "
            "failure",
            MAKER,
            (
                "A month of unusual use: the date is the latest one that the record of a year "
                "allows for",
                "The configured rating is that of another model: compare with the maker's document",
            ),
            severity=Severity.TICKET,
        ),
        limits.rated_life_ends_soon,
    ),
)
