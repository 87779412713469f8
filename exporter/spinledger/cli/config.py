"""`spinledger config`: prints a commented configuration for the disks found.

Rules: the keys, their defaults and their help come from the schema, so that none can be missing.
What is printed sets nothing: each key is commented out, with its default as the value, and an
entry of `disks` only names a disk. The disks are found through udev, which sends them nothing.
"""

from __future__ import annotations

import argparse
import re
import textwrap
from collections.abc import Iterator, Sequence

from spinledger.config.schema import BRANCHES, LEAVES, Path
from spinledger.device.discovery import Discovery
from spinledger.model import Disk

WIDTH = 88  # of a comment
NAME = "nights"  # of the example of a schedule
HEAD = """\
# The configuration of Spinledger, a YAML file.
#
# Every key is optional. A key behind a # shows its default, or an example where it has
# none; remove the # to set it. Afterwards:
#
#     spinledger check              # names each mistake with its line, and the fix
#     systemctl reload spinledger   # loads the file; one with a mistake is refused
#
# Where no service unit runs the exporter, pkill -HUP -f 'spinledger serve' loads the file."""
DISKS = "one entry a disk; the first that matches holds; a match is one of:"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument(
        "--no-disks",
        action="store_true",
        help="leave out the disks of this machine: one example of an entry instead",
    )


def run(arguments: argparse.Namespace) -> int:
    """Print the file. Raises Unavailable when the disks cannot be found."""
    disks: Sequence[Disk] = ()
    if not arguments.no_disks:
        disks = [seen.disk for seen in Discovery().scan(0)[0]]
    print(sample(disks), end="")
    return 0


def sample(disks: Sequence[Disk]) -> str:
    """The file as text, with an entry for each disk, or an example where there is none."""
    sections = [[HEAD]]
    for key in BRANCHES[()]:
        if key != "disks":
            sections.append([*_key((key,), "")])
    sections.append([*_disks(disks)])
    return "\n\n".join("\n".join(lines) for lines in sections) + "\n"


def example(path: Path) -> str:
    """A value as the user would write it: the default, else the example that its fix gives."""
    if path not in LEAVES:
        return f"{{{', '.join(f'{part}: {example((*path, part))}' for part in BRANCHES[path])}}}"
    field = LEAVES[path]
    if isinstance(field.default, tuple) and field.default:
        return f"[{', '.join(field.default)}]"
    if isinstance(field.default, str):
        return field.default
    if path[-1] in ("quiet", "by_id"):
        return NAME if path[-1] == "quiet" else "NAME"
    _, such, text = field.kind.expected.partition("such as ")
    return text if such else re.split(r", | or ", field.kind.expected)[0]


def _key(path: Path, indent: str) -> Iterator[str]:
    """One key and what stands below it. Every key that has a value is commented out."""
    below = BRANCHES.get(path, ())
    if path in LEAVES:
        others = (f"{{{part}: {example((*path, part))}}}" for part in below)
        yield from _comment("; or ".join((LEAVES[path].help, *others)), indent)
        yield f"{indent}#{path[-1]}: {example(path)}"
        return
    yield f"{indent}{path[-1]}:"
    indent += "  "
    for part in below:
        if part == "*":  # set as a whole
            keys = [LEAVES[*path, part, key] for key in BRANCHES[*path, part]]
            for key in keys:
                yield from _comment(f"{key.parts[-1]}: {key.help}", indent)
            yield f"{indent}#{NAME}:"
            yield from (f"{indent}#  {key.parts[-1]}: {example(key.parts)}" for key in keys)
        else:
            yield from _key((*path, part), indent)


def _disks(disks: Sequence[Disk]) -> Iterator[str]:
    """The entries of `disks`. Their keys are those of `defaults`, which has the help, and some."""
    yield from _comment(DISKS, "")
    entry = ("disks", "#")
    for part in BRANCHES[*entry, "match"]:
        path = (*entry, "match", part)
        yield f"#   {f'{{{part}: {example(path)}}}':<34} {LEAVES[path].help}"
    keys = [part for part in BRANCHES[entry] if part != "match"]
    for part in keys:
        if part not in BRANCHES["defaults",]:
            yield from _comment(f"{part}: {LEAVES[*entry, part].help}", "")
    yield "disks:"
    for disk in disks:
        yield from _comment(_described(disk), "  ")
        yield f"  - match: {{identity: {disk.identity}}}"
        yield from (f"    #{part}: {example((*entry, part))}" for part in keys)
    if not disks:
        yield f"  #- match: {{identity: {example((*entry, 'match', 'identity'))}}}"
        yield from (f"  #  {part}: {example((*entry, part))}" for part in keys)


def _described(disk: Disk) -> str:
    """What the disk is, in one line."""
    serial = f"serial number {disk.serial}" if disk.serial else "no serial number"
    pool = f"pool {disk.pool}" if disk.pool else "no pool"
    links = [f"by-id {alias}" for alias in disk.aliases]
    return ", ".join((disk.kernel_name, disk.model, serial, pool, *links))


def _comment(text: str, indent: str) -> list[str]:
    """Lines of a comment."""
    return textwrap.wrap(text, WIDTH, initial_indent=f"{indent}# ", subsequent_indent=f"{indent}# ")
