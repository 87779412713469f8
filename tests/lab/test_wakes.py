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

from tests.lab.build import PROJECT, Image
from tests.lab.cases import identity
from tests.lab.vm import Guest

Reported = dict[str, Any]


class Case(NamedTuple):
    """One act, and what the ledger should say of the wake of `drives[0]`."""

    name: str
    drives: list[str]
    run: str
    cause: str
    actor: str
    place: str
    unit: str = ""
    before: str = ""
    lasts: float = 4.0


ARCHIVE = "{archive}1, ext4 on /srv/photos"
READ = "dd if=%s of=/dev/null bs=4k count=1 iflag=direct%s status=none"
SMART_READ_DATA = "sg_raw --readonly /dev/{archive} 85 08 0e 00 d0 00 01 00 00 00 4f 00 c2 00 b0 00"
LATER = 9.0  # seconds: the journal's 5, or the 8 and 1 that guest/waking.py sets, and a spin-up

CASES = [
    Case("a read", ["archive"], READ % ("/srv/photos/a", ",noatime"),
         "read", "viewer.service", ARCHIVE, "viewer.service"),
    # The program has ended when its doing is looked up: it goes by its name.
    Case("an access time", ["archive"], "cat /srv/photos/c >/dev/null",
         "metadata", "cat", ARCHIVE, "gallery.service", lasts=LATER,
         before="cat /srv/photos/c >/dev/null; touch -a -d '2 days ago' /srv/photos/c; sync"),
    Case("another tool's query", ["archive"], f"{SMART_READ_DATA} >/dev/null 2>&1",
         "passthrough", "inspector.service", "{archive}", "inspector.service"),
    Case("a read, spin-up of 8 s", ["slow"], READ % ("/dev/{slow}", ""),
         "read", "scanner.service", "{slow}", "scanner.service", lasts=10.0),
]  # fmt: skip
PREPARE = """set -e
modprobe ext4
addpart /dev/{archive} 1 2048 61440; udevadm settle
mkfs.ext4 -q -E lazy_itable_init=0,lazy_journal_init=0 /dev/{archive}1
mkdir -p /srv/photos; mount /dev/{archive}1 /srv/photos
head -c 65536 /dev/zero >/srv/photos/a; echo b >/srv/photos/b; echo c >/srv/photos/c
sync
"""
CLEAN = "umount /srv/photos"
SPIN_UPS = {"archive": 1.0, "slow": 8.0}


@pytest.fixture(scope="module")
def machine(lab_image: Image) -> Iterator[Guest]:
    """A machine of its own, for what it mounts and writes."""
    with Guest(lab_image, {"exporter": PROJECT / "exporter"}) as own:
        yield own


@pytest.fixture(scope="module")
def played(machine: Guest, drive_number: Callable[[], int]) -> Reported:
    """What came of all cases."""
    return play(machine, drive_number, CASES, PREPARE, CLEAN, SPIN_UPS)


def play(
    guest: Guest,
    drive_number: Callable[[], int],
    cases: list[Case],
    prepare: str,
    clean: str,
    spinups: dict[str, float],
) -> Reported:
    """Play cases in the guest, with drives that take so many seconds to spin up."""
    drives = {}
    for name, spinup_s in spinups.items():
        number = drive_number()
        drives[name] = {
            "number": number,
            "timer_s": 3.0,
            "spinup_s": spinup_s,
            "size_mib": 32,
            "quirks": ["wakes-on-record"],
            "identity": identity(number),
        }
    identities = {name: str(traits["identity"]) for name, traits in drives.items()}
    acts = [
        {key: value for key, value in case._asdict().items() if key not in ("cause", "actor")}
        for case in cases
    ]
    request = {"drives": drives, "acts": acts, "prepare": prepare, "clean": clean}
    report: Reported = guest.python("waking", stdin=json.dumps(request), timeout=900)
    report["identities"] = identities
    return report


def cycle(report: Reported, drive: str, act: Reported) -> Reported:
    """The ledger's row of the first spin-up of a drive in an act."""
    for row in report["cycles"]:
        recorded_s = row["boot_ns"] / 1e9
        mine = row["identity"] == report["identities"][drive]
        if mine and act["at"] - 0.6 <= recorded_s <= act["until"]:
            return dict(row)
    return {"cause": None, "actor": None, "place": None, "wait_ms": None}


def logged(report: Reported, drive: str, act: Reported) -> float:
    """Seconds that the drive's log has between the command that woke it and its end."""
    for row in report["logs"][drive]:
        if row.get("woke") and act["at"] - 0.1 <= row["at"] <= act["until"]:
            return float(row["done"]) - float(row["at"])
    raise AssertionError(f"{drive} did not wake in {act}")


def found(report: Reported, case: Case) -> tuple[str, str, str]:
    """Cause, actor and place in the ledger."""
    act = next(act for act in report["acts"] if act["name"] == case.name)
    row = cycle(report, woken(report, case)[0], act)
    return row["cause"], row["actor"], row["place"]


def woken(report: Reported, case: Case) -> list[str]:
    """The drives that spun up in an act, by the ledger; the first of the case where none did."""
    act = next(act for act in report["acts"] if act["name"] == case.name)
    names = [name for name in case.drives if cycle(report, name, act)["cause"] is not None]
    return names or case.drives[:1]


def expected(report: Reported, case: Case) -> tuple[str, str, str]:
    """The same by the act."""
    return case.cause, case.actor, case.place.format(**report["nodes"])


def table(report: Reported, cases: list[Case]) -> None:
    """Print expected and found."""
    for case in cases:
        want, have = expected(report, case), found(report, case)
        act = next(act for act in report["acts"] if act["name"] == case.name)
        drive = woken(report, case)[0]
        row = cycle(report, drive, act)
        try:
            waited = f"{logged(report, drive, act):.3f}"
        except AssertionError:
            waited = "-"
        mark = "  " if want == have else "! "
        print(f"{mark}{case.name:32} expected {want}\n{'':34} found    {have}")
        print(f"{'':34} waited   {row['wait_ms']} ms, by the drive's log {waited} s")


@pytest.mark.parametrize("case", CASES, ids=[case.name for case in CASES])
def test_wake_is_attributed(played: Reported, case: Case) -> None:
    """Cause, actor and place in the ledger are those of the act."""
    table(played, [case])
    assert found(played, case) == expected(played, case), played["log"][-2000:]


@pytest.mark.parametrize("case", CASES, ids=[case.name for case in CASES])
def test_wait_is_the_drives(played: Reported, case: Case) -> None:
    """The wait in the ledger is within 10 % of the drive's own log."""
    act = next(act for act in played["acts"] if act["name"] == case.name)
    for drive in woken(played, case):
        waited_s = cycle(played, drive, act)["wait_ms"] / 1000
        assert waited_s == pytest.approx(logged(played, drive, act), rel=0.1)


def test_the_instance_is_removed(played: Reported) -> None:
    """One instance while it runs, none after; that of a process that was killed is removed."""
    assert len(played["instances"]) == 1
    assert played["left_behind"] == []
