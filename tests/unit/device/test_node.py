"""What one node is: skipped with a reason, or described, from sysfs alone."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from spinledger.device.identity import Node
from spinledger.device.node import _TRANSPORTS, LOGICAL_VOLUME, USB_BRIDGE, read_node
from spinledger.model import Command, Disk
from tests.fakes.drive_bytes import identify, vpd80, vpd83, vpd89, vpdb1
from tests.fakes.sysfs_tree import CONTROLLER, SAS, SATA, USB, Tree

WWN = "0x50000b0000000001"


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    """An empty sysfs."""
    return Tree(tmp_path)


def _nothing(_: str) -> Mapping[str, str]:
    return {}


def described(tree: Tree, name: str, udev: Mapping[str, str] | None = None) -> Disk:
    """The disk behind a node that must not be skipped."""
    node = read_node(str(tree.root), name, lambda _: udev or {})
    assert isinstance(node, Node), node
    return node.disk


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("loop0", "loop"),
        ("md0", "md"),
        ("md_archive", "md"),
        ("dm-3", "dm"),
        ("zram0", "zram"),
        ("ram1", "ram"),
        ("nbd0", "nbd"),
        ("zd0", "virtual"),
    ],
)
def test_virtual_devices_are_skipped_by_kind(tree: Tree, name: str, reason: str) -> None:
    """Whatever claims to rotate below /sys/devices/virtual is no disk (common practice)."""
    tree.stacked(name)
    assert read_node(str(tree.root), name, _nothing) == reason


@pytest.mark.parametrize(
    ("name", "above", "files", "reason"),
    [
        ("sr0", SATA, {"device__type": "5"}, "optical"),
        ("sda", SATA, {"device__type": "7"}, "optical"),
        ("vda", "pci0000:00/0000:00:04.0/virtio1", {}, "virtio"),
        ("sda", "pci0000:00/0000:00:05.0/virtio2/host0/target0:0:0/0:0:0:0", {}, "virtio"),
        ("xvda", "vbd-51712", {}, "guest"),
        ("sda", "vbd-2048", {}, "guest"),
        ("nvme0n1", "pci0000:00/0000:01:00.0/nvme/nvme0", {"queue__rotational": "0"}, "nvme"),
        ("mmcblk0", "platform/mmc0/mmc0:0001", {"queue__rotational": "0"}, "non_rotating"),
        ("sdb", SATA, {"queue__rotational": "0"}, "non_rotating"),
        ("sdb", USB, {"size": "0"}, "zero_size"),
        ("rbd0", "rbd/0", {}, "unsupported"),
    ],
)
def test_other_devices_are_skipped_with_a_reason(
    tree: Tree, name: str, above: str, files: dict[str, str], reason: str
) -> None:
    """Types 5 and 7 are optical (SPC-4 6.6.2, from memory); the rest is common practice."""
    tree.disk(name, above, **files)
    assert read_node(str(tree.root), name, _nothing) == reason


PLACES = {"sata": SATA, "sas": SAS, "usb": USB, "scsi": CONTROLLER}


@pytest.mark.parametrize("transport", [*(name for name, _ in _TRANSPORTS), "scsi"])
def test_every_transport_is_recognised_by_its_place(tree: Tree, transport: str) -> None:
    """Each row of the table has a disk here; one at no such place is plain SCSI."""
    tree.disk("sda", PLACES[transport])
    assert described(tree, "sda").transport == transport


def test_a_vanished_node_is_no_error(tree: Tree) -> None:
    """A link whose directory has gone is skipped."""
    (tree.root / "block/sda").symlink_to("../devices/gone/block/sda")
    assert read_node(str(tree.root), "sda", _nothing) == "vanished"


def test_removable_alone_is_no_reason_to_skip(tree: Tree) -> None:
    """Hot-plug bays carry the removable bit."""
    tree.disk("sda", SATA, removable="1")
    assert described(tree, "sda").nodes == ("sda",)


@pytest.mark.parametrize(
    ("flag", "files", "rpm"),
    [
        ("1", {"device__vpd_pg89": vpd89(identify("A1", WWN, rotation=0x1C20))}, 7200),
        ("0", {"device__vpd_pg89": vpd89(identify("A1", WWN, rotation=0x1C20))}, 7200),
        ("1", {"device__vpd_pg89": vpd89(identify("A1", WWN, rotation=0x0001))}, None),
        ("1", {"device__vpd_pg89": vpd89(identify("A1", WWN, rotation=0x0000))}, 0),
        ("0", {"device__vpd_pg89": vpd89(identify("A1", WWN, rotation=0x0000))}, None),
        ("0", {"device__vpd_pgb1": vpdb1(0x1518)}, 5400),
        ("0", {"device__vpd_pgb1": vpdb1(0x0001)}, None),
        ("1", {"device__vpd_pgb1": vpdb1(0x0001)}, 0),
        ("1", {"device__vpd_pgb1": b"\0\xb1\0"}, 0),
    ],
)
def test_the_drives_report_of_its_rotation_wins(
    tree: Tree, flag: str, files: dict[str, bytes], rpm: int | None
) -> None:
    """1C20h is 7200 and 1518h 5400 a minute, 0001h non-rotating, 0000h not reported (Linux
    6.12 include/linux/ata.h:897-908). None stands for skipped. A 1 in queue/rotational beside a
    non-rotating page B1h is the owner's, since the kernel itself would have written 0 (sd.c)."""
    disk = tree.disk("sda", SATA, queue__rotational=flag)
    tree.write(disk, files)
    if rpm is None:
        assert read_node(str(tree.root), "sda", _nothing) == "non_rotating"
    else:
        assert described(tree, "sda").rotation_rpm == rpm


