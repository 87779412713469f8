"""Short ways to make facts about one invented disk, for tests of the pure rooms."""

from __future__ import annotations

from spinledger.model import (
    SECOND,
    Answered,
    Command,
    Condition,
    Counted,
    Disk,
    Mode,
    Policy,
    Probe,
    Reason,
    Refused,
    Reported,
    RuntimeStatus,
    Tick,
)

WALL_NS = 1_767_225_600 * SECOND  # 2026-01-01 00:00:00 UTC

DISK = Disk(
    identity="wwn-0x5000000000000001",
    nodes=("sda",),
    transport="sata",
    model="ARCHIVE 8T",
    serial="T-0001",
    firmware="F1",
    wwn="0x5000000000000001",
    rotation_rpm=7200,
    pool="",
    device="T-0001",
    probe_method=Command.CHECK_POWER_MODE_16,
    diskseq=1,
)
POLICY = Policy()


def tick(at_s: float, suspended_s: float = 0, wall_shift_s: float = 0) -> Tick:
    """A tick at a boot time in seconds."""
    at_ns = round(at_s * SECOND)
    return Tick(
        at_ns, WALL_NS + at_ns + round(wall_shift_s * SECOND), "boot", round(suspended_s * SECOND)
    )


def counted(
    at_s: float,
    sectors: int = 0,
    *,
    in_flight: int = 0,
    flushes: int = 0,
    requests: int = 0,
    status: RuntimeStatus = RuntimeStatus.ACTIVE,
) -> Counted:
    """Free signals at a boot time in seconds."""
    at_ns = round(at_s * SECOND)
    return Counted(DISK.identity, at_ns, sectors, 0, flushes, in_flight, requests, status)


def reported(
    asked_s: float,
    mode: Mode,
    *,
    after_s: float = 0.002,
    condition: Condition | None = None,
    number: int = 1,
) -> Answered:
    """An answer to a question put at `asked_s`."""
    probe = Probe(
        number,
        DISK.identity,
        Command.CHECK_POWER_MODE_16,
        round(asked_s * SECOND),
        round((asked_s + 10) * SECOND),
    )
    elapsed = round(after_s * SECOND)
    return Answered(probe, probe.sent_ns + elapsed, Reported(mode, condition, "test"), elapsed)


def refused(asked_s: float, reason: Reason, *, after_s: float = 0.002) -> Answered:
    """A refusal of a question put at `asked_s`."""
    answer = reported(asked_s, Mode.IDLE, after_s=after_s)
    return Answered(answer.probe, answer.at_ns, Refused(reason, "test"), answer.elapsed_ns)
