"""Whatever a file holds, the answer is settings or one line.

The inputs are random (hypothesis): no source but the rule that bad input gets one clear line.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from tempfile import NamedTemporaryFile

import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st

from spinledger.config.load import load, parse
from spinledger.config.schema import FIELDS, Field
from spinledger.config.settings import Config
from spinledger.errors import BadConfig

pytestmark = pytest.mark.slow

DATA = Path(__file__).parents[2] / "data" / "config"
GOOD = (DATA / "observatory.yaml").read_text(encoding="utf-8")
WORDS = sorted({part for row in FIELDS for part in row.parts} | {"nights", "none", "<<", "0", ""})
VALUES = [
    "5s",
    "20m",
    "3y",
    "0",
    "242",
    "1.5",
    "full",
    "off",
    "nights",
    "none",
    "true",
    "ARCHIVE *",
]
VALUES += ["daily 22:00-06:00", "2026-12-24", "UTC", "EUR", "/srv", "wwn-0x5000c500d0e00001"]


def judged(read: Callable[[], Config], name: str) -> None:
    """Settings that can be shown, or one printable line that begins with the file's name."""
    refusal = None
    try:
        config = read()
    except BadConfig as error:
        refusal = str(error)
    else:
        json.dumps(config.summary())
    if refusal is not None:
        assert re.fullmatch(rf"{re.escape(name)}:[1-9][0-9]*: .+; .+", refusal)
        assert refusal.isprintable()


def judged_text(text: str) -> None:
    """The same for a text."""
    judged(lambda: parse(text, "x", zone="UTC"), "x")


scalars = st.one_of(
    st.sampled_from(VALUES),
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=9),
)
trees = st.recursive(
    scalars,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.sampled_from(WORDS), inner, max_size=4),
    ),
    max_leaves=25,
)


@settings(deadline=None, max_examples=300)
@given(
    st.text(
        alphabet=st.sampled_from("{}[]&*!|>-?:,#'\"%@`~<=\\ \n\t\r\x85\ufeff0aUx\u2028"),
        max_size=60,
    )
)
@example("a: &a [*a]")
@example("disks: &a [*a]")
@example("schedules: &a {x: *a}")
@example('listen: "\\ud800"')
@example('listen: "\\UFFFFFFFF"')
@example("%YAML " + "9" * 5000 + ".1\n---\n")
@example("!!python/object/apply:os.system [date]")
@example("listen: !!python/name:os.system 127.0.0.1:1")
@example("[" * 5000)
def test_yaml_like_noise(text: str) -> None:
    """Strings of YAML's own signs give settings or one line, never a traceback."""
    judged_text(text)


@settings(deadline=None, max_examples=300)
@given(trees)
def test_well_formed_nonsense(tree: object) -> None:
    """Well-formed YAML of known words in the wrong places gives settings or one line."""
    judged_text(yaml.safe_dump(tree))


@settings(deadline=None, max_examples=150)
@given(st.integers(0, len(GOOD)), st.integers(0, 12), st.text(max_size=6))
def test_a_good_file_with_a_slip(start: int, length: int, typed: str) -> None:
    """A good file with a few characters struck out and others typed in never breaks the reader."""
    judged_text(GOOD[:start] + typed + GOOD[start + length :])


@settings(deadline=None, max_examples=150)
@given(st.binary(max_size=80))
def test_any_bytes_in_a_file(content: bytes) -> None:
    """A file of any bytes gives settings or one line that begins with its path."""
    with NamedTemporaryFile(suffix=".yaml") as file:
        file.write(content)
        file.flush()
        judged(lambda: load(Path(file.name), zone="UTC"), file.name)


@given(st.lists(st.sampled_from(VALUES), max_size=3), st.sampled_from(FIELDS))
def test_values_in_their_places(items: list[str], row: Field) -> None:
    """Each key with each value, single or in a list, gives settings or one line."""
    value: object = items if row.kind.many or not items else items[0]
    for part in reversed(row.parts):
        value = [value] if part == "#" else {("nights" if part == "*" else part): value}
    judged_text(yaml.safe_dump(value))
