"""The cases: one disk each, what it is, what happens to it and when.

A case is data. `play` turns any number of them into one scenario for `guest/scenario.py`: all at
once under one exporter (test_serve.py), or one case each under many exporters with a guard switched
off (test_without_guards.py). Intervals are short, so that each case fits into a minute:

    FAST 0.5 s     free signals
    SLOW 2 s       probes while idle
    ASLEEP 6 s     probes while in standby

`at` is in seconds after the exporters are ready. Every case begins with a read that starts its
standby timer, so that the idle time is known to both sides.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tests.lab.vm import AHCI_SERIALS, AHCI_WWNS

FAST_S, SLOW_S, ASLEEP_S = 0.5, 2.0, 6.0
DEADLINE_S = 10.0  # after which an unanswered probe counts as a timeout
LASTS_S = 54.0
SCRAPE_S = 1.0  # a scrape is much work for an emulated processor
PORT = 9786

Act = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Case:
    """One disk in the laboratory."""

    name: str
    because: str
    acts: tuple[Act, ...] = ()
    declared_s: float | None = None
    """The standby timer that the configuration declares."""
    quirks: tuple[str, ...] = ()
    answer_s: float = 0.0
    plugged: bool = True
    """An emulated drive; else an AHCI disk of the machine, called by its serial number."""


def asleep_by_timer(timer_s: float, *others: Act) -> tuple[Act, ...]:
    """A read at 1 s, from which the timer counts; then the other acts."""
    return ({"at": 1.0, "do": "arm", "timer_s": timer_s}, *others)


CASES = {
    case.name: case
    for case in (
        Case(
            "plain",
            "sleeps by its own timer, is read once, sleeps again",
            asleep_by_timer(9, {"at": 38.0, "do": "read"}),
            declared_s=9,
        ),
        Case(
            "ordered",
            "has no timer; another program sends STANDBY IMMEDIATE",
            (
                {"at": 1.0, "do": "read"},
                {"at": 12.0, "do": "send", "command": "standby-immediate"},
                {"at": 36.0, "do": "read"},
            ),
        ),
        Case(
            "flushed",
            "another program calls fsync while it sleeps",
            ({"at": 0.5, "do": "hold"}, *asleep_by_timer(8, {"at": 24.0, "do": "fsync"})),
            declared_s=8,
        ),
        Case(
            "restarter",
            "restarts its timer at every probe; read once that was found",
            asleep_by_timer(6, {"at": 30.0, "do": "read"}),
            declared_s=6,
            quirks=("restart-timer",),
        ),
        Case(
            "waker",
            "spins up at a probe",
            asleep_by_timer(6),
            declared_s=6,
            quirks=("wakes-on-probe",),
        ),
        Case(
            "rejecting",
            "refuses pass-through",
            asleep_by_timer(6),
            declared_s=6,
            quirks=("rejects",),
        ),
        Case(
            "aborting",
            "aborts the probe",
            asleep_by_timer(6),
            declared_s=6,
            quirks=("aborts",),
        ),
        Case(
            "silent",
            "its bridge returns no registers",
            asleep_by_timer(6),
            declared_s=6,
            quirks=("no-registers",),
        ),
        Case(
            "clear",
            "returns count 00h with ATA status 00h, and spins",
            ({"at": 1.0, "do": "read"},),
            quirks=("status-clear",),
        ),
        Case(
            "sas",
            "a SCSI drive, probed by REQUEST SENSE",
            asleep_by_timer(8, {"at": 38.0, "do": "read"}),
            declared_s=8,
            quirks=("sas",),
        ),
        Case(
            "bay",
            "carries the removable bit, so the kernel polls it every 2 s",
            asleep_by_timer(8),
            declared_s=8,
            quirks=("removable",),
        ),
        Case(
            "mover",
            "has one cycle, is pulled out, and comes back under another letter",
            (
                {"at": 1.0, "do": "read"},
                {"at": 4.0, "do": "send", "command": "standby-immediate"},
                {"at": 9.0, "do": "read"},
                {"at": 16.0, "do": "detach"},
                {"at": 24.0, "do": "attach"},
                {"at": 34.0, "do": "send", "command": "standby-immediate"},
                {"at": 44.0, "do": "read"},
            ),
        ),
        Case(
            "suspended",
            "the kernel's runtime power management stops it",
            ({"at": 4.0, "do": "suspend", "delay_ms": 1000}, {"at": 24.0, "do": "status"}),
        ),
        Case(
            "hanging",
            "stops answering probes and still hangs when the exporter stops",
            asleep_by_timer(8, {"at": 14.0, "do": "set", "hangs_on_probes": True}),
            declared_s=8,
        ),
        Case(
            "slow",
            "takes half a second to answer, as after a link reset",
            ({"at": 1.0, "do": "read"},),
            answer_s=0.5,
        ),
        Case(AHCI_SERIALS[0], "a disk behind libata, without other I/O", plugged=False),
        Case(
            AHCI_SERIALS[1],
            "a disk behind libata that another program puts to sleep for good",
            ({"at": 20.0, "do": "send", "command": "sleep"},),
            plugged=False,
        ),
    )
}

# Other programs read while it is awake, when it sleeps, and once or several times in a row: its
# counters are read at the end of use and within it. Its 4 s timer runs out in between.
USED_NOW_AND_THEN = asleep_by_timer(
    4, *({"at": at, "do": "read"} for at in (2.0, 9.0, 16.0, 18.5, 27.0, 28.0, 28.4, 36.0, 45.0))
)
WEAR_S = 2.0
"""How often the own counters of these cases' drives are read, in use."""

