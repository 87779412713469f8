"""What the page says of a standby timer, and by which source; drives watched by the real loop.

Sources: ATA has no command that reads the standby timer back (ACS-3, from memory); the Power
Conditions log and mode page 1Ah give timers (Ultrastar HC580 specification, p207; Ultrastar
C15K600 specification, p188); below APM level 80h a drive may stop its motor (ACS-3).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from spinledger.facts import IdleBefore, ReadingEffect
from spinledger.findings.conditions import drift_ns
from spinledger.model import SECOND, Command
from spinledger.sim.kinds import Kind
from spinledger.web.timers import timer_facts
from tests.fakes.found import HOUR_S, by_hand, watch
from tests.fakes.watching import kind, with_timer

USES = [100.0 + 7200 * n + step for n in range(4) for step in range(0, 600, 20)]


def facts_of(drive: Kind, declared_s: float | None) -> dict[str, str]:
    """The facts after eight hours of use now and then."""
    return dict(timer_facts(watch(drive, USES, 8 * HOUR_S, with_timer(declared_s)).view))


def shown_of(known: dict[str, object], **disk: object) -> dict[str, str]:
    """The terms of a view made by hand."""
    return dict(timer_facts(by_hand({}, known, **disk)))


def test_a_legacy_timer_is_known_by_spin_downs_alone() -> None:
    """It cannot be read back, and the page says so; spin-downs agree with the declared one."""
    shown = facts_of(kind("plain", 1200), 1200)
    assert shown["Declared"] == "20 min"
    assert shown["Set in the drive"] == "a legacy ATA timer cannot be read"
    assert shown["Learned from its spin-downs"] == "20 min"
    assert shown["Difference to the declared timer"] == "none measurable"
    assert "Extended Power Conditions" not in shown


@pytest.mark.parametrize("name", ["epc", "sas"])
def test_timers_of_power_conditions_are_read(name: str) -> None:
    """Each condition with its timer, as the simulated drive was made."""
    shown = facts_of(kind(name, 1200), 1200)
    assert shown["Set in the drive"] == "20 min"
    assert (
        shown["Other power conditions"]
        == "idle_a 2 s, idle_b 2 min, idle_c 10 min, standby_y 15 min"
    )
    assert shown.get("Extended Power Conditions") == ("enabled" if name == "epc" else None)


def test_conditions_that_are_not_enabled_do_not_count() -> None:
    """Their log gives timers that do not run; the legacy timer cannot be read back."""
    timers = {"standby_z": 900.0, "idle_b": 120.0}
    shown = shown_of({"epc_enabled": False, "drive_timers_s": timers})
    assert shown["Extended Power Conditions"] == "not enabled"
    assert shown["Set in the drive"] == "a legacy ATA timer cannot be read"
    assert "Other power conditions" not in shown


def test_what_was_not_read_yet_is_not_called_unreadable() -> None:
    """A SCSI drive, or an ATA drive whose cached words promise the log, before a first reading."""
    for disk in ({"probe_method": Command.REQUEST_SENSE}, {"epc": True}):
        assert shown_of({}, **disk)["Set in the drive"] == "not read yet"
    assert "Set in the drive" not in shown_of({}, probe_method=None)


@pytest.mark.parametrize(
    ("timer_s", "declared_s", "words"),
    [
        (600, 1200, "earlier"),
        (1800, 1200, "later"),
        (600, 0, "later"),
        (1230, 1200, "none measurable"),
        (600, None, None),
    ],
)
def test_the_drift_between_declared_and_observed(
    timer_s: float, declared_s: float | None, words: str | None
) -> None:
    """The least that two agreeing spin-downs allow, so never more than the truth by over 5 s."""
    seen = watch(kind("plain", timer_s), USES, 8 * HOUR_S, with_timer(declared_s)).view
    drift, shown = (
        drift_ns(seen.facts),
        dict(timer_facts(seen)).get("Difference to the declared timer"),
    )
    if declared_s is None or words is None:
        assert (drift, shown) == (None, None)
        return
    assert shown is not None
    assert shown.endswith(words)
    truth = timer_s - declared_s
    assert drift is not None
    assert abs(drift) <= (abs(truth) + 5) * SECOND
    assert drift / SECOND == pytest.approx(0 if words.startswith("none") else truth, abs=65)


def test_no_difference_is_shown_before_two_spin_downs_agree() -> None:
    """One spin-down may be a command's."""
    seen = watch(kind("plain", 600), [1.0], HOUR_S).view
    assert drift_ns(seen.facts) is None
    assert seen.facts.observed_standby_ns == pytest.approx(600 * SECOND, abs=60 * SECOND)


@pytest.mark.parametrize(
    ("level", "words"),
    [(127, "127: may spin down by itself"), (128, "128: does not spin down by itself")],
)
def test_the_apm_level(level: int, words: str) -> None:
    """01h to 7Fh permit standby, 80h to FEh do not (ACS-3, from memory)."""
    assert shown_of({"apm_level": level})["APM level"] == words


def test_a_fresh_apm_level_goes_before_the_one_the_kernel_kept() -> None:
    """The kernel keeps IDENTIFY data from when the disk came; a reading gives the present one."""

    def level(apm: int | None, kept: int | None) -> int | None:
        watched = watch(replace(kind("plain", 1200), apm=apm), USES[:30], 700)
        watched.account.disk = replace(watched.account.disk, apm_level=kept)
        assert watched.account.reading is not None
        return watched.view.facts.apm_level or None

    assert level(apm=0x40, kept=0xFE) == 0x40
    assert level(apm=None, kept=0xFE) is None
    assert level(apm=0x80, kept=None) == 0x80


def test_a_reading_that_delays_spin_downs_is_shown() -> None:
    """Both kinds of spin-downs, how much later, and what follows from it."""
    read, unread = IdleBefore(12, 602.5, 0.3), IdleBefore(30, 600.0, 0.4)

    def shown(restarts: bool) -> str:
        effect = ReadingEffect(read, unread, 2.5, 0.5, restarts)
        return shown_of({"reading_effect": effect})["Effect of reading its counters"]

    error = "± 1.0 s; 12 and 30 spin-downs with and without a reading"
    assert shown(True) == f"spins down 2.5 s later, {error}: a reading restarts its timer"
    assert shown(False) == f"none, {error}"


def test_a_disk_just_plugged_in() -> None:
    """Of a disk just plugged in only the declared timer is known."""
    plain = by_hand()
    assert dict(timer_facts(plain)) == {
        "Declared": "20 min",
        "Set in the drive": "a legacy ATA timer cannot be read",
    }
    assert plain.policy.declared_ns == 1200 * SECOND
