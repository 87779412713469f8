"""Reported drives are understood as their vectors say.

A vector is a file of tests/data/drives, made by `python -m tests.vector` from a report and then
read by a developer against the standard. `mocked` is of a disk of tests/fakes/shelf.py, whose bytes
are built by tests/fakes/drive_bytes.py from the layouts cited there.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from spinledger.app.reporting import understood
from spinledger.codec.commands import TABLE
from spinledger.codec.counters import reply_of
from spinledger.device.node import read_node
from spinledger.model import Command, Completion
from tests.fakes.sysfs_tree import Tree
from tests.vector import DRIVES, NODE, Vector, expected

FILES = sorted(DRIVES.glob("*.json"))


def read(file: Path) -> Vector:
    """A vector."""
    vector: Vector = json.loads(file.read_text(encoding="utf-8"))
    return vector


def node_of(vector: Vector, root: Path) -> dict[str, str]:
    """What is understood of its sysfs, rebuilt below a root; the keys of `NODE`."""
    sysfs = vector["sysfs"]
    tree = Tree(root)
    disk = tree.disk(vector["kernel_name"], sysfs["path"], size="0")
    tree.write(disk, {key.replace("/", "__"): text for key, text in sysfs["attributes"].items()})
    pages = {f"device__{key}": bytes.fromhex(page) for key, page in sysfs["pages"].items()}
    tree.write(disk, pages)
    found = read_node(str(root), vector["kernel_name"], lambda name: {})
    if isinstance(found, str):
        return dict.fromkeys(NODE, "") | {"skipped": found}
    method = found.disk.probe_method
    return {
        "model": found.disk.model,
        "firmware": found.disk.firmware,
        "transport": found.disk.transport,
        "probe_method": method.value if method else "",
        "not_probed_because": found.disk.not_probed_because,
        "skipped": "",
    }


def test_there_are_drives() -> None:
    """So the tests below check something."""
    assert [file.stem for file in FILES if "LAB" in file.stem]


@pytest.mark.parametrize("file", FILES, ids=lambda file: str(file.stem))
def test_the_disk_is_recognised(file: Path, tmp_path: Path) -> None:
    """By sysfs: transport, way to probe it, or why it is skipped."""
    vector = read(file)
    assert node_of(vector, tmp_path) == vector["expected"]


@pytest.mark.parametrize("file", FILES, ids=lambda file: str(file.stem))
def test_its_replies_are_understood(file: Path) -> None:
    """Each reply gives its state, its values or its refusal; its command is that of the table."""
    for reply in read(file)["replies"]:
        command = Command(reply["command"])
        completion = Completion(
            reply["status"],
            reply["host_status"],
            reply["driver_status"],
            bytes.fromhex(reply["sense"]),
            bytes.fromhex(reply["data"]),
            reply["elapsed_ns"],
        )
        assert TABLE[command].cdb.hex(" ") == reply["cdb"]
        assert expected(understood(reply_of(command, completion))) == reply["expected"], command
