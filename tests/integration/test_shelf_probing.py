"""24 mocked disks probed through the real prober process.

What reached a drive is judged by the drives' own log, and what was opened by inotify on their
nodes, not by what this program reports. Functions named `_...` run inside the shelf.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from spinledger.device.discovery import Discovery
from spinledger.device.prober_client import ProcessProber
from spinledger.model import SECOND, Answered, Disk, Reason, Refused, Reported
from tests.fakes import mocked
from tests.fakes.mocked import Shelf, mocked_shelf
from tests.fakes.patience import PATIENCE_S
from tests.fakes.probing import answers, probe_all

DISKS = 24
# CHECK POWER MODE in the 16-byte pass-through: PROTOCOL non-data, CK_COND, command E5h (Linux
# 6.12 libata-scsi.c:3240-3260; E5h: Ultrastar HC580 specification, p138).
E5 = "850620" + "00" * 11 + "e500"
# What the drives return by number modulo three, and its meaning (the same specification, table 86).
MODES = ("standby", "active_or_idle", "idle")


def _disks() -> list[Disk]:
    seen, _ = Discovery().scan(0)
    return [one.disk for one in seen]


def _find(shelf: Shelf) -> list[str]:
    """Discover, and wait long enough for a late command to show."""
    disks = _disks()
    time.sleep(0.1)
    return [disk.identity for disk in disks]


def test_discovery_sends_nothing_and_opens_nothing() -> None:
    """Not one command to any drive, not one open of any node."""
    with mocked_shelf(DISKS) as shelf:
        assert len({*shelf.run(_find)}) == DISKS
        assert shelf.do("openings") == []
        assert set(map(tuple, shelf.do("log").values())) == {()}


def _probe_twice(shelf: Shelf) -> dict[str, Any]:
    """Probe all disks twice, forget the first: states, the prober's descriptors and size."""
    disks = _disks()
    prober = ProcessProber()
    states: list[list[str]] = []
    for first in (1, DISKS + 1):
        assert probe_all(prober, disks, first) == DISKS
        got = sorted(answers(prober, DISKS), key=lambda one: one.probe.number)
        states.append([one.reply.mode for one in got if isinstance(one.reply, Reported)])
    process = Path(f"/proc/{prober.pid}")
    flags = {}
    for descriptor in (process / "fd").iterdir():
        target = os.readlink(descriptor)
        if Path(target).name.startswith("sd"):
            info = (process / "fdinfo" / descriptor.name).read_text()
            row = next(line for line in info.splitlines() if line.startswith("flags:"))
            flags[Path(target).name] = int(row.split()[1], 8)
    memory = (process / "status").read_text().split("VmRSS:")[1].split()[0]
    prober.forget(disks[0])
    while len(shelf.do("openings")) == DISKS:
        time.sleep(0.01)
    before_close = shelf.do("openings")
    prober.close()
    return {"states": states, "flags": flags, "kib": int(memory), "openings": before_close}


def test_one_probe_is_one_command_and_nothing_else() -> None:
    """Probed twice, each drive got E5h twice and nothing else; each node was opened once,
    read-only, and closed only when forgotten; each reply is the drive's own; the prober stays
    small."""
    with mocked_shelf(DISKS) as shelf:
        inside = shelf.run(_probe_twice)
        assert shelf.do("log") == {f"sd{chr(97 + n)}": [E5, E5] for n in range(DISKS)}
        assert {what for _, what in shelf.do("openings")} == {"open", "close"}
    assert inside["states"] == [[MODES[n % 3] for n in range(DISKS)]] * 2
    opened = sorted(node for node, what in inside["openings"] if what == "open")
    assert opened == sorted(f"sd{chr(97 + n)}" for n in range(DISKS))
    assert [one for one in inside["openings"] if one[1] != "open"] == [["sda", "close"]]
    assert len(inside["flags"]) == DISKS
    for flags in inside["flags"].values():
        assert flags & os.O_ACCMODE == os.O_RDONLY
        assert flags & os.O_NONBLOCK
    assert inside["kib"] <= 18 * 1024


def _stopped_meanwhile(shelf: Shelf) -> list[list[str]]:
    """Probed while the status is `suspended`, `suspending`, `active`: what came of each."""
    disks = _disks()
    prober = ProcessProber()
    outcomes = []
    for number, status in enumerate(("suspended", "suspending", "active"), 1):
        shelf.do("set", node="sda", name="device/power/runtime_status", value=status)
        probe_all(prober, disks, number)
        (one,) = answers(prober, 1)
        withheld = isinstance(one.reply, Refused) and one.reply.reason is Reason.WITHHELD
        outcomes.append([status, "withheld" if withheld else "sent", str(one.sent)])
    prober.close()
    return outcomes


