"""The real `spinledger serve` on a real kernel, judged by the drives' own logs.

One run of all cases (cases.py) feeds every test here. Intervals: free signals every 0.5 s,
probes every 2 s while idle and every 6 s in standby. The number of probes that the tests expect
is the sampling rule (`spinledger.sampler`) worked out by hand, plus or minus one.

test_without_guards.py calls these same functions with evidence from an exporter whose guard was
switched off, and expects them to fail. So a test takes `served`, and `case` where it is about
several.
"""

from __future__ import annotations

import pytest

from tests.lab.cases import ASLEEP_S, CASES, DEADLINE_S, FAST_S, SLOW_S
from tests.lab.evidence import Evidence
from tests.lab.guest.names import STATE_PROBES

LATE_S = 2.0  # two fast intervals, a scrape interval, and half a second for a loaded machine
DRIVES = [name for name, case in CASES.items() if case.plugged]


# What holds for every exporter


def lived(served: Evidence) -> None:
    """The exporter was ready, ran to the end and answered every scrape."""
    assert served.served["ready"], served.served["log"]
    assert served.served["code"] == 0, served.served["log"]
    assert all("spinledger_build_info" in scrape["text"] for scrape in served.scrapes)


def test_exporter_ran_to_the_end(served: Evidence) -> None:
    """It served every scrape and ended with exit code 0."""
    lived(served)


def test_stops_within_two_seconds_while_a_drive_hangs(served: Evidence) -> None:
    """SIGTERM ends it cleanly although a probe is still outstanding."""
    assert [row for row in served.probes("hanging") if row["held"]]
    assert served.served["code"] == 0
    assert served.served["stopped_s"] is not None
    assert served.served["stopped_s"] < 2.0


@pytest.mark.parametrize("case", CASES)
def test_state_seconds_add_up_to_the_time_watched(served: Evidence, case: str) -> None:
    """Between the first and the last scrape, all states together grow by the time between."""
    seconds: dict[float, float] = {}
    for at, value in served.series("spinledger_disk_state_seconds_total", case):
        seconds[at] = seconds.get(at, 0.0) + value
    watched = dict(served.series("spinledger_disk_last_sample_timestamp_seconds", case))
    first, last = min(seconds), max(seconds)
    assert last - first > 45
    assert seconds[last] - seconds[first] == pytest.approx(watched[last] - watched[first], abs=0.01)


@pytest.mark.parametrize("case", DRIVES)
def test_commands_counted_are_commands_the_drive_got(served: Evidence, case: str) -> None:
    """probe_commands_total agrees with the drive's own log."""
    counted = served.final("spinledger_disk_probe_commands_total", case) or 0
    assert counted == pytest.approx(len(served.probes(case, until=served.ended)), abs=1)


@pytest.mark.parametrize("case", DRIVES)
def test_nothing_but_probes_is_sent(served: Evidence, case: str) -> None:
    """Beyond what others did to it, a drive gets CHECK POWER MODE or REQUEST SENSE and no more."""
    quiet = served.act(case, CASES[case].acts[-1]["do"], -1)["done"] + 2.0
    others = {"TEST UNIT READY"} if case == "bay" else set()
    got = {row["what"] for row in served.commands(case, since=quiet, until=served.ended)}
    assert got - others <= set(STATE_PROBES)


@pytest.mark.parametrize("case", ["plain", "flushed", "sas", "restarter"])
def test_stopping_the_exporter_wakes_no_drive(served: Evidence, case: str) -> None:
    """Within 3 s after its end no drive has got a command: its descriptors were read-only."""
    assert served.commands(case, since=served.ended + served.served["stopped_s"]) == []


def test_guest_disk_is_skipped(served: Evidence) -> None:
    """The machine's own virtio disk claims to rotate; it is skipped, and counted."""
    text = served.scrapes[-1]["text"]
    assert 'spinledger_disks_skipped{reason="virtio"} 1.0' in text
    assert 'kernel_name="vd' not in text


# A plain drive


def test_sleep_by_its_own_timer_is_seen(served: Evidence) -> None:
    """Standby is shown soon after the timer ran out, and not before."""
    seen_asleep(served, "plain")


def test_sleeping_drive_sleeps_on(served: Evidence) -> None:
    """Until it is read it gets only probes, and none of them wakes it."""
    sleeps_on(served, "plain")


def test_number_of_probes_while_idle(served: Evidence) -> None:
    """Every 2 s up to 1 s before its 9 s timer is due, then every 0.5 s until it sleeps."""
    read = served.act("plain", "arm")["done"]
    asleep, _ = first_sleep(served, "plain")
    expected = (9 - SLOW_S / 2) // SLOW_S + (SLOW_S / 2) / FAST_S
    assert len(served.probes("plain", read, asleep)) == pytest.approx(expected, abs=1)


