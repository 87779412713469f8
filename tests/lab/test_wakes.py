"""What woke a disk: the exporter's ledger against what was done, and against the drives' own logs.

Each act is done by a known unit to a sleeping disk; the table of expected and found is printed. The
causes and actors are known from the act; the waits from the drive's log. That the journal of ext4
is written within `commit` (5 s) is in Linux Documentation/admin-guide/ext4.rst, that dirty data is
after dirty_expire_centisecs in Documentation/admin-guide/sysctl/vm.rst, and that access times under
relatime are written when older than the file in mount(8).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

import pytest

from spinledger.strip import SpinUp
from spinledger.wakers import Wake, wakes
from tests.lab.build import PROJECT, Image
from tests.lab.cases import identity
from tests.lab.vm import Guest

Reported = dict[str, Any]


class Case(NamedTuple):
    """One act, and what the ledger should say of the wake of those of `drives` that it wakes."""

    round: int  # acts of one round run side by side
    name: str
    drives: list[str]
    run: str
    cause: str
    actor: str
    place: str
    unit: str = ""
    before: str = ""
    lasts: float = 5.0
    members: int = 1  # how many of the drives it wakes


ARCHIVE = "{archive}1, ext4 on /srv/photos"
LOGS = "{annex}, ext4 on /srv/logs"
MIRROR = "md0, ext4 on /srv/mirror"
STRIPES = "md1"
VOLUME = "vault-scans, xfs on /srv/scans"
TREE = "{tree}, btrfs on /srv/plates"
READ = "dd if=%s of=/dev/null bs=4k count=%d iflag=direct%s status=none"
WRITE = "dd if=/dev/zero of=%s bs=4k count=1 conv=notrunc%s status=none"
DIRECT, SYNCED = " oflag=direct", ",fsync"
LAZILY = "mount -o remount,lazytime /srv/%s"
SMART_READ_DATA = "sg_raw --readonly /dev/{archive} 85 08 0e 00 d0 00 01 00 00 00 4f 00 c2 00 b0 00"
LATER = 14.0  # seconds: the 8 and 1 that guest/waking.py sets, or a journal's 5, and a spin-up
LOSING = """cd /sys/kernel/tracing/instances; own=$(ls -d spinledger-wakes-*)
kill -STOP ${{own##*-}}; echo 4 >$own/buffer_size_kb
dd if=/dev/{slow} of=/dev/null bs=4k count=300 iflag=direct status=none
kill -CONT ${{own##*-}}"""
PAIR, THREE = ["left", "right"], ["one", "two", "three"]

CASES = [
    # No event names who changed these, so the file system is the boundary.
    Case(0, "xfs on LVM: an access time", ["volume"], "cat /srv/scans/c >/dev/null",
         "journal", "log of xfs", VOLUME, "gallery.service"),
    Case(0, "btrfs: an access time", ["tree"], "cat /srv/plates/c >/dev/null",
         "journal", "transaction of btrfs", TREE, "gallery.service", lasts=LATER),
    # The program runs on, as that of a service does.
    Case(0, "ext4: a new file", ["archive"], ": >/srv/photos/new; sleep 9",
         "journal", "editor.service", ARCHIVE, "editor.service", lasts=LATER),
    # The program has ended when its doing is looked up: it goes by its name.
    Case(0, "ext4: an access time", ["annex"], "cat /srv/logs/c >/dev/null",
         "metadata", "cat", LOGS, "gallery.service", lasts=LATER,
         before="cat /srv/logs/c >/dev/null; touch -a -d '2 days ago' /srv/logs/c"),

    Case(1, "xfs on LVM: a change of rights", ["volume"], "chmod 640 /srv/scans/b",
         "journal", "log of xfs", VOLUME, "keeper.service"),
    Case(1, "ext4: a read", ["archive"], READ % ("/srv/photos/a", 1, ",noatime"),
         "read", "viewer.service", ARCHIVE, "viewer.service"),
    Case(1, "a read, spin-up of 8 s", ["slow"], READ % ("/dev/{slow}", 1, ""),
         "read", "scanner.service", "{slow}", "scanner.service", lasts=10.5),
    Case(1, "raid1: a read", PAIR, READ % ("/srv/mirror/a", 1, ""),
         "read", "viewer.service", MIRROR, "viewer.service"),
    Case(1, "raid5: a read over three chunks", THREE, READ % ("/dev/md1", 3, ""),
         "read", "viewer.service", STRIPES, "viewer.service", members=3),
    Case(1, "btrfs: a read", ["tree"], READ % ("/srv/plates/a", 1, ",noatime"),
         "read", "viewer.service", TREE, "viewer.service"),
    # The program has ended when it is flushed, and is known by its control group.
    Case(1, "ext4: a buffered write, flushed later", ["annex"], WRITE % ("/srv/logs/a", ""),
         "writeback", "logger.service", LOGS, "logger.service", LAZILY % "logs", LATER),

    Case(2, "ext4: a direct write", ["archive"], WRITE % ("/srv/photos/a", DIRECT),
         "write", "importer.service", ARCHIVE, "importer.service"),
    Case(2, "raid1: a direct write", PAIR, WRITE % ("/srv/mirror/a", DIRECT),
         "write", "importer.service", MIRROR, "importer.service", members=2),
    Case(2, "raid5: a direct write", THREE, WRITE % ("/dev/md1", DIRECT),
         "write", "importer.service", STRIPES, "importer.service", members=3),
    Case(2, "xfs on LVM: a direct write", ["volume"], WRITE % ("/srv/scans/a", DIRECT),
         "write", "importer.service", VOLUME, "importer.service"),
    Case(2, "btrfs: a direct write", ["tree"], WRITE % ("/srv/plates/a", DIRECT),
         "write", "importer.service", TREE, "importer.service"),

    Case(3, "raid1: a check", PAIR, "echo check >/sys/block/md0/md/sync_action",
         "check", "md check", MIRROR, before="echo idle >/sys/block/md0/md/sync_action", members=2),
    Case(3, "ext4: an fsync", ["archive"], WRITE % ("/srv/photos/a", SYNCED),
         "write", "recorder.service", ARCHIVE, "recorder.service"),
    Case(3, "xfs on LVM: an fsync", ["volume"], WRITE % ("/srv/scans/a", SYNCED),
         "write", "recorder.service", VOLUME, "recorder.service"),
    Case(3, "btrfs: an fsync", ["tree"], WRITE % ("/srv/plates/a", SYNCED),
         "write", "recorder.service", TREE, "recorder.service"),

    Case(4, "xfs on LVM: a buffered write, flushed later", ["volume"], WRITE % ("/srv/scans/a", ""),
         "writeback", "logger.service", VOLUME, "logger.service", LAZILY % "scans", LATER),
    Case(4, "another tool's query", ["archive"], f"{SMART_READ_DATA} >/dev/null 2>&1",
         "passthrough", "inspector.service", "{archive}", "inspector.service"),

    # The kernel's counters still say that it was a read.
    Case(5, "events are lost", ["slow"], LOSING, "read", "", "{slow}", lasts=12.0),
]  # fmt: skip
PREPARE = """set -e
modprobe -a ext4 xfs btrfs dm_mod raid1 raid456
fresh='mkfs.ext4 -q -E lazy_itable_init=0,lazy_journal_init=0'
array='mdadm --create --run --bitmap=none --assume-clean'
addpart /dev/{archive} 1 2048 61440; udevadm settle
$fresh /dev/{archive}1; $fresh /dev/{annex}
$array /dev/md0 --level=1 --raid-devices=2 /dev/{left} /dev/{right} 2>&1
$array /dev/md1 --level=5 --raid-devices=3 --chunk=4 /dev/{one} /dev/{two} /dev/{three} 2>&1
udevadm settle
$fresh /dev/md0
pvcreate -qy /dev/{volume}; vgcreate -q vault /dev/{volume}; lvcreate -qy -l 100%FREE -n scans vault
mkfs.xfs -q --unsupported /dev/vault/scans
mkfs.btrfs -q -m single -d single /dev/{tree}
echo 100 >/proc/sys/fs/xfs/xfssyncd_centisecs
cd /srv; mkdir -p photos logs mirror scans plates
mount /dev/{archive}1 photos; mount /dev/{annex} logs; mount -o noatime /dev/md0 mirror
mount /dev/vault/scans scans; mount -o commit=5 /dev/{tree} plates
for one in *; do head -c 65536 /dev/zero >$one/a; echo b >$one/b; echo c >$one/c; done
sync
touch -a -d '2 days ago' scans/c plates/c
sync
"""
CLEAN = """cd /srv; umount photos logs mirror scans plates; mdadm --stop /dev/md0 /dev/md1
vgchange -qan vault"""
SPIN_UPS = {
    "archive": 1.0,
    "annex": 1.0,
    "slow": 8.0,
    **dict.fromkeys([*PAIR, *THREE, "volume", "tree"], 1.0),
}
SIZES = {"volume": 128, "tree": 160}  # MiB; the others have 32


@pytest.fixture(scope="module")
def machine(lab_image: Image) -> Iterator[Guest]:
    """A machine of its own, for what it mounts and writes."""
    with Guest(lab_image, {"exporter": PROJECT / "exporter"}) as own:
        yield own


@pytest.fixture(scope="module")
def played(machine: Guest, drive_number: Callable[[], int]) -> Reported:
    """What came of all cases."""
    return play(machine, drive_number)


def play(guest: Guest, drive_number: Callable[[], int]) -> Reported:
    """Play the cases in the guest."""
    drives = {}
    for name, spinup_s in SPIN_UPS.items():
        number = drive_number()
        drives[name] = {
            "number": number,
            "timer_s": 3.0,
            "spinup_s": spinup_s,
            "size_mib": SIZES.get(name, 32),
            "quirks": ["wakes-on-record"],
            "identity": identity(number),
        }
    identities = {name: str(traits["identity"]) for name, traits in drives.items()}
    rounds: list[list[dict[str, Any]]] = []
    for case in CASES:
        while len(rounds) <= case.round:
            rounds.append([])
        given = ("name", "drives", "run", "unit", "before", "lasts")
        rounds[case.round].append({key: getattr(case, key) for key in given})
    request = {"drives": drives, "rounds": rounds, "prepare": PREPARE, "clean": CLEAN}
    report: Reported = guest.python("waking", stdin=json.dumps(request), timeout=900)
    report["identities"] = identities
    return report


def act_of(report: Reported, case: Case) -> Reported:
    """When it was played."""
    return next(act for act in report["acts"] if act["name"] == case.name)


def cycles(report: Reported, case: Case) -> dict[str, Reported]:
    """The ledger's row of the first spin-up in an act, of each drive that has one."""
    act = act_of(report, case)
    found: dict[str, Reported] = {}
    for drive in case.drives:
        for row in report["cycles"]:
            mine = row["identity"] == report["identities"][drive]
            if mine and act["at"] - 0.6 <= row["boot_ns"] / 1e9 <= act["until"]:
                found.setdefault(drive, row)
    return found


def logged(report: Reported, case: Case) -> dict[str, tuple[float, float]]:
    """When the command came that woke a drive and when it ended, by the logs of the drives."""
    act = act_of(report, case)
    found: dict[str, tuple[float, float]] = {}
    for drive in case.drives:
        for row in report["logs"][drive]:
            if row.get("woke") and act["at"] - 0.1 <= row["at"] <= act["until"]:
                found.setdefault(drive, (float(row["at"]), float(row["done"])))
    return found


def wakes_of(report: Reported, case: Case) -> list[Wake]:
    """The spin-ups of an act as pages and terminal show them: those of a pool as one wake."""
    found = wakes(
        {
            drive: [
                SpinUp(
                    row["boot_ns"], True, row["cause"], row["actor"],
                    None if row["wait_ms"] is None else row["wait_ms"] * 1_000_000, row["place"],
                )
            ]
            for drive, row in cycles(report, case).items()
        }
    )  # fmt: skip
    return list(found)


def table(report: Reported) -> str:
    """Expected and found, a case a paragraph."""
    lines = []
    for case in CASES:
        want = (case.cause, case.actor, case.place.format(**report["nodes"]))
        lines += [case.name, f"    expected {want}, {case.members} of {len(case.drives)}"]
        for wake in wakes_of(report, case):
            waits = [f"{done - at:.3f}" for at, done in logged(report, case).values()]
            lines.append(
                f"    found    {(wake.cause, wake.actor, wake.place)}, {len(wake.members)}; waited "
                f"{(wake.wait or 0) / 1e9:.3f} s, by the drives' logs {' and '.join(waits)} s"
            )
    return "\n".join(lines)


@pytest.mark.parametrize("case", CASES, ids=[case.name for case in CASES])
def test_wake_is_attributed(played: Reported, case: Case) -> None:
    """One wake, of as many members as expected; its cause, actor and place are those of the act."""
    (wake,) = wakes_of(played, case)
    assert (wake.cause, wake.actor, wake.place) == (
        case.cause,
        case.actor,
        case.place.format(**played["nodes"]),
    )
    assert len(wake.members) == len(logged(played, case)) == case.members


@pytest.mark.parametrize("case", CASES[:-1], ids=[case.name for case in CASES[:-1]])
def test_wait_is_the_drives(played: Reported, case: Case) -> None:
    """The waits in the ledger are within 10 % of the drives' logs; serial ones are added.

    A wait begins when the request is queued, the drive's log when it gets the command: other acts
    of the same round delay that on the one emulated processor, seen by 0.15 s with three of them.
    """
    rows, logs = cycles(played, case), logged(played, case)
    others_s = 0.1 * (sum(one.round == case.round for one in CASES) - 1)
    for drive, row in rows.items():
        at, done = logs[drive]
        assert row["wait_ms"] / 1000 == pytest.approx(done - at, rel=0.1, abs=others_s)
    (wake,) = wakes_of(played, case)
    waited_s, ends = 0.0, 0.0
    for at, done in sorted(logs.values()):
        waited_s, ends = waited_s + max(0.0, done - max(at, ends)), max(ends, done)
    assert wake.wait is not None
    assert wake.wait / 1e9 == pytest.approx(waited_s, rel=0.1, abs=others_s)


def test_losses_are_counted(played: Reported) -> None:
    """Events that found no room are in the metric, for the disk whose wake was not seen."""
    lost = next(
        line
        for line in played["metrics"].splitlines()
        if line.startswith("spinledger_trace_events_lost_total")
        and played["identities"]["slow"] in line
    )
    assert float(lost.rsplit(" ", 1)[1]) > 0


def test_the_instance_is_removed(played: Reported) -> None:
    """One instance while it runs, none after; that of a process that was killed is removed."""
    assert len(played["instances"]) == 1
    assert played["left_behind"] == []


def test_table(played: Reported) -> None:
    """Prints what was expected and found (pytest -s); each case has a row of each."""
    shown = table(played)
    print(f"\n{shown}")
    assert shown.count("    found") == len(CASES)