def test_a_disk_stopped_by_the_kernel_since_its_sample_is_sent_nothing() -> None:
    """A command would resume it, as the block layer does for any request that is not its own power
    management's (Linux 6.12 block/blk-pm.h); so would opening its node."""
    with mocked_shelf(1) as shelf:
        assert shelf.run(_stopped_meanwhile) == [
            ["suspended", "withheld", "False"],
            ["suspending", "withheld", "False"],
            ["active", "sent", "True"],
        ]
        assert shelf.do("log") == {"sda": [E5]}


def _write_to_a_node(_: Shelf) -> None:
    os.close(os.open("/dev/sda", os.O_RDWR))


def test_the_harness_sees_a_writable_descriptor() -> None:
    """The proof above can fail: a descriptor that may write is recorded as such (inotify(7))."""
    with mocked_shelf(1) as shelf:
        shelf.run(_write_to_a_node)
        assert shelf.do("openings") == [["sda", "open"], ["sda", "close writable"]]


def _one_hangs(shelf: Shelf) -> dict[str, Any]:
    """The first disk hangs; the others are probed three times; then it replies."""
    disks = _disks()
    prober = ProcessProber()
    probe_all(prober, disks[1:2])  # the process is up
    answers(prober, 1)
    shelf.do("hang", node="sda")
    probe_all(prober, disks, 10)
    got = answers(prober, DISKS - 1)
    silent = answers(prober, 1, within=0.2)
    again = probe_all(prober, disks[1:], 100)
    got += answers(prober, again)
    shelf.do("release", node="sda")
    late = answers(prober, 1)
    prober.close()
    return {
        "answered": sorted({one.probe.number for one in got}),
        "silent": len(silent),
        "late": [
            (one.probe.number, one.reply.mode) for one in late if isinstance(one.reply, Reported)
        ],
    }


def test_a_disk_that_hangs_delays_no_other() -> None:
    """The other 23 reply at once, twice; the hung one's reply comes whenever it comes."""
    with mocked_shelf(DISKS) as shelf:
        inside = shelf.run(_one_hangs)
    others = [*range(11, 10 + DISKS), *range(100, 99 + DISKS)]
    assert inside["answered"] == others
    assert inside["silent"] == 0
    assert inside["late"] == [[10, "standby"]]


def _close_while_hung(shelf: Shelf) -> bool:
    disks = _disks()
    prober = ProcessProber()
    shelf.do("hang", node="sda")
    probe_all(prober, disks)
    assert prober.greeted_within(PATIENCE_S)
    while not shelf.do("log")["sda"]:
        time.sleep(0.01)
    prober.close()
    return True  # and the disk still hangs


def test_closing_does_not_wait_for_a_hung_disk() -> None:
    """Closing returns although no reply will ever come."""
    with mocked_shelf(1) as shelf:
        assert shelf.run(_close_while_hung)