def test_a_sata_disk_is_described_from_the_kernels_copy(tree: Tree) -> None:
    """Everything the metric contract needs, from VPD page 89h alone."""
    tree.disk("sda", SATA, device__vpd_pg89=vpd89(identify("A-1", WWN, apm=0x80)))
    disk = described(
        tree, "sda", {"DEVLINKS": "/dev/disk/by-path/x /dev/disk/by-id/ata-OLD_NAME_A-1"}
    )
    assert disk == Disk(
        identity=f"wwn-{WWN}",
        nodes=("sda",),
        transport="sata",
        model="LAB HDD 5400",
        serial="A-1",
        firmware="LAB1",
        wwn=WWN,
        rotation_rpm=5400,
        pool="",
        device="LAB_HDD_5400_A-1",
        probe_method=Command.CHECK_POWER_MODE_16,
        diskseq=9,
        aliases=("ata-LAB_HDD_5400_A-1", "ata-OLD_NAME_A-1"),
        apm_level=128,
        standard_timer=True,
        gpl=False,
        epc=False,
    )


@pytest.mark.parametrize(
    ("channel", "device"), [(0, "dev3.0"), (2, "dev3.2.0")], ids=["plain port", "port multiplier"]
)
def test_libatas_copy_is_found_and_preferred(tree: Tree, channel: int, device: str) -> None:
    """The id file follows a change of APM; its place is that of libata-transport.c."""
    above = f"pci0000:00/ata3/host2/target2:{channel}:0/2:{channel}:0:0"
    tree.disk("sda", above, device__vpd_pg89=vpd89(identify("A-1", WWN, apm=0x80)))
    data = identify("A-1", WWN, apm=0x01)
    words = [f"{data[at + 1]:02x}{data[at]:02x}" for at in range(0, 512, 2)]
    lines = (" ".join(words[at : at + 8]) for at in range(0, 256, 8))
    tree.write(tree.root / "class/ata_device" / device, {"id": "\n".join(lines)})
    assert described(tree, "sda").apm_level == 1


def test_a_sata_disk_behind_sas_is_probed_as_ata(tree: Tree) -> None:
    """Vendor "ATA" means SAT, whatever is before it (SAT-3, from memory)."""
    tree.disk("sda", SAS, device__vpd_pg89=vpd89(identify("A-1", WWN)))
    disk = described(tree, "sda")
    assert (disk.transport, disk.probe_method) == ("sas", Command.CHECK_POWER_MODE_16)


