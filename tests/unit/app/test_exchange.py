"""What `check --probe` and `--report` send: by a prober and a clock that are simulated.

What a drive does at each command is in tests/unit/codec/test_command_table.py; own rules here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest

from spinledger.app import examining
from spinledger.model import (
    SECOND,
    Answered,
    Command,
    Completion,
    Disk,
    Mode,
    Probe,
    Reason,
    Record,
    Refused,
    Reply,
    Reported,
)
from spinledger.ports import Source
from tests.fakes.snapshots import view

SPINS, ASLEEP = Reported(Mode.IDLE, None, ""), Reported(Mode.STANDBY, None, "")
VIEW = view(0)


class Clock:
    """A clock that only moves when it is waited for."""

    def __init__(self) -> None:
        self.at_ns = 0

    def now(self) -> int:
        """The time."""
        return self.at_ns

    def wait(self, until_ns: int, sources: Sequence[Source]) -> Sequence[Source]:
        """Half a second at a time."""
        self.at_ns = min(until_ns, self.at_ns + SECOND // 2)
        return sources


class Prober:
    """Replies to each command by a table; to others never."""

    table: dict[Command, Reply] = {}  # noqa: RUF012
    sent: list[Command] = []  # noqa: RUF012

    def __init__(self, keep: Callable[[Probe, Completion], None]) -> None:
        self._due: list[Probe] = []
        Prober.sent = []

    def send(self, probe: Probe, disk: Disk) -> None:
        """Take a command."""
        Prober.sent.append(probe.command)
        self._due.append(probe)

    def replies(self, at_ns: int) -> list[Answered]:
        """Those of the table."""
        due, self._due = self._due, []
        return [
            Answered(probe, at_ns, self.table[probe.command], 1)
            for probe in due
            if probe.command in self.table
        ]

    def close(self) -> None:
        """Nothing is held."""


def exchanged(
    monkeypatch: pytest.MonkeyPatch, table: dict[Command, Reply], records: bool = True
) -> list[tuple[Command, Reply]]:
    """What one disk that is in use is sent, and what comes of it."""
    monkeypatch.setattr(examining, "ProcessProber", Prober)
    Prober.table = table
    done = examining.exchange(Clock(), [VIEW], records)  # type: ignore[arg-type]
    found = [(one.command, one.reply) for one in done[VIEW.disk.identity]]
    assert [command for command, _ in found] == Prober.sent
    return found


PROBE, FIRST, SECOND_ONE = (
    Command.CHECK_POWER_MODE_16,
    Command.IDENTIFY_DEVICE,
    Command.SMART_READ_DATA,
)


def test_a_spinning_disk_is_read_also_where_a_record_is_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The probe, then the plan of `codec.counters`, one at a time; only the probe without it."""
    refused = Refused(Reason.REJECTED)
    table: dict[Command, Reply] = {PROBE: SPINS, FIRST: refused, SECOND_ONE: Record(SECOND_ONE, {})}
    assert [command for command, _ in exchanged(monkeypatch, table)] == [PROBE, FIRST, SECOND_ONE]
    assert exchanged(monkeypatch, table, records=False) == [(PROBE, SPINS)]


@pytest.mark.parametrize(
    "reply",
    [ASLEEP, *(Refused(one) for one in (Reason.STATUS_CLEAR, Reason.OTHER_SENSE, Reason.WITHHELD))],
)
def test_a_disk_that_may_not_spin_is_sent_nothing_more(
    monkeypatch: pytest.MonkeyPatch, reply: Reply
) -> None:
    """In standby, after a reset of its link, or where what came back is no state."""
    assert exchanged(monkeypatch, {PROBE: reply, FIRST: SPINS}) == [(PROBE, reply)]


def test_a_disk_that_does_not_answer_is_a_timeout(monkeypatch: pytest.MonkeyPatch) -> None:
    """After ten seconds, and nothing more is sent."""
    ((command, reply),) = exchanged(monkeypatch, {})
    assert command is PROBE
    assert isinstance(reply, Refused)
    assert reply.reason is Reason.TIMEOUT
