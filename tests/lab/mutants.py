"""The guards, each with the edit that switches it off and the test that must then go red.

A row is data. `old` must occur exactly once in `file` (test_without_guards.py checks it without a
machine), so a change of the code that moves a guard names its row here. `test` is a function of
test_serve.py or, for the cases whose counters are read, of test_read.py; it gets the case's name
where it has a parameter `case`.

Mutants run side by side in one machine, an exporter each and a drive each, a few at a time: too
many at once would make an emulated processor late for everything.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Mutant:
    """One guard switched off."""

    name: str
    guard: str
    file: str
    """Below exporter/."""
    old: str
    new: str
    case: str
    test: str
    needs_s: float = 28.0
    """How long the case must be played for its test, in seconds."""
    usual: bool = False
    """Whether every whole run of the tests plays it; the others are played by
    `python -m tests.proof guards`."""
    prober: tuple[str, str] | None = None
    """Old and new text in the prober, too, where a second guard there stands for the same."""


ACCOUNT = "spinledger/ledger/account.py"
PROBER_CLIENT = "spinledger/device/prober_client.py"
ATA = "spinledger/codec/ata.py"
RECORDING = "spinledger/ledger/recording.py"
LOOP = "spinledger/loop/__init__.py"
NODE = "spinledger/device/node.py"
PASSTHROUGH = "spinledger/device/passthrough.py"
REPLY = "spinledger/codec/reply.py"
SAMPLER = "spinledger/sampler.py"
TABLE = "spinledger/ledger/table.py"

READ_NEEDS_S = 15.0

MUTANTS = (
    Mutant(
        "writable",
        "a disk is opened read-only: closing a writable descriptor makes udev read it",
        PASSTHROUGH,
        "_OPEN_FLAGS = os.O_RDONLY |",
        "_OPEN_FLAGS = os.O_RDWR |",
        "plain",
        "test_stopping_the_exporter_wakes_no_drive",
        usual=True,
    ),
    Mutant(
        "reopened",
        "the descriptor stays open: each open makes the kernel poll a removable disk",
        PASSTHROUGH,
        "if self._descriptor >= 0 and self._diskseq == diskseq:",
        "if False:",
        "bay",
        "test_one_descriptor_is_held_open",
    ),
    Mutant(
        "impatient",
        "a command's time limit in the kernel is long: running out aborts and resets",
        PASSTHROUGH,
        "TIMEOUT_MS = 60_000",
        "TIMEOUT_MS = 2_000",
        "hanging",
        "test_hanging_drive_is_sent_nothing_more",
        usual=True,
    ),
    Mutant(
        "deadline",
        "lateness is the loop's: a probe past its deadline is recorded as a timeout",
        LOOP,
        "if probe is None or account.probing.mute or now_ns < probe.deadline_ns:",
        "if True:",
        "hanging",
        "test_hanging_drive_becomes_unknown",
        needs_s=38,
    ),
    Mutant(
        "waiting",
        "the end never waits for a drive that hangs",
        PROBER_CLIENT,
        "_CLOSING_SECONDS = 0.5",
        "_CLOSING_SECONDS = 20",
        "hanging",
        "test_stops_within_two_seconds_while_a_drive_hangs",
    ),
    Mutant(
        "resuming",
        "a runtime-suspended disk is sent nothing",
        ACCOUNT,
        "        and not suspended(account)\n",
        "",
        "suspended",
        "test_suspended_disk_is_never_resumed",
        prober=("            self._withhold()\n", ""),
        usual=True,
    ),
    Mutant(
        "not-silenced",
        "after a disturbance a disk is no longer probed until foreign I/O",
        ACCOUNT,
        "        and not probing.silenced\n",
        "",
        "waker",
        "test_waking_drive_is_no_longer_probed",
        usual=True,
    ),
    Mutant(
        "slow-is-fine",
        "a slow reply from a disk without I/O counts as a disturbance",
        SAMPLER,
        "elif fact.elapsed_ns > DISTURBED_NS:",
        "elif False:",
        "slow",
        "test_slow_answer_is_one_disturbance_and_then_silence",
    ),
    Mutant(
        "reset-is-fine",
        "a reply that shows a link reset counts as a disturbance",
        SAMPLER,
        "if isinstance(reply, Refused) and reply.reason in LINK_LOST:",
        "if False:",
        "clear",
        "test_cleared_status_is_one_disturbance_and_then_silence",
    ),
    Mutant(
        "no-silence",
        "a disk that stays awake past twice its timer is not probed for a while",
        SAMPLER,
        "return tuple((2 * t, 2 * t + t + t // 2) for t in tried)",
        "return ()",
        "restarter",
        "test_timer_restarting_drive_is_found",
    ),
    Mutant(
        "found-but-probed",
        "a drive whose timer a probe restarts is probed less often than its timer",
        SAMPLER,
        "    if probing.restarter and timer:\n        return",
        "    if False:\n        return",
        "restarter",
        "test_timer_restarting_drive_sleeps_once_found",
        needs_s=44,
    ),
    Mutant(
        "no-dense-window",
        "probes are dense where the timer is due",
        SAMPLER,
        "if last_ns < began + closes:",
        "if False:",
        "plain",
        "test_number_of_probes_while_idle",
    ),
    Mutant(
        "always-dense",
        "probes are sparse while the timer is not due",
        SAMPLER,
        "due = last_ns + max(cadence.slow_ns, 2 * cadence.fast_ns)",
        "due = last_ns + cadence.fast_ns",
        "plain",
        "test_number_of_probes_while_idle",
    ),
    Mutant(
        "restless",
        "a sleeping disk is probed rarely",
        SAMPLER,
        "return sent + cadence.asleep_ns",
        "return sent + cadence.slow_ns",
        "plain",
        "test_number_of_probes_while_asleep",
        usual=True,
    ),
    Mutant(
        "no-hint",
        "flushes and requests without sectors lead to one probe",
        SAMPLER,
        "probing.hint = True",
        "probing.hint = False",
        "flushed",
        "test_fsync_leads_to_one_probe",
    ),
    Mutant(
        "never-gives-up",
        "a drive that refuses for good is no longer probed",
        SAMPLER,
        "GIVE_UP_AFTER = 3",
        "GIVE_UP_AFTER = 1000",
        "rejecting",
        "test_drive_that_reports_no_state_is_given_up",
    ),
    Mutant(
        "flush-is-movement",
        "a flush does not prove that the disk spins",
        RECORDING,
        "    moved = before is not None and (\n",
        "    moved = before is not None and (\n        fact.flushes != before.flushes or\n",
        "flushed",
        "test_fsync_is_not_a_cycle",
    ),
    Mutant(
        "blind",
        "moving sectors are recorded within one fast interval",
        RECORDING,
        "elif moved or (before is not None and fact.in_flight > 0):",
        "elif False:",
        "plain",
        "test_read_by_another_program_is_recorded_within_one_fast_interval",
        needs_s=42,
    ),
    Mutant(
        "refusal-is-standby",
        "a refusal is unknown",
        TABLE,
        "(_I, _E.REFUSED): Row(_U,",
        "(_I, _E.REFUSED): Row(_S,",
        "rejecting",
        "test_a_drive_without_a_state_is_unknown_never_standby",
    ),
    Mutant(
        "silence-is-standby",
        "GOOD without registers is unknown",
        REPLY,
        'raise Undecodable(Reason.NO_REGISTERS, "GOOD without an ATA status return")',
        "return ata.decode_count(0x00)",
        "silent",
        "test_a_drive_without_a_state_is_unknown_never_standby",
    ),
    Mutant(
        "count-alone",
        "a count is believed only beside an ATA status with DRDY",
        ATA,
        "if not status & DRDY:",
        "if False:",
        "clear",
        "test_a_drive_without_a_state_is_unknown_never_standby",
    ),
    Mutant(
        "ata-to-all",
        "a SCSI drive is probed by REQUEST SENSE, never by ATA pass-through",
        NODE,
        "    if ata:\n        return Command.CHECK_POWER_MODE_16",
        "    if True:\n        return Command.CHECK_POWER_MODE_16",
        "sas",
        "test_sas_drive_is_probed_by_request_sense_alone",
        usual=True,
    ),
    Mutant(
        "forgetful",
        "a disk that comes back goes on with its account",
        LOOP,
        "account = self.accounts.get(disk.identity)",
        "account = None",
        "mover",
        "test_replugged_disk_keeps_identity_and_counters",
        needs_s=49,
    ),
    Mutant(
        "reads-at-any-time",
        "the drive's counters are read only in a sample in which others moved sectors",
        SAMPLER,
        "return account.state is State.ACTIVE and account.sectors_ns == account.at_ns",
        "return True",
        "read-waker",
        "test_no_reading_wakes_a_drive",
        needs_s=READ_NEEDS_S,
    ),
    Mutant(
        "reads-while-spinning",
        "a drive that spins is not read for that: its timer may start anew",
        SAMPLER,
        "return account.state is State.ACTIVE and account.sectors_ns == account.at_ns",
        "return account.state.spinning",
        "read-restarter",
        "test_no_reading_holds_a_drive_awake",
        needs_s=READ_NEEDS_S,
    ),
    Mutant(
        "reads-while-spinning-scsi",
        "the same of a SCSI drive",
        SAMPLER,
        "return account.state is State.ACTIVE and account.sectors_ns == account.at_ns",
        "return account.state.spinning",
        "read-sas",
        "test_every_reading_follows_a_request_of_others",
        needs_s=READ_NEEDS_S,
    ),
)