def test_a_sas_disk_is_named_by_its_logical_unit(tree: Tree) -> None:
    """The port's own name in page 83h is not the disk's (association: SPC-4 7.8.6, from memory)."""
    tree.disk(
        "sda",
        SAS,
        vendor="ARCHIVE",
        device__vpd_pg80=vpd80("S-7"),
        device__vpd_pg83=vpd83("0x5000000000000abc"),
        device__vpd_pgb1=vpdb1(7200),
        device__vpd_pg89=vpd89(identify("NOT-ATA", WWN)),
    )
    disk = described(tree, "sda")
    assert (disk.identity, disk.serial) == ("wwn-0x5000000000000abc", "S-7")
    assert (disk.transport, disk.probe_method) == ("sas", Command.REQUEST_SENSE)


def test_a_logical_volume_is_not_probed(tree: Tree) -> None:
    """No ATA, no SAS end device, no rotation rate: watched by counters, with the reason."""
    tree.disk("sda", CONTROLLER, vendor="LAB")
    disk = described(tree, "sda")
    assert (disk.probe_method, disk.not_probed_because) == (None, LOGICAL_VOLUME)


def test_a_physical_disk_passed_by_a_controller_is_probed(tree: Tree) -> None:
    """A rotation rate of its own marks a physical disk even without a SAS end device."""
    tree.disk("sda", CONTROLLER, vendor="LAB", device__vpd_pgb1=vpdb1(7200))
    assert described(tree, "sda").probe_method is Command.REQUEST_SENSE


def test_a_usb_disk_has_a_method_and_a_reason_against_it(tree: Tree) -> None:
    """Probed only when configured, as the sentence says."""
    tree.disk("sda", USB, vendor="BRIDGE", device__vpd_pg80=vpd80("U 1"))
    disk = described(tree, "sda")
    assert disk.identity == "usb-LAB_HDD_5400_U_1"
    assert (disk.probe_method, disk.not_probed_because) == (Command.CHECK_POWER_MODE_16, USB_BRIDGE)


@pytest.mark.parametrize(
    ("files", "udev", "identity"),
    [
        ({"device__wwid": "naa.50000b0000000002"}, {}, "wwn-0x50000b0000000002"),
        ({"device__wwid": "t10.ATA     LAB HDD"}, {"ID_WWN": "0x50000b0000000003"}, None),
        (
            {},
            {
                "ID_WWN": "0x6000000000000004",
                "ID_WWN_WITH_EXTENSION": "0x60000000000000040000000000000005",
            },
            "wwn-0x60000000000000040000000000000005",
        ),
        ({}, {"ID_SERIAL_SHORT": "S/1 x"}, "ata-LAB_HDD_5400_S_1_x"),
        ({}, {"ID_PATH": "pci-0000:00:1f.2-ata-3.0"}, "ata-LAB_HDD_5400_pci-0000_00_1f.2-ata-3.0"),
    ],
)
def test_identity_falls_back_step_by_step(
    tree: Tree, files: dict[str, str], udev: dict[str, str], identity: str | None
) -> None:
    """sysfs wwid, then udev, then model and serial, then the port (our own order of trust)."""
    tree.disk("sda", SATA, **files)
    expected = identity or f"wwn-{udev['ID_WWN']}"
    assert described(tree, "sda", udev).identity == expected


def test_uncounted_disks_are_marked(tree: Tree) -> None:
    """queue/iostats of 0: the kernel counts no sectors (Documentation/ABI sysfs-block)."""
    tree.disk("sda", SATA, queue__iostats="0")
    assert not described(tree, "sda").iostats


def test_two_units_of_one_spindle_share_the_device(tree: Tree) -> None:
    """Two logical units of one SAS target with one serial and two names (common practice)."""
    for lun, name in enumerate(("sda", "sdb")):
        tree.disk(
            name,
            SAS.removesuffix("0") + str(lun),
            vendor="ARCHIVE",
            device__vpd_pg80=vpd80("S-7"),
            device__vpd_pg83=vpd83(f"0x5000000000000ab{lun}"),
            device__vpd_pgb1=vpdb1(7200),
        )
    first, second = described(tree, "sda"), described(tree, "sdb")
    assert first.device == second.device
    assert first.identity != second.identity
