"""A disk by what a screen shows of it."""

from __future__ import annotations

import pytest

from spinledger.config.naming import Names, identify, names_of
from spinledger.errors import BadInput
from tests.fakes.snapshots import disk

KNOWN: Names = {
    "wwn-0x5000c500a1b20000": ("sda", "LAB00000", "ata-LAB_HDD_7200_LAB00000"),
    "wwn-0x5000c500a1b20001": ("sdb", "sdd", "LAB00001"),
    "usb-attic_bridge_1": ("sdc", "LAB00001"),
    "sda": (),
}


@pytest.mark.parametrize(
    ("name", "identity"),
    [
        ("wwn-0x5000c500a1b20000", "wwn-0x5000c500a1b20000"),
        ("sdb", "wwn-0x5000c500a1b20001"),
        ("sdd", "wwn-0x5000c500a1b20001"),
        ("/dev/sdc", "usb-attic_bridge_1"),
        ("LAB00000", "wwn-0x5000c500a1b20000"),
        ("/dev/disk/by-id/ata-LAB_HDD_7200_LAB00000", "wwn-0x5000c500a1b20000"),
        ("sda", "sda"),
    ],
)
def test_a_disk_by_each_of_its_names(name: str, identity: str) -> None:
    """Kernel name of any path, serial number, link; an identity goes before other names."""
    assert identify(KNOWN, name, "--disk") == identity


@pytest.mark.parametrize(
    ("name", "line"),
    [
        (
            "LAB00001",
            '--disk: "LAB00001" is a name of several disks; '
            "choose from: sdb (wwn-0x5000c500a1b20001), sdc (usb-attic_bridge_1)",
        ),
        (
            "sdq",
            '--disk: "sdq" is no disk here; choose from: sda, sda (wwn-0x5000c500a1b20000), '
            "sdb (wwn-0x5000c500a1b20001), sdc (usb-attic_bridge_1)",
        ),
    ],
)
def test_a_name_of_none_or_several_is_one_line(name: str, line: str) -> None:
    """With the disks to choose from."""
    with pytest.raises(BadInput) as caught:
        identify(KNOWN, name, "--disk")
    assert str(caught.value) == line


def test_many_disks_are_not_all_listed() -> None:
    """Eight, and how many more; none is said in a word."""
    many: Names = {f"wwn-0x{number}": () for number in range(11)}
    with pytest.raises(BadInput, match=r"wwn-0x6 and 3 more$"):
        identify(many, "sda", "--disk")
    with pytest.raises(BadInput, match=r"choose from: none$"):
        identify({}, "sda", "--disk")


def test_the_names_of_a_disk() -> None:
    """Those a screen shows, beside the identity."""
    assert names_of(disk(0)) == ("sda", "LAB00000")
