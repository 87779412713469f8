"""The laboratory itself: what a real kernel does with the emulated drives, judged by their logs.

The exporter's design relies on what these tests state about the kernel. The kernel is Debian
12's (6.1). Sources for expected bytes stand in guest/drive.py; where a test only records what was
measured here, it says so.
"""

from __future__ import annotations

import json
import time
from typing import Any

import pytest

from tests.lab.conftest import Plug
from tests.lab.guest.drive import commands
from tests.lab.vm import AHCI_SERIALS, Guest

# Kernel messages that mean a port was disturbed (Linux 6.1, drivers/ata/libata-eh.c and
# drivers/ata/libata-core.c).
DISTURBED = ("resetting link", "SATA link", "exception Emask", "frozen", "failed command")

OPEN_READ = (
    "python3 -c 'import os, sys; f = os.open(sys.argv[1], os.O_RDONLY | os.O_DIRECT);"
    " import mmap; print(os.preadv(f, [mmap.mmap(-1, 4096)], 1 << 20))' "
)


def disturbed(lines: list[str]) -> list[str]:
    """The lines about a reset or a failed command."""
    return [line for line in lines if any(words in line for words in DISTURBED)]


def until(guest: Guest, name: str, mode: str, within_s: float = 20.0) -> dict[str, Any]:
    """Wait until the drive is in a mode; its state then."""
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        state: dict[str, Any] = guest.rack("state", name=name)
        if state["mode"] == mode:
            return state
        time.sleep(0.2)
    raise AssertionError(f"{name} is {state['mode']} after {within_s} s, not {mode}")


def test_drive_sleeps_by_its_own_timer_and_udev_leaves_it_asleep(guest: Guest, plug: Plug) -> None:
    """After plugging in, udev's probes end, the timer runs out, and nothing comes any more."""
    plug("sleeper", timer_s=3)
    slept = until(guest, "sleeper", "standby")
    time.sleep(2)
    assert slept["wakes"] == 0
    assert commands(guest.rack("log", name="sleeper", since=slept["now"])) == []


def test_read_spins_up_takes_its_time_and_is_logged(guest: Guest, plug: Plug) -> None:
    """A direct read of a sleeping disk: one READ, which woke it, a second long."""
    node = plug("reader", timer_s=2, spinup_s=1.0)
    since = until(guest, "reader", "standby")["now"]
    assert guest.run(OPEN_READ + node).ok().strip() == "4096"
    (read,) = commands(guest.rack("log", name="reader", since=since))
    assert (read["what"], read["before"], read["after"], read["woke"]) == (
        "READ",
        "standby",
        "active",
        True,
    )
    assert float(str(read["done"])) - float(str(read["at"])) == pytest.approx(1.0)
    assert guest.rack("state", name="reader")["start_stops"] == 101


def test_opening_read_only_sends_nothing(guest: Guest, plug: Plug) -> None:
    """Opening and closing a sleeping disk read-only and reading its sysfs files is silent."""
    node = plug("opened", timer_s=2)
    since = until(guest, "opened", "standby")["now"]
    name = node.removeprefix("/dev/")
    guest.run(
        f"exec 7<{node}; exec 7<&-; cat /sys/block/{name}/stat /sys/block/{name}/queue/rotational"
        f" /sys/block/{name}/device/iorequest_cnt /sys/block/{name}/device/vpd_pg89 | wc -c;"
        " udevadm settle"
    ).ok()
    assert guest.rack("log", name="opened", since=since) == []


def test_closing_a_read_write_descriptor_wakes_the_disk(guest: Guest, plug: Plug) -> None:
    """Why nothing here may open read-write: on close udev probes the disk, which spins it up."""
    node = plug("written", timer_s=2)
    since = until(guest, "written", "standby")["now"]
    guest.run(f"exec 7<>{node}; exec 7<&-; sleep 0.3; udevadm settle").ok()
    assert any(row["woke"] for row in commands(guest.rack("log", name="written", since=since)))


