"""Hot plug on the mocked shelf: real udev events through the real discovery."""

from __future__ import annotations

import errno
import os
import select
from typing import Any

from spinledger.device.discovery import Discovery
from spinledger.device.kernel_counters import SysfsCounters
from spinledger.device.prober_client import ProcessProber
from spinledger.model import Gone, Reported
from tests.fakes.mocked import Shelf, mocked_shelf
from tests.fakes.probing import answers, probe_all

FIRST = "wwn-0x50000b0000000000"  # drive 0 of the shelf


def settle(discovery: Discovery, silent_s: float = 0.25) -> list[list[object]]:
    """All changes until none has come for a moment: [what, identity, nodes, pool]."""
    found: list[list[object]] = []
    while select.select([discovery], [], [], silent_s)[0]:
        for change in discovery.changes(0):
            if isinstance(change, Gone):
                found.append(["gone", change.identity])
            else:
                disk = change.disk
                found.append(["seen", disk.identity, list(disk.nodes), disk.pool])
    return found


def _life_of_a_disk(shelf: Shelf) -> dict[str, Any]:
    discovery = Discovery()
    counters = SysfsCounters()
    seen, _ = discovery.scan(0)
    story: dict[str, Any] = {"start": [one.disk.identity for one in seen]}
    shelf.do("change", node="sda")
    story["change without a difference"] = settle(discovery)
    shelf.do("change", node="sda", ID_FS_TYPE="zfs_member", ID_FS_LABEL="frames")
    story["change of pool"] = settle(discovery)
    shelf.do("plug", node="sdb", port=1)
    story["add"] = settle(discovery)
    shelf.do("unplug", node="sda")
    story["remove"] = settle(discovery)
    story["counters of the removed"] = counters.read(seen[0].disk, 0)
    shelf.do("plug", node="sdc", port=5, number=0)
    story["another letter and port"] = settle(discovery)
    story["end"] = [[disk.identity, *disk.nodes] for disk in discovery.disks]
    return story


def test_a_disk_keeps_its_identity_through_its_life() -> None:
    """Add, change, remove and re-plug: reported once each, and only where something differs."""
    with mocked_shelf(1) as shelf:
        story = shelf.run(_life_of_a_disk)
        assert shelf.do("openings") == []
    assert story == {
        "start": [FIRST],
        "change without a difference": [],
        "change of pool": [["seen", FIRST, ["sda"], "frames"]],
        "add": [["seen", "wwn-0x50000b0000000001", ["sdb"], ""]],
        "remove": [["gone", FIRST]],
        "counters of the removed": None,
        "another letter and port": [["seen", FIRST, ["sdc"], ""]],
        "end": [["wwn-0x50000b0000000001", "sdb"], [FIRST, "sdc"]],
    }


def _twins(shelf: Shelf) -> dict[str, Any]:
    discovery = Discovery()
    discovery.scan(0)
    shelf.do("plug", node="sdb", port=1, number=0, serial="TWIN")
    together = settle(discovery)
    collisions = discovery.collisions
    shelf.do("unplug", node="sdb")
    return {"together": together, "collisions": collisions, "alone": settle(discovery)}


def test_two_disks_of_one_name_are_named_by_port() -> None:
    """Each gets its port as a suffix, the collision is reported, and ends with its cause."""
    ports = [f"{FIRST}.pci-0000_00_1f.2-ata-{number}.0" for number in (1, 2)]
    with mocked_shelf(1) as shelf:
        story = shelf.run(_twins)
    assert story["together"] == [
        ["gone", FIRST],
        ["seen", ports[0], ["sda"], ""],
        ["seen", ports[1], ["sdb"], ""],
    ]
    assert len(story["collisions"]) == 1
    assert story["alone"] == [
        ["gone", ports[0]],
        ["gone", ports[1]],
        ["seen", FIRST, ["sda"], ""],
    ]


def _paths(shelf: Shelf) -> dict[str, Any]:
    discovery = Discovery()
    discovery.scan(0)
    counters, prober = SysfsCounters(), ProcessProber()
    story: dict[str, Any] = {}

    def sectors() -> int:
        counted = counters.read(discovery.disks[0], 0)
        assert counted is not None
        return counted.sectors_read

    def mode() -> bool:
        probe_all(prober, discovery.disks)
        return isinstance(answers(prober, 1)[0].reply, Reported)

    story["alone"] = [sectors(), mode()]
    shelf.do("plug", node="sdb", port=9, number=0)
    story["second path"] = settle(discovery)
    shelf.do("set", node="sdb", name="stat", value="0 0 2500 0 0 0 1000 0 0 0 0 0 0 0 0 0 0\n")
    story["both"] = [sectors(), mode()]
    shelf.do("unplug", node="sda")
    story["first path lost"] = settle(discovery)
    story["survivor"] = [sectors(), mode()]
    prober.close()
    return story


def test_two_paths_are_one_disk_until_both_are_gone() -> None:
    """Seen anew with more or fewer nodes, never gone; its counter does not fall, and probes go
    to the path that is left."""
    with mocked_shelf(1) as shelf:
        story = shelf.run(_paths)
        log = shelf.do("log")
    assert story == {
        "alone": [2000, True],
        "second path": [["seen", FIRST, ["sda", "sdb"], ""]],
        "both": [2000, True],
        "first path lost": [["seen", FIRST, ["sdb"], ""]],
        "survivor": [2000, True],
    }
    assert len(log["sdb"]) == 1


def _overrun(shelf: Shelf) -> list[list[object]]:
    discovery = Discovery()
    discovery.scan(0)
    shelf.do("plug", node="sdb", port=1)
    shelf.do("unplug", node="sda")

    def lost(_: float) -> None:
        raise OSError(errno.ENOBUFS, os.strerror(errno.ENOBUFS))

    discovery._monitor.poll = lost
    return [[type(one).__name__] for one in discovery.changes(0)]


def test_lost_events_lead_to_a_new_enumeration() -> None:
    """A full netlink buffer says ENOBUFS (netlink(7)); what came and went is found all the same."""
    with mocked_shelf(1) as shelf:
        assert shelf.run(_overrun) == [["Gone"], ["Seen"]]
