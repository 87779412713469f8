"""From nodes to disks: paths, collisions, aliases."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spinledger.device.identity import Node, assemble, clean, name_of, wwn_of
from tests.fakes.facts import DISK

ABC = "0x5000000000000abc"


def node(
    name: str,
    *,
    wwn: str = ABC,
    serial: str = "S-1",
    address: str = "0:0:0:0",
    port: str = "",
    sectors: int = 100,
    aliases: tuple[str, ...] = (),
) -> Node:
    """A node as discovery describes it."""
    disk = dataclasses.replace(
        DISK,
        identity=name_of("ata", wwn, "LAB HDD", serial, port or address),
        nodes=(name,),
        wwn=wwn,
        serial=serial,
        aliases=aliases,
    )
    return Node(disk, port or address, address, sectors)


def test_two_paths_are_one_disk() -> None:
    """One name, one serial and one size at two targets: one disk with two nodes."""
    disks, collisions = assemble([node("sdaa", address="5:0:0:0"), node("sdb", address="4:0:0:0")])
    assert [(disk.identity, disk.nodes) for disk in disks] == [(f"wwn-{ABC}", ("sdb", "sdaa"))]
    assert collisions == ()


@pytest.mark.parametrize(
    "other",
    [
        node("sdb", serial="S-2", address="1:0:0:0"),
        node("sdb", sectors=200, address="1:0:0:0"),
        node("sdb", address="0:0:0:1"),
    ],
    ids=["another serial", "another size", "another unit of the same target"],
)
def test_other_nodes_of_one_name_collide(other: Node) -> None:
    """A bridge may give its own name to whatever is in it: then they are named by port."""
    disks, collisions = assemble([node("sda"), other])
    assert len({disk.identity for disk in disks}) == 2
    assert all(disk.identity.startswith(f"wwn-{ABC}.") for disk in disks)
    assert len(collisions) == 1
    assert "sda, sdb" in collisions[0]


def test_nodes_without_a_serial_are_never_merged() -> None:
    """A name alone does not prove one disk."""
    disks, _ = assemble([node("sda", serial=""), node("sdb", serial="", address="1:0:0:0")])
    assert len(disks) == 2


def test_the_port_is_udevs_path_where_it_differs() -> None:
    """A name that survives a reboot is preferred to host numbers, which do not."""
    first = node("sda", serial="1", port="pci-0000:00:1f.2-ata-1.0")
    second = node("sdb", serial="2", port="pci-0000:00:1f.2-ata-2.0", address="1:0:0:0")
    disks, _ = assemble([first, second])
    assert disks[0].identity == f"wwn-{ABC}.pci-0000_00_1f.2-ata-1.0"
    same = dataclasses.replace(second, port=first.port)
    disks, _ = assemble([first, same])
    assert [disk.identity for disk in disks] == [f"wwn-{ABC}.0_0_0_0", f"wwn-{ABC}.1_0_0_0"]


def test_an_alias_of_two_disks_belongs_to_neither() -> None:
    """Else one disk could continue the other's record."""
    first = node("sda", aliases=("ata-X_1", "ata-shared"))
    second = node("sdb", wwn="0x5000000000000abd", aliases=("ata-shared",), address="1:0:0:0")
    disks, _ = assemble([first, second])
    assert [disk.aliases for disk in disks] == [("ata-X_1",), ()]


@given(
    st.lists(
        st.builds(
            node,
            st.integers(0, 25).map(lambda letter: "sd" + chr(97 + letter)),
            wwn=st.sampled_from([ABC, "0x5000000000000abd", ""]),
            serial=st.sampled_from(["S-1", "S-2", ""]),
            port=st.sampled_from(["", "port-1", "port-2"]),
            sectors=st.sampled_from([100, 200]),
        ),
        max_size=8,
        unique_by=lambda one: one.name,
    )
)
def test_every_identity_is_unique_and_clean(nodes: list[Node]) -> None:
    """A duplicate label value fails the whole scrape (Prometheus exposition formats), so there is
    none, whatever is plugged in; every node belongs to exactly one disk, in any order."""
    placed = [
        dataclasses.replace(one, address=f"{number}:0:0:0") for number, one in enumerate(nodes)
    ]
    disks, _ = assemble(placed)
    identities = [disk.identity for disk in disks]
    assert len(identities) == len({*identities})
    assert all(clean(identity) == identity for identity in identities)
    assert sorted(name for disk in disks for name in disk.nodes) == sorted(
        one.name for one in placed
    )
    assert assemble(reversed(placed)) == assemble(placed)


@pytest.mark.parametrize(
    ("candidates", "expected"),
    [
        (("", "naa.5000C500A1B2C3D4"), "0x5000c500a1b2c3d4"),
        (("0x0000000000000000", ABC), ABC),
        (("0xffffffffffffffff",), ""),
        (("t10.ATA     LAB", "eui.0011223344556677"), ""),
        (("0x5000", ABC), ABC),
    ],
)
def test_only_assigned_names_count(candidates: tuple[str, ...], expected: str) -> None:
    """An NAA name has 16 or 32 digits (SPC-4 7.8.6) and blank ones are what unprogrammed
    devices show (both from memory)."""
    assert wwn_of(*candidates) == expected