def test_number_of_probes_while_asleep(served: Evidence) -> None:
    """Once in standby, one probe every 6 s."""
    _, woken = first_sleep(served, "plain")
    seen = first_seen(served, "plain", "standby")
    expected = (woken - seen) // ASLEEP_S
    assert len(served.probes("plain", seen, woken)) == pytest.approx(expected, abs=1)


def test_read_by_another_program_is_recorded_within_one_fast_interval(served: Evidence) -> None:
    """The recorded beginning of spinning is within 0.5 s of the read."""
    recorded_in_time(served, "plain", "read")


def test_one_wake_is_one_cycle(served: Evidence) -> None:
    """As many observed cycles as the drive counted starts."""
    woken = [row for row in served.commands("plain") if row["woke"]]
    assert len(woken) == 1
    assert served.final("spinledger_disk_cycles_total", "plain", observed="yes") == 1


def test_wait_for_the_platters_is_what_the_drive_took(served: Evidence) -> None:
    """One read woke it: the kernel's times give its wait to 0.1 s, whatever the samples."""
    (woken,) = [row for row in served.commands("plain") if row["woke"]]
    wait = "spinledger_disk_wake_wait_seconds"
    assert served.final("spinledger_disk_wakes_total", "plain", cause="read") == 1
    assert served.final(f"{wait}_count", "plain") == 1
    took = woken["done"] - woken["at"]
    assert took > 0.9
    assert served.final(f"{wait}_sum", "plain") == pytest.approx(took, abs=0.1)


def test_standby_seconds_match_the_drive(served: Evidence) -> None:
    """Recorded standby differs from the drive's log by less than a second a spin-down."""
    stretches = served.slept("plain")
    slept = sum(until - since for since, until in stretches)
    recorded = served.final("spinledger_disk_state_seconds_total", "plain", state="standby")
    assert recorded == pytest.approx(slept, abs=(FAST_S + 0.5) * len(stretches))


# Put to sleep by another program


def test_standby_by_another_program_is_seen(served: Evidence) -> None:
    """A foreign command moves the request count, so the drive is probed at once."""
    seen_asleep(served, "ordered")


def test_drive_put_to_sleep_sleeps_on(served: Evidence) -> None:
    """Our probes do not wake it."""
    sleeps_on(served, "ordered")


def test_wake_of_a_drive_put_to_sleep_is_recorded(served: Evidence) -> None:
    """The read at 36 s is one cycle, recorded in time."""
    recorded_in_time(served, "ordered", "read", -1)
    assert served.final("spinledger_disk_cycles_total", "ordered", observed="yes") == 1


# An fsync that does not spin it up


def test_fsync_is_not_a_cycle(served: Evidence) -> None:
    """Only SYNCHRONIZE CACHE reached the drive; it stays in standby and no cycle is recorded."""
    at = served.act("flushed", "fsync")["began"]
    assert served.commands("flushed", "SYNCHRONIZE CACHE", since=at)
    assert not any(row["woke"] for row in served.commands("flushed"))
    assert {state for _, state in served.states("flushed", since=at - 2)} == {"standby"}
    assert served.final("spinledger_disk_cycles_total", "flushed", observed="yes") == 0


def test_fsync_leads_to_one_probe(served: Evidence) -> None:
    """One probe within three fast intervals of the fsync, then the usual 6 s."""
    at = served.act("flushed", "fsync")["began"]
    assert len(served.probes("flushed", at, at + 3 * FAST_S)) == 1
    assert len(served.probes("flushed", at, at + 2 * ASLEEP_S)) <= 3


# Drives that a probe disturbs


def test_timer_restarting_drive_is_found(served: Evidence) -> None:
    """Kept awake by probes through twice its timer, it sleeps in the pause that follows."""
    read = served.act("restarter", "arm")["done"]
    asleep, _ = first_sleep(served, "restarter")
    assert asleep - read > 2 * 6 - SLOW_S
    code = "probes_restart_timer"
    assert served.final("spinledger_disk_finding", "restarter", code=code) == 1


def test_timer_restarting_drive_sleeps_once_found(served: Evidence) -> None:
    """After the next read it is not probed before it sleeps at its 6 s, and that is recorded."""
    read = served.act("restarter", "read")["done"]
    assert served.probes("restarter", read, read + 6) == []
    assert any(since == pytest.approx(read + 6, abs=0.5) for since, _ in served.slept("restarter"))
    assert "standby" in {state for _, state in served.states("restarter", since=read + 6)}


def test_waking_drive_is_found(served: Evidence) -> None:
    """The spin-up counts as a disturbance of ours, and there is a finding."""
    assert [row for row in served.probes("waker") if row["woke"]]
    assert served.final("spinledger_disk_probe_disturbances_total", "waker") == 1
    assert served.final("spinledger_disk_finding", "waker", code="probes_disturb") == 1


