"""The cross-check's table of command lines, and how it reads what smartctl prints."""

from __future__ import annotations

from dataclasses import replace

import pytest

from spinledger.device import cross_check, smartctl
from spinledger.device.smartctl import Trouble
from spinledger.model import Command
from spinledger.ports import TROUBLES
from tests.fakes.facts import DISK


def test_every_command_line_is_guarded() -> None:
    """Each row reads the power mode first (smartctl(8), -n), names its interface, and only
    reads: no option that tests, sets or logs (own rule)."""
    with pytest.raises(TypeError):
        smartctl.LINES["x"] = ("-s",)  # type: ignore[index]
    for interface, line in smartctl.LINES.items():
        assert line == (*smartctl.OPTIONS, "-d", interface, "--all", "/dev/{node}")
    assert smartctl.OPTIONS == ("-n", "standby,3,5")
    assert smartctl.command_line("/x/smartctl", "sat", "sda") == [
        "/x/smartctl", "-n", "standby,3,5", "-d", "sat", "--all", "/dev/sda",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("method", "interface"),
    [
        (Command.CHECK_POWER_MODE_16, "sat"),
        (Command.CHECK_POWER_MODE_12, "sat,12"),
        (Command.REQUEST_SENSE, "scsi"),
        (None, None),
    ],
)
def test_which_disk_has_a_row(method: Command | None, interface: str | None) -> None:
    """ATA and SCSI disks have one, what cannot be probed has none."""
    line = cross_check.line_for(replace(DISK, probe_method=method))
    assert (line[4] if line else None) == interface


@pytest.mark.parametrize(
    ("number", "raw", "value"),
    [
        (193, "5678", 5678),
        (193, "1152921/1152733", 1_152_921),  # -v 193,loadunload
        (4, "12 (Average 30)", 12),
        (4, "1,234", None),  # a locale's digits: the first run would be 1
        (4, "1.234", None),
        (4, "1 234", None),
        (4, "0x0012", None),
        (4, "-5", None),
        (4, "", None),
        (4, "9" * 16, None),
        (9, "20000", 20_000 * 3600),
        (9, "20000 (12 3 0)", 20_000 * 3600),  # raw24(raw8)
        (9, "10512h+22m", 10_512 * 3600 + 22 * 60),  # -v 9,minutes
        (9, "3h+04m+05s", 3 * 3600 + 4 * 60 + 5),  # -v 9,seconds
        (9, "8760h+30m+12.345s", 8_760 * 3600 + 1812),  # -v 9,msec24hour32
        (9, "10512:22", None),
        (193, "3h+04m", None),
    ],
)
def test_raw_values(number: int, raw: str, value: int | None) -> None:
    """Only the forms that smartctl 7.3 prints (smartctl(8), option -v), never a first run of
    digits."""
    assert smartctl.attribute(number, raw) == value


HEAD = "smartctl 7.3 2022-02-28\n\n"
WHOLE = HEAD + "=== START OF READ SMART DATA SECTION ===\nID# ATTRIBUTE_NAME\n  4 x\n\nend\n"


@pytest.mark.parametrize(
    ("output", "status", "reason"),
    [
        ("", 0, "empty"),
        ("", 2, "empty"),
        ("hello\n", 0, "not_understood"),
        ("smartctl: Befehl nicht gefunden\n", 127, "not_understood"),
        (HEAD + "Device is in STANDBY mode, exit(3)\n", 3, "asleep"),
        (HEAD + "Device is in STANDBY (OS) mode, exit(3)\n", 3, "asleep"),
        (HEAD + "Device is in SLEEP mode, exit(3)\n", 3, "unsure"),
        (HEAD + "CHECK POWER MODE not implemented, exit(5)\n", 5, "unsure"),
        (HEAD + "CHECK POWER MODE returned unknown value 0x41, exit(5)\n", 5, "unsure"),
        (HEAD + "Smartctl open device: /dev/sda failed: Permission denied\n", 2, "permission"),
        (HEAD + "Smartctl open device: /dev/sda failed: No such device\n", 2, "failed"),
        (WHOLE, 3, "failed"),  # bits 0 and 1, not the power mode's message
        (WHOLE, 1, "failed"),
        (WHOLE, -11, "failed"),
        (WHOLE + "Warning! SMART Attribute Data Structure error: invalid SMART checksum.\n", 4,
         "failed"),
        (HEAD + "=== START OF INFORMATION SECTION ===\nDevice Model: LAB HDD\n", 0, "truncated"),
        (WHOLE.partition("\n\nend")[0], 0, "truncated"),
        (WHOLE, 0, None),
        (WHOLE, 4, None),  # some command failed, say SMART RETURN STATUS behind a bridge
        (WHOLE, 0b1111_1000, None),  # what the drive itself reports
    ],
)  # fmt: skip
def test_status_and_message(output: str, status: int, reason: str | None) -> None:
    """Both are read, since 3 and 5 overlap the ordinary bit mask (smartctl(8), EXIT STATUS)."""
    if reason is None:
        smartctl.judge(output, status)
        return
    with pytest.raises(Trouble) as caught:
        smartctl.judge(output, status)
    assert caught.value.reason == reason
    assert reason in TROUBLES


@pytest.mark.parametrize(
    ("answer", "trouble"),
    [
        (b"", "crashed"),
        (b"{", "crashed"),
        (b"\xff", "crashed"),
        (b"[1]", "not_understood"),
        (b'{"values": {}}', "not_understood"),
        (b'{"values": {"loads": -1}}', "not_understood"),
        (b'{"values": {"loads": 281474976710656}}', "not_understood"),
        (b'{"values": {"loads": true}}', "not_understood"),
        (b'{"values": {"loads": 1.5}}', "not_understood"),
        (b'{"values": {"shell": 1}}', "not_understood"),
        (b'{"trouble": "anything", "detail": ""}', "not_understood"),
        (b'{"trouble": "asleep", "detail": "x"}', "asleep"),
        (b'{"values": {"loads": 1}}', ""),
    ],
)
def test_the_childs_line_is_not_trusted(answer: bytes, trouble: str) -> None:
    """Only known names with whole numbers, or a trouble of the list (own rule)."""
    result = cross_check._understand("d", 7, answer)
    assert result.trouble == trouble
    assert bool(result.values) == (not trouble)
