"""From the text of a file to a tree of values, with the line of each.

Rules of this room: YAML is only composed, never constructed, so no tag in a file can make an
object; the walk follows the schema, so its depth is the schema's whatever an anchor refers to; it
stops at the first fault in file order. Two keys of one name are a fault, as YAML 1.2 section 3.2.1
has it (the keys of a mapping are unique).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import yaml
from yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from spinledger.config.near import nearest, printable, shown
from spinledger.config.schema import SCHEMA, Field, Path, Schema
from spinledger.errors import BadConfig

Place = tuple[str | int, ...]

_NULL = "tag:yaml.org,2002:null"
_MERGE = "<<"


@dataclass(frozen=True, slots=True)
class Found:
    """What stands in a file, and where.

    `tree` holds mappings, lists and, at the schema's leaves, parsed values (tuples for lists of
    values); what the file leaves out or leaves empty is not in it. `lines` has every place that
    is mentioned, items of lists by their number, in file order.
    """

    name: str
    schema: Schema = SCHEMA
    tree: dict[str, Any] = field(default_factory=dict)
    lines: dict[Place, int] = field(default_factory=dict)

    def get(self, *place: str | int) -> Any:
        """The value at a place below mappings, else None."""
        at: Any = self.tree
        for step in place:
            at = at[step] if isinstance(step, int) else at.get(step)
            if at is None:
                return None
        return at

    def bad(self, line: int, what: str, fix: str) -> BadConfig:
        """An error in a line, counted from 1."""
        return BadConfig(f"{printable(self.name)}:{line}", what, fix)


def read(text: str, name: str, schema: Schema = SCHEMA) -> Found:
    """Read a whole file. Raises BadConfig at the first fault that one value has in itself."""
    found = Found(name, schema)
    top = _compose(text, found)
    if top is not None:
        found.tree.update(_walk(top, (), (), found))
    return found


def _compose(text: str, found: Found) -> Node | None:
    try:
        return yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        what = f"character U+{ord(text[error.position]):04X} is not allowed in YAML"
        raise found.bad(line, what, "remove it") from None
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 1
        if "'\\t'" in (error.problem or ""):
            raise found.bad(line, "a tab stands before a word", "use spaces") from None
        problem = printable(" ".join(p for p in (error.context, error.problem) if p))
        raise found.bad(line, f"not YAML: {problem}", _yaml_fix(problem)) from None
    except RecursionError:
        raise found.bad(
            1, "nested too deeply", "nest no deeper than the README's example"
        ) from None
    except (ValueError, OverflowError):
        what = "an escape such as \\U names no character"
        raise found.bad(1, what, "write the character itself") from None


def _yaml_fix(problem: str) -> str:
    if "single document" in problem:
        return "keep one document and remove the line ---"
    if "alias" in problem:
        return "define the anchor with & before it is used with *"
    return "check brackets, quotes, colons and the depth of the lines above"


def _walk(node: Node, path: Path, place: Place, found: Found) -> Any:
    leaf = found.schema.leaves.get(path)
    keys = found.schema.branches.get(path, ())
    found.lines.setdefault(place, node.start_mark.line + 1)
    if node.tag == _NULL and (leaf is None or leaf.kind.many):
        return None if leaf else [] if keys == ("#",) else {}
    if leaf and leaf.kind.many and isinstance(node, SequenceNode):
        return tuple(
            _scalar(item, leaf, (*place, index), found) for index, item in enumerate(node.value)
        )
    if leaf and not leaf.kind.many and isinstance(node, ScalarNode):
        return _scalar(node, leaf, place, found)
    if keys == ("#",) and isinstance(node, SequenceNode):
        return [
            _walk(item, (*path, "#"), (*place, index), found)
            for index, item in enumerate(node.value)
        ]
    if keys and keys != ("#",) and isinstance(node, MappingNode):
        return _mapping(node, path, place, found)
    what = f"{_spelled(place)} is {_sort(node)}"
    raise found.bad(node.start_mark.line + 1, what, f"write {_wanted(leaf, keys)}")


def _mapping(node: MappingNode, path: Path, place: Place, found: Found) -> dict[str, Any]:
    keys = found.schema.branches[path]
    made: dict[str, Any] = {}
    seen: dict[str, int] = {}
    for key_node, value_node in node.value:
        line = key_node.start_mark.line + 1
        if not isinstance(key_node, ScalarNode):
            what = f"a key of {_spelled(place)} is {_sort(key_node)}"
            raise found.bad(line, what, "write a word before the colon")
        key = str(key_node.value)
        if key in seen:
            what = f"{_spelled((*place, key))} is set twice, first in line {seen[key]}"
            raise found.bad(line, what, "keep one of the two")
        seen[key] = line
        step = "*" if keys == ("*",) else key
        if step == "*":
            _parsed(found.schema.name, key, line, "", found)
        elif key not in keys:
            what = f"unknown key {shown(key)} in {_spelled(place)}"
            raise found.bad(line, what, _key_fix(key, keys, found.schema))
        found.lines[*place, key] = line
        value = _walk(value_node, (*path, step), (*place, key), found)
        if value is not None:
            made[key] = value
    return made


def _scalar(node: Node, leaf: Field, place: Place, found: Found) -> object:
    line = node.start_mark.line + 1
    found.lines.setdefault(place, line)
    name = _spelled(place)
    if not isinstance(node, ScalarNode):
        raise found.bad(line, f"{name} holds {_sort(node)}", f"write {leaf.kind.expected}")
    text = str(node.value)
    if not text or node.tag == _NULL:
        raise found.bad(line, f"{name} is empty", f"write {leaf.kind.expected}, or remove it")
    if not text.isprintable():
        raise found.bad(line, f"{name} {shown(text)} holds a control character", "remove it")
    return _parsed(leaf.kind.parse, text, line, f"{name} ", found)


def _parsed(
    parse: Callable[[str], object], text: str, line: int, before: str, found: Found
) -> object:
    try:
        return parse(text)
    except BadConfig as error:
        raise found.bad(line, before + error.what, error.fix) from None


def _key_fix(key: str, keys: tuple[str, ...], schema: Schema) -> str:
    if key == _MERGE:
        return "put what disks share under defaults"
    owners = [path for path, its in schema.branches.items() if key in its and key not in "*#"]
    if owners:
        return f"move it to {' or '.join(_schematic(path) for path in owners)}"
    best = nearest(key, keys)
    return f"write {shown(best)}" if best else f"use one of: {', '.join(keys)}"


def _spelled(place: Place) -> str:
    return ".".join(str(p) for p in place if isinstance(p, str)) or "the file"


def _schematic(path: Path) -> str:
    return _spelled(tuple("NAME" if part == "*" else part for part in path if part != "#"))


def _sort(node: Node) -> str:
    if isinstance(node, MappingNode):
        return "a mapping"
    if isinstance(node, SequenceNode):
        return "a list"
    return f"the single value {shown(str(node.value))}" if node.value else "empty"


def _wanted(leaf: Field | None, keys: tuple[str, ...]) -> str:
    if leaf:
        return leaf.kind.expected
    if keys == ("#",):
        return "a list of entries, each beginning with a dash"
    if keys == ("*",):
        return "names, each with a colon and its keys"
    return f"keys with a colon, out of: {', '.join(keys)}"
