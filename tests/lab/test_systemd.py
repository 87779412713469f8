"""The Debian package and its units, under systemd as process 1 of a machine.

What systemd promises of a setting is in systemd.exec(5), systemd.service(5) and
systemd.resource-control(5); error numbers are those of errno(3). What the drive got is judged by
its own log. Times are seconds of the guest's boot clock. A whole run kills each process once;
`python -m tests.proof service` does so twenty times, mostly while it starts, and stops each.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from spinledger import __version__
from spinledger.device.messages import VERSION, decode_hello
from tests.lab.build import PROJECT, Image
from tests.lab.cases import identity
from tests.lab.guest.names import RECORDS, STATE_PROBES
from tests.lab.vm import Guest

Reported = dict[str, Any]

WEB, PROBER = "spinledger.service", "spinledger-prober.service"
KILLS = 20 if os.environ.get("SPINLEDGER_TESTS_LONG") else 1  # of each process
BACK_S = 10.0  # from a kill to a shown state: a pause of 1 s, a start, and probes every 2 to 4 s
WATCHDOG_S = 4.0  # guest/units.py
STOPPED = "test_a_stopped_process_is_started_again"
EARLIER = "0.0.9"
DRIVE = {"name": "archive", "timer_s": 3.0}


@pytest.fixture(scope="module")
def packages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the package of this checkout, and an earlier build of the same."""
    folder = tmp_path_factory.mktemp("packages")
    build = PROJECT / "exporter/debian/build"
    plain = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "HOME": str(Path.home())}
    built = subprocess.run([build, folder], env=plain, capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stderr
    current, tree = Path(built.stdout.strip()), folder / "tree"
    subprocess.run(["dpkg-deb", "-R", current, tree], check=True)
    for name in ("DEBIAN/control", "usr/lib/spinledger/spinledger/__init__.py"):
        text = (tree / name).read_text()
        assert __version__ in text
        (tree / name).write_text(text.replace(__version__, EARLIER))
    pack = ["dpkg-deb", "-b", "-Zgzip", "--root-owner-group"]
    subprocess.run([*pack, tree, folder / "earlier.deb"], check=True, capture_output=True)
    shutil.rmtree(tree)
    current.rename(folder / "current.deb")
    return folder


@pytest.fixture(scope="module")
def machine(lab_image: Image, packages: Path) -> Iterator[Guest]:
    """A machine with systemd."""
    with Guest(lab_image, {"package": packages}, systemd=True) as own:
        yield own


@pytest.fixture(scope="module")
def drive(drive_number: Callable[[], int]) -> Reported:
    """The watched drive."""
    number = drive_number()
    return DRIVE | {"number": number, "identity": identity(number)}


@pytest.fixture(scope="module")
def installed(machine: Guest, drive: Reported) -> Reported:
    """The earlier build installed, and upgraded."""
    request = json.dumps({"drive": drive})
    report: Reported = machine.python("life", "begin", stdin=request, timeout=600)
    return report


@pytest.fixture(scope="module")
def played(
    request: pytest.FixtureRequest, machine: Guest, drive: Reported, installed: Reported
) -> Reported:
    """What came of all steps with the units; processes are stopped if this run tests that."""
    stops = any(item.name == STOPPED for item in request.session.items)
    asked = json.dumps({"drive": drive, "kills": KILLS, "stops": stops})
    report: Reported = machine.python("units", stdin=asked, timeout=900)
    report["identity"] = drive["identity"]
    return report


@pytest.fixture(scope="module")
def ended(machine: Guest, drive: Reported, played: Reported) -> Reported:
    """The package gone back to the earlier build, removed and purged."""
    request = json.dumps({"drive": drive})
    report: Reported = machine.python("life", "end", stdin=request, timeout=600)
    return report


def of_disk(report: Reported, samples: dict[str, float]) -> dict[str, float]:
    """The disk's counters."""
    label = f'disk="{report["identity"]}"'
    endings = ("_total", "_count", "_bucket", "_sum")
    return {
        name: number
        for name, number in samples.items()
        if label in name and name.partition("{")[0].endswith(endings)
    }


def test_a_disk_in_standby_is_seen_through_both_processes(played: Reported) -> None:
    """The web side shows standby, by probes that only the prober may send."""
    assert played["standby"] < 30
    assert played["greeting"]["ActiveState"] == "active"


def test_a_wake_is_attributed_to_a_service(played: Reported) -> None:
    """The ledger has the act's cause, unit and place: the test's own act."""
    first = played["cycles"][0]
    found = (first["cause"], first["actor"], first["place"])
    assert found == ("read", "viewer.service", played["wake"]["node"])


def test_the_sandbox_of_the_prober(played: Reported) -> None:
    """It reads the disk and opens nothing for writing: DeviceAllow= and DevicePolicy= give EPERM;
    without CAP_MKNOD there is no other node; RestrictAddressFamilies= leaves Unix sockets."""
    tried = played["attempts"][PROBER]
    assert tried["read"] == "done"
    assert {tried[name] for name in ("write", "write only", "generic", "node")} == {"EPERM"}
    assert {tried["network"], tried["packets"]} <= {"EAFNOSUPPORT", "EPERM"}
    assert tried["system"] == "EROFS"  # ProtectSystem=strict


def test_the_sandbox_of_the_web_side(played: Reported) -> None:
    """It has no device, makes none, sees no process of others (ProtectProc=invisible) and no
    tracing, and is not root."""
    tried = played["attempts"][WEB]
    assert {tried[name] for name in ("read", "write", "write only", "generic")} == {"ENOENT"}
    assert tried["node"] == "EPERM"
    assert tried["packets"] in ("EAFNOSUPPORT", "EPERM")
    assert tried["system"] in ("EROFS", "EACCES")
    assert tried["tracing"] == "EACCES"
    assert tried["others"] == []
    assert tried["user"] != 0


@pytest.mark.parametrize("unit", [WEB, PROBER])
def test_the_socket_takes_no_bytes(played: Reported, unit: str) -> None:
    """The prober greets, and refuses all that names bytes, another command or no whole disk."""
    greeting, *replies = played["attempts"][unit]["replies"]
    assert greeting.startswith(f"hello {VERSION} ")
    assert decode_hello(greeting).capabilities == 1 << 17  # CAP_SYS_RAWIO alone, capability.h
    for reply in replies:
        words = reply.split(" ")
        assert (words[0], words[2], words[3]) == ("refused", "malformed", "0"), reply


def test_the_drive_got_only_probes(played: Reported) -> None:
    """By its log: probes of the closed table, reads by the other service, and none when stopped."""
    rows = [row for row in played["log"] if "cdb" in row and row["at"] >= played["began"]]
    got = Counter(row["what"] for row in rows)
    print(got)
    assert any(got[name] for name in STATE_PROBES)
    assert not [name for name in got if name in RECORDS or name.startswith("write")]
    assert not [row for row in played["after"] if "cdb" in row]


def test_reload(played: Reported) -> None:
    """`systemctl reload` puts the changed file in force in the same process."""
    assert played["reload"] == {"good": 1.0, "same process": True}


@pytest.mark.parametrize("unit", [WEB, PROBER])
def test_nothing_stops_a_process_that_is_killed_again_and_again(
    played: Reported, unit: str
) -> None:
    """Each was killed so often, started again each time, and the state was back within seconds."""
    mine = [kill for kill in played["kills"] if kill["unit"] == unit]
    assert len(mine) == KILLS
    back = [kill["back_s"] for kill in mine if "back_s" in kill]
    print(unit, "back after", [f"{seconds:.1f} s" for seconds in back])
    assert back
    assert max(back) < BACK_S


@pytest.mark.parametrize("unit", [WEB, PROBER])
def test_no_counter_of_a_disk_falls(played: Reported, unit: str) -> None:
    """A process that was killed right after a spin-up continues with the same counters."""
    for kill in played["kills"]:
        if kill["unit"] == unit and "after" in kill:
            before = of_disk(played, kill["before"])
            after = of_disk(played, kill["after"])
            assert before
            fallen = {
                name: (number, after.get(name))
                for name, number in before.items()
                if after.get(name, -1) < number
            }
            assert not fallen


def test_nothing_is_lost(played: Reported) -> None:
    """The ledger has each spin-up of the drive's log, and state seconds add up to the time."""
    woke = [row for row in played["log"] if row.get("woke")]
    assert len(played["cycles"]) == len(woke) > 1
    watched = {
        when: sum(
            number
            for name, number in of_disk(played, played[when]).items()
            if name.startswith("spinledger_disk_state_seconds_total")
        )
        for when in ("first", "samples")
    }
    lasted = played["at"] - played["began"]
    assert watched["samples"] - watched["first"] == pytest.approx(lasted, abs=2.0)


@pytest.mark.long
def test_a_stopped_process_is_started_again(played: Reported) -> None:
    """After SIGSTOP the watchdog of systemd ends the process and starts another."""
    assert [stopped["unit"] for stopped in played["stopped"]] == [WEB, PROBER]
    for stopped in played["stopped"]:
        assert stopped["after"] != stopped["stopped"]
        print(stopped["unit"], f"again after {stopped['took']:.1f} s")
        assert stopped["took"] < WATCHDOG_S + BACK_S


def test_stopping_leaves_nothing(played: Reported) -> None:
    """`systemctl stop spinledger` ends both; no tracing instance and no shared memory is left."""
    assert len(played["instances"]) == 1  # before: that of the process that ran
    assert played["left"]["instances"] == []
    assert played["left"]["shared memory"] == []
    assert "active" not in played["left"]["active"]


def test_installing_enables_and_upgrading_keeps(installed: Reported, played: Reported) -> None:
    """The units are enabled as Debian does (deb-systemd-helper(1p)); an upgrade starts both
    processes again, and keeps the configuration and every counter of the disk."""
    assert installed["enabled"] == ["enabled", "enabled"]
    assert installed["version"].endswith(__version__)
    assert installed["kept processes"] == []
    assert "declared_timer" in installed["configuration"]
    before, after = of_disk(played, installed["before"]), of_disk(played, installed["after"])
    assert before
    assert {name for name, number in before.items() if after.get(name, -1) < number} == set()


def test_an_earlier_build_refuses_a_later_ledger(ended: Reported) -> None:
    """Each start says so in one line, and the file is not touched."""
    print(ended["refusals"])
    assert len(set(ended["refusals"])) == 1
    assert "version" in ended["refusals"][0]
    assert ended["untouched"]


def test_removing_keeps_the_ledger(ended: Reported) -> None:
    """Removed: processes, program and units are gone; configuration and ledger stay
    (Debian Policy, 6.8 and 10.7.3)."""
    removed = ended["removed"]
    before, after = ended["spin-ups"]["before"], ended["spin-ups"]["after"]
    assert [row["at_ms"] for row in after] == [row["at_ms"] for row in before]  # a cause may come
    assert removed["ledger"]
    assert removed["processes"] == removed["instances"] == removed["shared memory"] == []
    assert not {"/usr/lib/spinledger", "/usr/share/spinledger"} & set(removed["places"])


def test_purging_leaves_nothing(ended: Reported) -> None:
    """Purged: no file, no folder, no link of a unit."""
    assert ended["purged"] == {
        "places": [],
        "ledger": False,
        "shared memory": [],
        "instances": [],
        "processes": [],
    }