def test_waking_drive_is_no_longer_probed(served: Evidence) -> None:
    """It wakes once and, without foreign I/O, never again."""
    assert len([row for row in served.commands("waker") if row["woke"]]) == 1
    assert served.slept("waker")[-1][1] == served.ended


def test_slow_answer_is_one_disturbance_and_then_silence(served: Evidence) -> None:
    """Half a second for a reply, without other I/O: it may have been a reset."""
    disturbed_then_silent(served, "slow", "slow_answer")


def test_cleared_status_is_one_disturbance_and_then_silence(served: Evidence) -> None:
    """ATA status 00h shows a link reset, which our probe brought about."""
    disturbed_then_silent(served, "clear", "link_reset")


# Drives that report no state


@pytest.mark.parametrize("case", ["rejecting", "aborting", "silent", "clear"])
def test_a_drive_without_a_state_is_unknown_never_standby(served: Evidence, case: str) -> None:
    """Refusals, missing registers and 00h with ATA status 00h are unknown, asleep or awake."""
    states = served.states(case)
    assert served.probes(case)
    assert "standby" not in {state for _, state in states}
    assert states[-1][1] == "unknown"
    assert served.final("spinledger_disk_state_seconds_total", case, state="standby") in (0, None)


@pytest.mark.parametrize("case", ["rejecting", "silent"])
def test_drive_that_reports_no_state_is_given_up(served: Evidence, case: str) -> None:
    """After three refusals of a lasting kind it is no longer probed, and a metric shows it."""
    assert len(served.probes(case)) <= 3
    assert served.final("spinledger_disk_probe_given_up", case) == 1


# A SCSI drive


def test_sas_drive_is_probed_by_request_sense_alone(served: Evidence) -> None:
    """No ATA pass-through ever reaches it."""
    assert served.commands("sas", "REQUEST SENSE")
    assert not [row for row in served.commands("sas") if row["cdb"][:2] in ("85", "a1")]


def test_sas_standby_is_seen_with_its_condition(served: Evidence) -> None:
    """5Eh/02h is standby_z by timer (from memory)."""
    seen_asleep(served, "sas")
    name = "spinledger_disk_power_condition"
    since, until = first_sleep(served, "sas")
    shown = [
        value
        for at, value in served.series(name, "sas", **{name: "standby_z"})
        if since + LATE_S < at < until
    ]
    assert shown
    assert set(shown) == {1}


def test_sas_drive_sleeps_on(served: Evidence) -> None:
    """REQUEST SENSE does not wake it, and its wake by a read is one cycle."""
    sleeps_on(served, "sas")
    recorded_in_time(served, "sas", "read")
    assert served.final("spinledger_disk_cycles_total", "sas", observed="yes") == 1


# A hot-plug bay


def test_removable_disk_is_watched_and_sleeps_on(served: Evidence) -> None:
    """The kernel's own polling neither hides its sleep nor leads to probes without end."""
    seen_asleep(served, "bay")
    sleeps_on(served, "bay", "TEST UNIT READY")
    since, until = first_sleep(served, "bay")
    assert len(served.probes("bay", since, until)) <= (until - since) // ASLEEP_S + 5


def test_one_descriptor_is_held_open(served: Evidence) -> None:
    """Each open would cost a removable disk two more TEST UNIT READY than the kernel's own."""
    since = served.act("bay", "arm")["done"] + 2
    polls = served.commands("bay", "TEST UNIT READY", since=since, until=served.ended)
    assert len(polls) <= (served.ended - since) / 2 + 3


def test_replugged_disk_keeps_identity_and_counters(served: Evidence) -> None:
    """Under another letter it is the same series: its cycles go on from one to two."""
    first, second = served.report["attached"][served.drive("mover")]
    assert first != second
    names = [labels["kernel_name"] for _, labels in served.labels("spinledger_disk_info", "mover")]
    assert names
    assert (names[0], names[-1]) == (first, second)
    cycles = served.series("spinledger_disk_cycles_total", "mover", observed="yes")
    values = [value for _, value in cycles]
    assert values == sorted(values)
    assert values[-1] == 2


def test_absent_disk_has_no_series(served: Evidence) -> None:
    """While it is out its series are gone, and only its absence has one."""
    out = served.act("mover", "detach")["done"] + LATE_S
    back = served.act("mover", "attach")["began"]
    assert [at for at, _ in served.states("mover") if out < at < back] == []
    absent = served.series("spinledger_disk_absent_since_timestamp_seconds", "mover")
    assert [at for at, _ in absent if out < at < back]


# A disk that the kernel's runtime power management holds down


