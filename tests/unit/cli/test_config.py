"""What `config` prints, held against the schema and the loader, which have tests of their own."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
import yaml

from spinledger import cli
from spinledger.cli.config import sample
from spinledger.config.load import parse
from spinledger.config.schema import FIELDS
from tests.fakes.snapshots import disk

DISKS = [replace(disk(n, pool="frames"), aliases=(f"ata-LAB_HDD_{n}",)) for n in range(3)]
KEY = re.compile(r"^( *)#((?:  )*(?:- )?[a-z_]+:(?: .*)?)$", re.MULTILINE)


def test_the_file_is_accepted_unedited_and_changes_nothing() -> None:
    """Each disk has its entry, and every setting is what it is without a file."""
    config = parse(sample(DISKS), "config.yml", "UTC")
    assert [config.rule_for(one) for one in DISKS] == list(config.rules)
    assert config.unmatched(DISKS) == ()
    bare = parse("", "", "UTC")
    assert replace(config, source="", rules=()) == bare
    assert [config.policy_for(one) for one in DISKS] == [bare.policy_for(one) for one in DISKS]


def test_each_disk_is_described() -> None:
    """Identity, kernel name, model, serial number, pool, and its link in /dev/disk/by-id."""
    text = sample(DISKS)
    for one in DISKS:
        line, _, _ = text.partition(f"  - match: {{identity: {one.identity}}}")[0].rpartition("\n")
        line = line.rpartition("\n")[2]
        for part in (one.kernel_name, one.model, one.serial, one.pool, *one.aliases):
            assert part in line


def test_every_key_stands_in_it_with_its_default() -> None:
    """Without the marks of comments the file is accepted; a key's value is the schema's default."""
    whole = KEY.sub(r"\1\2", sample([]))
    parse(whole, "config.yml", "UTC")
    tree = yaml.load(whole, Loader=yaml.BaseLoader)  # scalars stay text
    for field in FIELDS:
        if field.parts[-1] in ("code", "by_id", "model", "all"):
            continue  # other ways to write a value that stands there
        place = tree
        for part in field.parts:
            place = place[{"*": "nights", "#": 0}.get(part, part)]
        if field.default:
            assert place == (
                list(field.default) if isinstance(field.default, tuple) else field.default
            )


def test_the_command_prints_the_general_file(capsys: pytest.CaptureFixture[str]) -> None:
    """`--no-disks` looks for none, so the file is the same on every host."""
    assert cli.main(["config", "--no-disks"]) == 0
    assert capsys.readouterr().out == sample([])