def _module_ends_with_its_socket(shelf: Shelf) -> int:
    """Run the module itself, hang it in an ioctl, and close the socket without a signal."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    shelf.do("hang", node="sda")
    with theirs:
        child = subprocess.Popen(
            [sys.executable, "-m", "spinledger.device.prober", str(theirs.fileno())],
            pass_fds=(theirs.fileno(),),
        )
    ours.send(b"probe 1 sda 1 check_power_mode_16")
    while not shelf.do("log")["sda"]:
        time.sleep(0.01)
    ours.close()
    return child.wait(PATIENCE_S)


def test_the_prober_ends_with_its_socket_even_while_it_hangs() -> None:
    """Nothing is left behind when the exporter is killed."""
    with mocked_shelf(1) as shelf:
        assert shelf.run(_module_ends_with_its_socket) == 0


def _ended(prober: ProcessProber, at_ns: int) -> int:
    """Kill the prober and go on until its end is noticed; the process after that, 0 for none."""
    killed = prober.pid
    os.kill(killed, signal.SIGKILL)
    while prober.pid == killed:
        prober.replies(at_ns)
    return prober.pid


def _crash(shelf: Shelf) -> dict[str, Any]:
    """A Ctrl-C, an end with a command outstanding, then two ends in a row."""
    disks = _disks()
    prober = ProcessProber()
    descriptor, first = prober.fileno(), prober.pid
    probe_all(prober, disks[1:])
    answers(prober, 1)
    os.kill(first, signal.SIGINT)
    shelf.do("hang", node="sda")
    probe_all(prober, disks, 10)
    interrupted = answers(prober, 1)
    os.kill(first, signal.SIGKILL)
    ended = answers(prober, 1)
    shelf.do("release", node="sda")
    while prober.held():  # until the killed process is gone
        time.sleep(0.01)
    probe_all(prober, disks, 20)
    recovered = answers(prober, 2)
    story = {
        "after ctrl-c": [isinstance(one.reply, Reported) for one in interrupted],
        "outstanding": [[one.probe.number, _reason(one), one.sent] for one in ended],
        "recovered": [isinstance(one.reply, Reported) for one in recovered],
        "at once": _ended(prober, 0) > 0,
        "not again": _ended(prober, SECOND // 2),
    }
    probe_all(prober, disks[:1], 30, at_ns=SECOND // 2)
    down = answers(prober, 1, at_ns=SECOND // 2)
    story["probed while down"] = [[one.probe.number, _reason(one), one.sent] for one in down]
    prober.replies(SECOND)
    story["after a second"] = prober.pid > 0
    story["same descriptor"] = prober.fileno() == descriptor
    prober.close()
    return story


def _reason(answered: Answered) -> str:
    return answered.reply.reason if isinstance(answered.reply, Refused) else "state"


def test_a_prober_that_ends_is_restarted() -> None:
    """Its outstanding command is refused as prober_down, and perhaps sent; the next process
    replies; a second end in a row is followed by a pause, in which nothing is sent; the descriptor
    to wait for stays the same."""
    with mocked_shelf(2) as shelf:
        assert shelf.run(_crash) == {
            "after ctrl-c": [True],
            "outstanding": [[10, Reason.PROBER_DOWN, True]],
            "recovered": [True, True],
            "at once": True,
            "not again": 0,
            "probed while down": [[30, Reason.PROBER_DOWN, False]],
            "after a second": True,
            "same descriptor": True,
        }


def _foreign_messages(_: Shelf) -> list[str]:
    """Messages by hand: all of them must be refused before any node is opened."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    with theirs:
        child = subprocess.Popen(
            [sys.executable, "-m", "spinledger.device.prober", str(theirs.fileno())],
            pass_fds=(theirs.fileno(),),
        )
    replies = []
    with ours:
        ours.settimeout(PATIENCE_S)
        assert ours.recv(4096).startswith(b"hello ")
        for message in (
            b"probe 1 sda 1 " + bytes.fromhex(E5),
            b"probe 2 sda 1 " + E5.encode(),
            b"probe 3 sda 1 start_stop_unit",
            b"probe 4 ../dev/sda 1 check_power_mode_16",
            b"probe 5 sg0 1 check_power_mode_16",
            b"probe 6 sdz 1 check_power_mode_16",
        ):
            ours.send(message)
            replies.append(ours.recv(4096).decode().split(" ")[2])
    child.wait(5)
    return replies


def test_the_prober_refuses_what_is_not_in_its_table() -> None:
    """Raw bytes, commands outside the table, paths and absent nodes reach no drive."""
    with mocked_shelf(1) as shelf:
        assert shelf.run(_foreign_messages) == ["malformed"] * 5 + ["gone"]
        assert shelf.do("log") == {"sda": []}
        assert shelf.do("openings") == []


def _successor(shelf: Shelf) -> dict[str, Any]:
    """Another drive takes the name before discovery has noticed, then after."""
    stale = _disks()
    prober = ProcessProber()
    probe_all(prober, stale)
    answers(prober, 1)
    shelf.do("unplug", node="sda")
    shelf.do("plug", node="sda", port=0, number=7)
    prober.forget(stale[0])
    probe_all(prober, stale, 2)
    refused = answers(prober, 1)[0]
    log = shelf.do("log")["sda"]
    probe_all(prober, _disks(), 3)
    fresh = answers(prober, 1)[0]
    prober.close()
    assert isinstance(refused.reply, Refused)
    return {
        "reason": refused.reply.reason,
        "sent": refused.sent,
        "log": log,
        "fresh": isinstance(fresh.reply, Reported),
    }


def test_a_successor_under_the_same_name_is_not_probed_for_its_predecessor() -> None:
    """The sequence number of the disk, which never repeats, is compared after the open."""
    with mocked_shelf(1) as shelf:
        assert shelf.run(_successor) == {
            "reason": Reason.GONE,
            "sent": False,
            "log": [],
            "fresh": True,
        }


def test_the_guard_refuses_this_hosts_own_devices() -> None:
    """A test that escaped the shelf would probe real drives: it stops before."""
    with pytest.raises(AssertionError, match="the host's own devices"):
        mocked.inside(__name__, "_find")