READ_CASES = {
    case.name: case
    for case in (
        Case("read", "takes log reads as it should", USED_NOW_AND_THEN, declared_s=4),
        Case(
            "read-waker",
            "spins up at a log read",
            USED_NOW_AND_THEN,
            declared_s=4,
            quirks=("wakes-on-record",),
        ),
        Case(
            "read-restarter",
            "restarts its timer at a log read",
            USED_NOW_AND_THEN,
            declared_s=4,
            quirks=("restarts-on-record",),
        ),
        Case(
            "read-sas",
            "a SCSI drive that does both",
            USED_NOW_AND_THEN,
            declared_s=4,
            quirks=("sas", "wakes-on-record", "restarts-on-record"),
        ),
    )
}
"""Drives whose own counters are read; the others' exporters read none."""

ALL_CASES = CASES | READ_CASES

LETTER_TAKEN_S = 20.0
"""While `mover` is out, another drive is plugged in and takes its letter."""


@dataclass(frozen=True, slots=True)
class Trial:
    """One exporter and the cases it watches."""

    name: str
    cases: Sequence[Case]
    path: str = "/exporter"
    """Where its source lies in the guest."""
    edited: str | None = None
    """The file below `path` that differs, or "" for none: then it is forked (guest/exporter.py)."""
    wear_s: float = 0.0
    """How often it reads the drives' own counters, in use; 0: never."""

    def drive(self, case: Case) -> str:
        """The name of the case's disk in this trial."""
        return f"{self.name}-{case.name}" if case.plugged else case.name


def identity(number: int) -> str:
    """The metric label of the emulated drive with this number (guest/drive.py, Traits.wwn)."""
    return f"wwn-0x{0x502A5B0000000000 + number:016x}"


def play(
    trials: Iterable[Trial], next_number: Callable[[], int], lasts_s: float
) -> tuple[dict[str, Any], dict[str, str]]:
    """The scenario for `guest/scenario.py`, and the metric label `disk` of each drive by name."""
    drives: list[dict[str, Any]] = []
    acts: list[Act] = []
    serves: list[dict[str, Any]] = []
    identities = dict(zip(AHCI_SERIALS, (f"wwn-{wwn}" for wwn in AHCI_WWNS), strict=True))
    for offset, trial in enumerate(trials):
        declared: dict[str, float | None] = {}
        for case in trial.cases:
            name = trial.drive(case)
            if case.plugged:
                number = next_number()
                identities[name] = identity(number)
                drives.append(_traits(case, name, number))
            declared[identities[name]] = case.declared_s
            acts += [{**act, "drive": name} for act in case.acts]
            if any(act["do"] == "detach" for act in case.acts):
                squatter = f"{trial.name}-squatter"
                drives.append({"name": squatter, "number": next_number(), "plugged": False})
                acts.append({"at": LETTER_TAKEN_S, "drive": squatter, "do": "attach"})
        serves.append(
            {
                "name": trial.name,
                "path": trial.path,
                "config": configuration(declared, trial.wear_s),
                "port": PORT + offset,
                "edited": trial.edited,
            }
        )
    scenario = {
        "drives": drives,
        "serves": serves,
        "acts": [act for act in acts if act["at"] < lasts_s - 1],
        "until_s": lasts_s,
        "scrape_s": SCRAPE_S,
    }
    return scenario, identities


def _traits(case: Case, name: str, number: int) -> dict[str, Any]:
    return {
        "name": name,
        "number": number,
        "quirks": list(case.quirks),
        "answer_s": case.answer_s,
    }


def configuration(declared: Mapping[str, float | None], wear_s: float) -> str:
    """A configuration that watches these disks and no other; declared timers in seconds."""
    every = f"{wear_s:g}s" if wear_s else "0"
    lines = [
        f"sample: {{fast: {FAST_S}s, slow: {SLOW_S}s, asleep: {ASLEEP_S}s}}",
        f"wear: {{every: {every}}}",
        "disks:",
    ]
    for disk, timer_s in declared.items():
        lines.append(f"  - match: {{identity: {disk}}}")
        if timer_s is not None:
            lines.append(f"    declared_timer: {timer_s:g}s")
    lines += ["  - match: {all: true}", "    watch: off"]
    return "\n".join(lines) + "\n"