def test_fsync_moves_the_counters_and_not_the_platters(guest: Guest, plug: Plug) -> None:
    """An fsync on a sleeping disk with a write cache: stat moves, only SYNCHRONIZE CACHE comes."""
    node = plug("flushed", timer_s=3)
    script = (
        # The descriptor stays open until the drive sleeps: closing it would wake the drive.
        "import os, sys, time; f = os.open(sys.argv[1], os.O_RDWR);"
        " stat = f'/sys/block/{sys.argv[1][5:]}/stat'; time.sleep(5);"
        " a = open(stat).read().split(); os.fsync(f); b = open(stat).read().split();"
        " print([int(y) - int(x) for x, y in zip(a, b)]); sys.stdout.flush(); os._exit(0)"
    )
    moved = json.loads(guest.run(f'python3 -c "{script}" {node}').ok())
    sectors_written, flushes = moved[6], moved[15]
    assert (sectors_written, flushes) == (0, 1)
    (flush,) = commands(guest.rack("log", name="flushed"), "SYNCHRONIZE CACHE")
    assert (flush["before"], flush["after"], flush["woke"]) == ("standby", "standby", False)


def test_a_probe_moves_the_request_count_but_no_stat(guest: Guest, plug: Plug) -> None:
    """CHECK POWER MODE raises device/iorequest_cnt by one and leaves stat alone."""
    node = plug("probed", timer_s=2)
    since = until(guest, "probed", "standby")["now"]
    name = node.removeprefix("/dev/")
    read = f"cat /sys/block/{name}/stat /sys/block/{name}/device/iorequest_cnt"
    before, answer, after = (
        guest.run(
            f"{read} | tr '\\n' ' '; echo; python3 -m tests.lab.guest.sgio {node} check-power-mode;"
            f" {read} | tr '\\n' ' '"
        )
        .ok()
        .splitlines()
    )
    assert json.loads(answer)["sense"] == "7201001d0000000e090c00000000000000000000 0050".replace(
        " ", ""
    )
    assert before.split()[:-1] == after.split()[:-1]
    assert int(after.split()[-1], 16) - int(before.split()[-1], 16) == 1
    (probe,) = commands(guest.rack("log", name="probed", since=since))
    assert (probe["what"], probe["after"]) == ("CHECK POWER MODE", "standby")


def test_another_program_puts_it_to_sleep(guest: Guest, plug: Plug) -> None:
    """STANDBY IMMEDIATE, sent by sg_raw on a read-only descriptor, stops the drive."""
    node = plug("ordered")
    guest.run(f"sg_raw --readonly {node} 85 06 00 00 00 00 00 00 00 00 00 00 00 00 e0 00").ok()
    state = guest.rack("state", name="ordered")
    assert (state["mode"], state["entered_by"]) == ("standby", "command")


def test_replugged_drive_keeps_serial_and_changes_letter(guest: Guest, plug: Plug) -> None:
    """A drive pulled out, its letter taken by another, comes back elsewhere with the same WWN."""
    first = plug("moving", timer_s=0)
    read_wwn = "udevadm info --query=property --property=ID_WWN --value "
    wwn = guest.run(read_wwn + first).ok().strip()
    guest.rack("detach", name="moving")
    assert guest.rack("node", name="moving") == ""
    assert plug("squatter") == first
    second = guest.rack("attach", name="moving")
    assert f"/dev/{second}" != first
    assert guest.run(read_wwn + f"/dev/{second}").ok().strip() == wwn
    assert wwn.startswith("0x502a5b")


def test_sas_drive_has_no_ata_page_and_keeps_its_rotation(guest: Guest, plug: Plug) -> None:
    """The kernel caches VPD page B1h (7200) and has no page 89h; REQUEST SENSE passes through."""
    node = plug("scsi", quirks=["sas"])
    name = node.removeprefix("/dev/")
    files = guest.run(f"cd /sys/block/{name}/device; ls; od -An -tx1 -N6 vpd_pgb1; cat vendor").ok()
    assert "vpd_pg89" not in files
    assert "ATA" not in files
    assert "1c 20" in files
    guest.run(f"python3 -m tests.lab.guest.sgio {node} standby").ok()
    reply = guest.python("sgio", node, "request-sense")
    assert (reply["status"], reply["data"][24:28]) == (0, "5e04")


def test_removable_disk_is_polled_by_the_kernel(guest: Guest, plug: Plug) -> None:
    """The kernel itself sends TEST UNIT READY to a disk with the removable bit (measured here)."""
    plug("bay", quirks=["removable"])
    since = guest.rack("state", name="bay")["now"]
    time.sleep(5)
    assert commands(guest.rack("log", name="bay", since=since), "TEST UNIT READY")


