"""The pure rooms call nothing that opens a file, prints or reads a clock.

The import contract in pyproject.toml keeps modules out; this keeps out the built-in functions and
the clocks that hide in the modules which pure rooms may import. The rooms and the calls are the
project's own rule, stated in DEVELOPERS.md.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PURE = (
    "model",
    "schedule",
    "errors",
    "facts",
    "codec",
    "ledger",
    "findings",
    "strip",
    "words",
    "whatif",
    "wear",
    "quiet",
    "sampler",
)
BUILTINS = {"open", "print", "input", "exec", "eval", "__import__", "breakpoint"}
CLOCKS = {("datetime", "now"), ("datetime", "utcnow"), ("datetime", "today"), ("date", "today")}
PACKAGE = Path(__file__).parents[2] / "exporter" / "spinledger"


def impurities(source: str) -> list[str]:
    """Banned uses in the source text as `line: name`, whether called or only handed on."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Name) and node.id in BUILTINS:
            found.append(f"{node.lineno}: {node.id}")
        if isinstance(node, ast.Attribute):
            owner = node.value
            owner_name = owner.attr if isinstance(owner, ast.Attribute) else None
            owner_name = owner.id if isinstance(owner, ast.Name) else owner_name
            if (owner_name, node.attr) in CLOCKS:
                found.append(f"{node.lineno}: {owner_name}.{node.attr}")
    return found


def sources(room: str) -> list[Path]:
    """The files of a room, whether it is a module or a package."""
    module = PACKAGE / f"{room}.py"
    return [module] if module.is_file() else sorted((PACKAGE / room).rglob("*.py"))


@pytest.mark.parametrize("room", PURE)
def test_room_is_pure(room: str) -> None:
    """Every pure room exists and uses no banned built-in and no clock."""
    files = sources(room)
    assert files, f"{room} is neither a module nor a package of {PACKAGE}"
    found = [
        f"{file.relative_to(PACKAGE)}:{use}"
        for file in files
        for use in impurities(file.read_text(encoding="utf-8"))
    ]
    assert found == []


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("open('x')", ["1: open"]),
        ("f = open", ["1: open"]),
        ("import datetime\nx = datetime.datetime.now()", ["2: datetime.now"]),
        ("from datetime import date\nx = date.today()", ["2: date.today"]),
        ("y = reply.opened(); z = store.open_gap; t = tick.now", []),
    ],
)
def test_the_check_itself_sees_what_it_bans(source: str, found: list[str]) -> None:
    """Each kind of banned use is found, and names that only look alike are not."""
    assert impurities(source) == found
