"""Alerts that carry a finding: what is wrong with a disk is decided in the exporter alone.

The finding does the waiting, so these rules have no `for`.
"""

from __future__ import annotations

from rules.parts import DISK, UNLESS_FROZEN, Alert, Group, fresh


def _holds(codes: str, unless: str = UNLESS_FROZEN) -> str:
    """A finding of these codes, given as a regular expression where there are several."""
    equal = "=~" if "|" in codes else "="
    selected = f'spinledger_disk_finding{{code{equal}"{codes}"}}'
    return f"{fresh(selected)} == 1{unless}"


def _ticket(
    name: str, codes: str, summary: str, description: str, unless: str = UNLESS_FROZEN
) -> Alert:
    return Alert(
        name,
        "ticket",
        _holds(codes, unless),
        f"{DISK} {summary}",
        description,
        codes=tuple(codes.split("|")),
    )


FINDINGS = Group(
    "alerts/findings.yml",
    "spinledger-findings",
    "What the exporter found about a disk.",
    (
        _ticket(
            "DiskTimerNotHolding",
            "timer_not_holding",
            "no longer spins down when its standby timer is due",
            "It stayed idle well past its timer in one long gap, although it has slept by itself "
            "before. First set its standby timer again, the way your system does after a boot.",
        ),
        _ticket(
            "DiskNeverSlept",
            "never_slept",
            "has never spun down, although it was idle far longer than its timer",
            "A standby timer is declared for it and no sleep was ever observed. "
            "First see whether the timer was ever set.",
        ),
        _ticket(
            "DiskTimerDiffers",
            "timer_differs",
            "spins down by another timer than the declared one",
            "Quiet hours and figures that rest on the declared timer are wrong meanwhile. "
            "First compare the declared with the observed timer: run `spinledger look` on "
            "the host.",
        ),
        _ticket(
            "DiskDisturbedByProbes",
            "probes_disturb|probes_restart_timer",
            "is disturbed by probes ({{ $labels.code }})",
            "A probe of its power state wakes the drive, delays it, or restarts its standby timer. "
            "The exporter probes it less often from now on, or not at all. "
            "First read the finding on the exporter's page of this disk.",
        ),
        _ticket(
            "DiskSleepDoesNotPay",
            "sleep_does_not_pay",
            "sleeps too briefly to save energy",
            "Its spin-ups cost more energy than its sleep saves, by the configured watts and "
            "joules. First see which timer would pay: run `spinledger replay` on the ledger.",
        ),
        _ticket(
            "DiskSpinUpWaitLengthening",
            "spin_up_wait_lengthening",
            "takes longer to spin up than it used to",
            "The first request after a sleep waits longer than it did when the ledger began. "
            "This can be an early sign of a weak motor, bearing or power supply. "
            "First make sure that a good backup exists of all that is on the disk.",
        ),
        _ticket(
            "DiskParksHeadsOften",
            "parks_heads_often",
            "parks its heads too often without spinning down",
            "Each return of the heads is a load cycle, of which a drive has a rated number. "
            "First read the drive maker's document on the APM level and the idle_b timer.",
        ),
        _ticket(
            "DiskNotPermitted",
            "capability_missing",
            "may not be probed: the kernel does not permit it",
            "Its sleep and its spin-ups are not recorded meanwhile. First give the service the "
            "capability that it lacks: run `sudo spinledger check` on the host.",
        ),
        _ticket(
            "DiskAwakeInQuietHours",
            "awake_in_quiet_hours",
            "is awake in its quiet hours, although it is hardly used",
            "It had an hour and twice its timer to fall asleep, and little was read or written "
            "in that time. First see what uses it: run `spinledger look` on the host.",
        ),
        _ticket(
            "DiskCyclesUnobserved",
            "unobserved_cycles",
            "spins up more often than is observed",
            "The drive's own counter grew by more spin-ups than were observed, several times in a "
            "row, so its cycle counts and its time asleep are too low here. First compare its "
            "standby timer with `sample.slow` in the configuration.",
        ),
        _ticket(
            "DiskEmergencyRetracts",
            "retracts_rising",
            "retracts its heads in an emergency again and again",
            "That happens where power fails while the disk spins, and wears it more than a head "
            "load does. First check its power cable and supply.",
        ),
        _ticket(
            "DiskStateUnknown",
            "state_unknown",
            "has had an unknown power state for an hour",
            "Its sleep and its spin-ups are not recorded meanwhile. "
            "First see why: run `sudo spinledger check` on the host.",
        ),
        _ticket(
            "DiskSampleStale",
            "not_sampled",
            "has not been sampled for five minutes or longer",
            "Its power state, spin-ups and times are not recorded meanwhile. "
            "First see whether the exporter hangs: `journalctl -u spinledger` on the host.",
        ),
        _ticket(
            "DiskVanished",
            "absent",
            "is gone",
            "The ledger knows this disk and it is no longer there. Other alerts about it have "
            "resolved because data is missing, not because anything was fixed. "
            "First find out whether somebody took it out on purpose.",
            unless="",
        ),
    ),
)