def test_hanging_drive_holds_its_caller_only(guest: Guest, plug: Plug) -> None:
    """A probe of a hanging drive waits until released; a neighbour answers meanwhile."""
    stuck, fine = plug("stuck"), plug("fine")
    guest.rack("set", name="stuck", hangs_on_probes=True)
    probe = "python3 -m tests.lab.guest.sgio"
    guest.run(f"{probe} {stuck} check-power-mode >/run/stuck 2>&1 & sleep 1").ok()
    assert guest.python("sgio", fine, "check-power-mode")["sense"][26:28] == "ff"
    assert guest.run("cat /run/stuck").ok() == ""
    guest.rack("set", name="stuck", hangs_on_probes=False)
    assert '"sense"' in guest.run("sleep 1; cat /run/stuck").ok()


def test_ahci_disk_is_probed_without_a_link_reset(guest: Guest) -> None:
    """Both CDBs, through libata and a read-only descriptor: FFh, nothing in the kernel log."""
    node = f"/dev/{guest.node(AHCI_SERIALS[0])}"
    since = guest.uptime()
    for name in ("check-power-mode", "check-power-mode-12"):
        sense = guest.python("sgio", node, name)["sense"]
        assert sense[:8] == "7201001d"
        assert (sense[26:28], sense[42:44]) == ("ff", "50")
    assert disturbed(guest.kernel_log(since)) == []


def test_a_probe_of_an_ahci_disk_in_sleep_resets_the_link(guest: Guest) -> None:
    """After SLEEP the probe itself ends the sleep: a link reset, zeros, then FFh (measured)."""
    node = f"/dev/{guest.node(AHCI_SERIALS[1])}"
    guest.python("sgio", node, "sleep")
    since = guest.uptime()
    first = guest.python("sgio", node, "check-power-mode")
    assert disturbed(guest.kernel_log(since)) != []
    assert (first["sense"][26:28], first["sense"][42:44]) == ("00", "00")
    assert first["seconds"] > 0.2
    assert guest.python("sgio", node, "check-power-mode")["sense"][26:28] == "ff"


def test_kernel_test_disk_stops_and_reports_it(guest: Guest) -> None:
    """scsi_debug after START=0: REQUEST SENSE reports not ready, 04/02 (Linux 6.12
    drivers/scsi/sense_codes.h:27-69)."""
    guest.run(
        "modprobe scsi_debug dev_size_mb=8 max_luns=1; udevadm settle; "
        "for d in /sys/block/sd*; do grep -q scsi_debug $d/device/model && basename $d; done"
        " >/run/debug-node; test -s /run/debug-node"
    ).ok()
    node = "/dev/" + guest.run("cat /run/debug-node").ok().strip()
    try:
        guest.python("sgio", node, "stop")
        reply = guest.python("sgio", node, "test-unit-ready")
        assert (reply["status"], reply["sense"][4:6], reply["sense"][24:28]) == (2, "02", "0402")
    finally:
        guest.run("modprobe -r scsi_debug; udevadm settle").ok()


def test_runtime_suspended_disk_is_resumed_by_a_probe(guest: Guest, plug: Plug) -> None:
    """Why a suspended disk must not be probed: SG_IO resumes it, and the kernel spins it up."""
    node = plug("suspended")
    device = f"/sys/block/{node.removeprefix('/dev/')}/device"
    guest.run(
        f"echo 1 >$(echo {device}/scsi_disk/*/manage_runtime_start_stop);"
        f" echo 500 >{device}/power/autosuspend_delay_ms; echo auto >{device}/power/control"
    ).ok()
    until(guest, "suspended", "standby")
    assert guest.run(f"cat {device}/power/runtime_status").ok().strip() == "suspended"
    guest.python("sgio", node, "check-power-mode")
    assert guest.rack("state", name="suspended")["wakes"] == 1


def test_guest_time_limit_and_exit_code(guest: Guest) -> None:
    """The harness passes an exit code on and ends a job that takes too long with code 124."""
    assert guest.run("echo good; echo wrong >&2; exit 7").code == 7
    late = guest.run("echo begun; sleep 30", timeout=1)
    assert (late.code, late.out) == (124, "begun\n")