def test_suspended_disk_is_never_resumed(served: Evidence) -> None:
    """After the kernel stopped it, not one command comes, and it is still suspended at 24 s."""
    stops = served.commands("suspended", "START STOP UNIT")
    assert stops
    assert served.probes("suspended", until=stops[0]["at"])
    assert served.commands("suspended", since=stops[0]["at"] + 0.01) == []
    assert served.act("suspended", "status")["value"] == "suspended"


# A drive that hangs


def test_hanging_drive_becomes_unknown(served: Evidence) -> None:
    """The deadline passes, a timeout is counted and its state is unknown."""
    (held,) = (row for row in served.probes("hanging") if row["held"])
    states = served.states("hanging", since=held["at"] + DEADLINE_S + FAST_S + LATE_S)
    assert {state for _, state in states} == {"unknown"}
    failures = "spinledger_disk_probe_failures_total"
    assert served.final(failures, "hanging", reason="timeout") == 1


def test_hanging_drive_is_sent_nothing_more(served: Evidence) -> None:
    """The outstanding probe is the last command; and no time limit of the kernel's ran out."""
    (held,) = (row for row in served.probes("hanging") if row["held"])
    assert served.commands("hanging", since=held["at"] + 0.001, until=served.ended) == []
    assert served.report["timeouts"][served.drive("hanging")] == 0


# Disks behind libata


def test_ahci_disk_is_watched_without_a_link_reset(served: Evidence) -> None:
    """Its probes leave no trace in the kernel log, and it is idle throughout."""
    assert (served.final("spinledger_disk_probe_commands_total", "AHCI0001") or 0) > 10
    assert served.kernel("ata1") == []
    assert {state for _, state in served.states("AHCI0001", since=4)} == {"idle"}


def test_sleeping_ahci_disk_is_disturbed_once(served: Evidence) -> None:
    """The probe that follows SLEEP resets the link once; after that it is no longer probed."""
    assert len(served.kernel("ata2", "SATA link up")) == 1
    sent = "spinledger_disk_probe_commands_total"
    asleep = served.act("AHCI0002", "send")["done"] + LATE_S
    later = [value for at, value in served.series(sent, "AHCI0002") if at > asleep]
    assert later[0] == later[-1]
    assert served.final("spinledger_disk_probe_disturbances_total", "AHCI0002") == 1
    assert "standby" not in {state for _, state in served.states("AHCI0002")}


# What the tests above have in common


def disturbed_then_silent(served: Evidence, case: str, kind: str) -> None:
    """After the read it is probed once more and no further, and each time counts."""
    assert len(served.probes(case, since=served.act(case, "read")["done"])) == 1
    counted = served.final("spinledger_disk_probe_disturbances_total", case, kind=kind)
    assert counted is not None
    assert 1 <= counted <= 2


def first_seen(served: Evidence, case: str, state: str, since: float = 0.0) -> float:
    """The first scrape that shows this state."""
    found = [at for at, shown in served.states(case, since) if shown == state]
    assert found, f"{case} never showed {state}"
    return found[0]


def first_sleep(served: Evidence, case: str) -> tuple[float, float]:
    """When the drive first slept, by its own log."""
    slept = served.slept(case)
    assert slept, f"{case} never slept"
    return slept[0]


def seen_asleep(served: Evidence, case: str) -> None:
    """Every sleep in the drive's log that lasted is shown soon after it began, and none before."""
    lasting = [(since, until) for since, until in served.slept(case) if until - since > 4]
    assert lasting
    for since, until in lasting:
        assert since <= first_seen(served, case, "standby", since - 1) <= since + LATE_S
        shown = {state for at, state in served.states(case, since + LATE_S) if at < until}
        assert shown == {"standby"}


def sleeps_on(served: Evidence, case: str, *others: str) -> None:
    """In its first sleep it is probed, gets nothing else and sleeps until others use it."""
    since, until = first_sleep(served, case)
    got = served.commands(case, since=since + 0.001, until=until)
    assert [row for row in got if row["what"] in STATE_PROBES]
    assert {row["what"] for row in got} <= {*STATE_PROBES, *others}
    assert until == served.ended or until == pytest.approx(
        served.act(case, "read", -1)["began"], abs=0.5
    )


def recorded_in_time(served: Evidence, case: str, do: str, nth: int = 0) -> None:
    """The spin-up is recorded within one fast interval (and 0.25 s for a loaded machine)."""
    touched = served.act(case, do, nth)
    since = [
        served.on_clock(value)
        for at, value in served.series("spinledger_disk_spinning_since_timestamp_seconds", case)
        if touched["done"] < at
    ]
    assert since
    assert since[0] == pytest.approx(touched["began"], abs=FAST_S + 0.25)
